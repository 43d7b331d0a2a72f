"""A link by its descriptor: bytes both ways, a peer that is gone, and a line that begins out of step."""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator

import pytest

from stepwitness.devices.clock import WallClock
from stepwitness.devices.errors import LinkLost
from stepwitness.devices.inherited import InheritedLink, write_all
from stepwitness.devices.instruments.text_line import GAUGE_COMMANDS
from stepwitness.devices.links import open_link
from stepwitness.devices.part import Part
from stepwitness.devices.text_line import LAST_TAG, open_line
from stepwitness.errors import BadInput

pytestmark = pytest.mark.skipif(os.name != "posix", reason="descriptors are inherited on POSIX alone")


@pytest.fixture
def pair() -> Iterator[tuple[InheritedLink, socket.socket]]:
    ours, theirs = socket.socketpair()
    link = open_link(f"descriptor://{ours.detach()}")
    assert isinstance(link, InheritedLink)
    with theirs:
        yield link, theirs
    link.close()


def test_bytes_both_ways(pair: tuple[InheritedLink, socket.socket]) -> None:
    link, peer = pair
    assert link.read() == b""
    link.write(b"halt\n")
    assert peer.recv(100) == b"halt\n"
    peer.sendall(b"ok\n")
    assert link.read() == b"ok\n"
    peer.sendall(b"late\n")
    link.discard()
    assert link.read() == b""


def test_a_peer_that_is_gone_is_a_lost_link(pair: tuple[InheritedLink, socket.socket]) -> None:
    link, peer = pair
    peer.close()
    with pytest.raises(LinkLost, match="the other end closed the connection"):
        link.read()
    with pytest.raises(LinkLost, match="writing failed"):
        write_all(link.descriptor, b"x" * 10_000_000, name="gone")


def test_a_closed_descriptor_is_a_lost_link(pair: tuple[InheritedLink, socket.socket]) -> None:
    link, _ = pair
    link.close()
    link.close()
    for use in (lambda: link.write(b"x"), link.read, link.discard):
        with pytest.raises(LinkLost):
            use()


def test_a_peer_that_takes_nothing_doesnt_hang_the_writer(pair: tuple[InheritedLink, socket.socket]) -> None:
    link, _ = pair
    os.set_blocking(link.descriptor, False)
    with pytest.raises(LinkLost, match="takes nothing"):
        write_all(link.descriptor, b"x" * 10_000_000, name="full")


def test_not_a_descriptor() -> None:
    with pytest.raises(BadInput, match="found 'descriptor://seven'; allowed: descriptor://7"):
        open_link("descriptor://seven")


def test_the_first_question_isnt_answered_by_a_reply_to_the_owner_before(
    pair: tuple[InheritedLink, socket.socket],
) -> None:
    """A line without tags: what the dead owner asked comes in first, and is recognised by the identity behind it."""
    link, peer = pair
    part = Part("text-line", {"port": f"descriptor://{link.descriptor}", "tags": "no", "timeout": "1 s"})
    line = open_line(part, WallClock(), GAUGE_COMMANDS)

    def answer() -> None:
        heard = peer.recv(100)
        peer.sendall(b"+9.0 mm\n")
        while b"identity?" not in heard:
            heard += peer.recv(100)
        peer.sendall(b"maker;gauge;1;2\n")
        assert peer.recv(100) == b"travel?\n"
        peer.sendall(b"+1.0 mm\n")

    thread = threading.Thread(target=answer)
    thread.start()
    assert line.number("travel") == pytest.approx(0.001)
    thread.join()


def test_last_words_end_half_a_line_and_carry_a_tag_of_their_own(pair: tuple[InheritedLink, socket.socket]) -> None:
    link, _ = pair
    for options, words in (
        ({}, b"~\n@%d travel?\n" % LAST_TAG),
        ({"tags": "no"}, b"~\ntravel?\n"),
        ({"tags": "no", "break_off": ""}, b"\ntravel?\n"),
        ({"tags": "no", "line_end": "CR", "checksum": "xor8"}, b"\rtravel?*"),
    ):
        part = Part("text-line", {"port": f"descriptor://{link.descriptor}", **options})
        assert open_line(part, WallClock(), GAUGE_COMMANDS).last_words("travel").startswith(words)
