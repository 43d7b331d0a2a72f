"""A socket with one deadline for all that is read from it, and an opening that isn't waited for longer than told."""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Iterator

import pytest

from stepwitness.devices.instruments.held_socket import HeldSocket, opened_within


@pytest.fixture
def pair() -> Iterator[tuple[HeldSocket, socket.socket]]:
    near, far = socket.socketpair()
    with near, far:
        yield HeldSocket(near), far


def test_it_reads_as_the_socket_does(pair: tuple[HeldSocket, socket.socket]) -> None:
    held, far = pair
    far.sendall(b"abcdef")
    buffer = bytearray(3)
    assert select.select([held], [], [], 1.0)[0] == [held]
    assert held.recv(2) == b"ab"
    assert (held.recv_into(memoryview(buffer), 3), bytes(buffer)) == (3, b"cde")
    held.sendall(b"back")
    assert far.recv(9) == b"back"


def test_bytes_that_drip_in_dont_put_the_deadline_off(pair: tuple[HeldSocket, socket.socket]) -> None:
    held, far = pair
    stop = threading.Event()

    def drip() -> None:
        while not stop.wait(0.01):
            far.send(b".")

    thread = threading.Thread(target=drip)
    thread.start()
    started_s = time.monotonic()
    held.ends_s = started_s + 0.2
    try:
        with pytest.raises(TimeoutError):
            _read_for_ever(held)
    finally:
        stop.set()
        thread.join()
    assert 0.15 < time.monotonic() - started_s < 5.0
    with pytest.raises(TimeoutError):
        select.select([held], [], [], 1.0)


def test_the_end_of_a_connection_is_an_error_and_no_reply(pair: tuple[HeldSocket, socket.socket]) -> None:
    held, far = pair
    far.close()
    with pytest.raises(ConnectionResetError, match="the other end closed the connection"):
        held.recv(1)
    with pytest.raises(ConnectionResetError):
        held.recv_into(bytearray(4), 4)


def _read_for_ever(held: HeldSocket) -> None:
    while True:
        held.recv(1)


class _Session:
    def __init__(self) -> None:
        self.closed = threading.Event()

    def close(self) -> None:
        self.closed.set()


def test_what_opens_in_time_is_opened_and_what_fails_fails_as_it_did() -> None:
    session = _Session()
    assert opened_within(lambda: session, 5.0) is session
    with pytest.raises(ZeroDivisionError):
        opened_within(lambda: 1 // 0, 5.0)
    assert not session.closed.is_set()


def test_what_opens_too_late_is_closed() -> None:
    session, go_on = _Session(), threading.Event()

    def opening() -> _Session:
        go_on.wait(10.0)
        return session

    with pytest.raises(TimeoutError, match=r"nothing answered within 0\.05 s"):
        opened_within(opening, 0.05)
    go_on.set()
    assert session.closed.wait(10.0)
