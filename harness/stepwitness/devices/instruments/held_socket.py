"""One deadline for a whole exchange over a socket that a library reads.

pyvisa-py counts its time-out anew with each byte, so that a reply which drips in goes on for minutes; over a bare
socket it counts by the time of day, which may be set back; and a connection that the other end has closed is asked
again and again until the time is over, or for ever. With this in the place of the library's socket:

1. Past the deadline every read raises TimeoutError, and so does the question for the descriptor, which comes before
   each `select`.
2. The end of a connection raises ConnectionResetError.
"""

from __future__ import annotations

import contextlib
import math
import socket
import threading
import time
from collections.abc import Callable
from typing import Any


class HeldSocket:
    """A socket with a deadline, `ends_s` on the host's monotonic clock. All else is the socket's own."""

    def __init__(self, held: Any) -> None:
        self._held = held
        self.ends_s = math.inf

    def fileno(self) -> int:
        self._left_s()
        number: int = self._held.fileno()
        return number

    def recv(self, size: int, *flags: int) -> bytes:
        self._hold()
        data: bytes = self._held.recv(size, *flags)
        _check_end(len(data))
        return data

    def recv_into(self, buffer: Any, size: int = 0) -> int:
        self._hold()
        read: int = self._held.recv_into(buffer, size)
        _check_end(read)
        return read

    def __getattr__(self, name: str) -> Any:
        return getattr(self._held, name)

    def _hold(self) -> None:
        left_s = self._left_s()
        if math.isfinite(left_s):
            self._held.settimeout(left_s)

    def _left_s(self) -> float:
        left_s = self.ends_s - time.monotonic()
        if left_s <= 0:
            raise TimeoutError("timed out")
        return left_s


def _check_end(read: int) -> None:
    if not read:
        raise ConnectionResetError("the other end closed the connection")


def hold(session: Any) -> list[HeldSocket]:
    """Put held sockets into a pyvisa-py session over the network, and have them wait for no acknowledgement.

    Other sessions, and those of other backends, are left alone: they keep a time-out for the whole exchange.
    """
    try:
        inner = session.visalib.sessions[session.session]
        places = [(inner, "interface"), (inner.interface, "_sync"), (inner.interface, "_async")]
    except (AttributeError, KeyError):
        return []
    held = []
    for owner, name in places:
        found: Any = getattr(owner, name, None)
        if hasattr(found, "recv_into"):
            found.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            held.append(HeldSocket(found))
            setattr(owner, name, held[-1])
    return held


def opened_within(opening: Callable[[], Any], seconds: float) -> Any:
    """What `opening` opens. One that takes longer is left to itself, and closed where it comes after all.

    Raises
    ------
    TimeoutError : after `seconds`; else whatever `opening` raised.
    """
    opened: list[Any] = []
    failed: list[BaseException] = []
    given_up = threading.Event()

    def run() -> None:
        try:
            opened.append(opening())
        except BaseException as error:  # raised again where it is waited for
            failed.append(error)
        if given_up.is_set():
            with contextlib.suppress(Exception):
                opened.pop().close()

    thread = threading.Thread(target=run, daemon=True, name="opening")
    thread.start()
    thread.join(seconds)
    if failed:
        raise failed[0]
    if not opened:
        given_up.set()
        raise TimeoutError(f"nothing answered within {seconds:g} s")
    return opened[0]
