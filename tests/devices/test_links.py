"""Links on loopback; what the libraries do under faults was measured on pyserial 3.5."""

from __future__ import annotations

import os
import socket
import sys
import threading
from collections.abc import Iterator

import pytest

from stepwitness.devices.errors import LinkLost
from stepwitness.devices.links import SerialLink, open_link
from stepwitness.errors import BadInput

posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The near end's descriptor and the far end's name; the far end stays open here too."""
    import tty

    near, far = os.openpty()
    tty.setraw(far)
    yield near, os.ttyname(far)
    for descriptor in (near, far):
        os.close(descriptor)


def test_a_socket_carries_bytes_and_tells_when_the_peer_goes(listener: socket.socket) -> None:
    link = open_link(f"socket://127.0.0.1:{listener.getsockname()[1]}")
    peer, _ = listener.accept()
    link.write(b"position?\n")
    assert peer.recv(100) == b"position?\n"
    assert link.read() == b""
    peer.sendall(b"3200\n")
    assert link.read() == b"3200\n"
    peer.sendall(b"stale\n")
    while not link.read():
        pass
    peer.sendall(b"stale\n")
    threading.Event().wait(0.05)
    link.discard()
    assert link.read() == b""
    peer.close()
    with pytest.raises(LinkLost, match="the other end closed the connection"):
        link.read()
    link.close()
    with pytest.raises(LinkLost):
        link.read()
    with pytest.raises(LinkLost):
        link.write(b"x")


def test_a_port_where_nobody_listens_is_told(listener: socket.socket) -> None:
    port = listener.getsockname()[1]
    listener.close()
    with pytest.raises(LinkLost, match=f"socket://127.0.0.1:{port} can't be opened: .*; does anything listen there"):
        open_link(f"socket://127.0.0.1:{port}")


@posix
def test_a_serial_port_carries_bytes(terminal: tuple[int, str]) -> None:
    near, name = terminal
    link = open_link(name)
    link.write(b"status?\n")
    assert os.read(near, 100) == b"status?\n"
    os.write(near, b"enabled resting\n")
    assert link.read() == b"enabled resting\n"
    os.write(near, b"stale\n")
    threading.Event().wait(0.05)  # the system moves bytes between the ends in its own time
    link.discard()
    assert link.read() == b""
    link.close()


@posix
def test_a_serial_port_has_one_owner(terminal: tuple[int, str]) -> None:
    link = open_link(terminal[1])
    with pytest.raises(LinkLost, match=r"can't be opened: .*lock.*; (ports of this machine|this machine has)"):
        open_link(terminal[1])
    link.close()
    open_link(terminal[1]).close()


@posix
def test_every_call_on_a_dead_serial_port_says_link_lost() -> None:
    import tty

    near, far = os.openpty()
    tty.setraw(far)
    link = SerialLink(os.ttyname(far), baud=115_200)
    os.close(far)
    os.close(near)
    for call in (link.read, link.discard, lambda: link.write(b"halt\n"), link.read):
        with pytest.raises(LinkLost):
            call()
    link.close()
    with pytest.raises(LinkLost):
        link.write(b"halt\n")


def test_a_port_that_is_not_there_is_told() -> None:
    with pytest.raises(LinkLost, match="can't be opened"):
        open_link("/dev/there-is-no-such-port" if sys.platform != "win32" else "COM251")


@pytest.mark.parametrize(
    "url", ["socket://", "socket://host", "socket://:5", "socket://h:0", "socket://h:5/x", "a://b"]
)
def test_an_address_that_is_none_is_a_mistake_in_the_file(url: str) -> None:
    with pytest.raises(BadInput):
        open_link(url)
