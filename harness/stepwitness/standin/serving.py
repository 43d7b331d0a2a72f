"""Serves protocols on loopback TCP ports and pseudo-terminals, one thread for all of them. Knows no protocol.

1. A protocol is a `Responder` per connection: bytes in, bytes out, no I/O.
2. A client that asks and never reads is dropped (TCP), or loses bytes (a terminal); the others are served.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from stepwitness.devices.wire import LineFramer

TICK_S = 0.02
HOST = "127.0.0.1"


class Responder(Protocol):
    """The protocol's side of one connection."""

    def hear(self, data: bytes) -> bytes:
        """What is sent back once `data` has arrived; may be empty. ConnectionError hangs up."""
        ...


class LineProtocol(Protocol):
    """A protocol of lines of text."""

    def answer(self, line: str) -> str | None:
        """The reply to one line, without its end; None where there is none."""
        ...


Opener = Callable[[], Responder]
"""Makes the responder of a new connection."""


class Ports(Protocol):
    """Where protocols can be served."""

    def add_tcp(self, opener: Opener) -> int:
        """Serve on a free TCP port; returns the port."""
        ...

    def add_terminal(self, opener: Opener) -> str:
        """Serve on a serial port; returns its name."""
        ...


class LineResponder:
    """Cuts bytes into lines and answers each."""

    def __init__(self, protocol: LineProtocol) -> None:
        self._protocol, self._framer = protocol, LineFramer()

    def hear(self, data: bytes) -> bytes:
        replies = [self._protocol.answer(line) for line in self._framer.feed(data)]
        return b"".join(reply.encode("ascii", errors="replace") + b"\n" for reply in replies if reply is not None)


def lines(protocol: LineProtocol) -> Opener:
    """An opener for a protocol of lines: each connection has its own framing."""
    return lambda: LineResponder(protocol)


@dataclass
class _Channel:
    """One connection, or one pseudo-terminal."""

    responder: Responder
    receive: Callable[[], bytes]
    send: Callable[[bytes], object]
    close: Callable[[], object]

    def serve(self) -> bool:
        """Answer what has arrived; False once the other end is gone."""
        try:
            data = self.receive()
        except (BlockingIOError, InterruptedError):
            return True
        except OSError:
            return False
        try:
            if reply := self.responder.hear(data):
                self.send(reply)
        except OSError:  # gone, or so far behind that it doesn't read what it asked for; or the responder hung up
            return False
        return bool(data)


class Server:
    """Serves until it is told to stop.

    Parameters
    ----------
    keep_up : called every `TICK_S`, between requests.
    """

    def __init__(self, keep_up: Callable[[], object]) -> None:
        self._keep_up = keep_up
        self._selector = selectors.DefaultSelector()
        self._stop = threading.Event()
        self._terminals: list[int] = []

    def add_tcp(self, opener: Opener) -> int:
        """Serve on a free TCP port; returns the port."""
        listener = socket.create_server((HOST, 0))
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ, opener)
        port: int = listener.getsockname()[1]
        return port

    def add_terminal(self, opener: Opener) -> str:
        """Serve on a pseudo-terminal; returns the name of its device.

        Both ends stay open here: without an opener of the far end, reads of the near one would fail.
        """
        import tty

        near, far = os.openpty()
        tty.setraw(far)
        os.set_blocking(near, False)
        self._terminals += [near, far]

        def send(data: bytes) -> None:
            # Nobody reads: bytes are lost, as on any line without a handshake.
            with contextlib.suppress(BlockingIOError):
                os.write(near, data)

        channel = _Channel(opener(), lambda: os.read(near, 4096), send, lambda: None)
        self._selector.register(near, selectors.EVENT_READ, channel)
        return os.ttyname(far)

    def stop(self) -> None:
        """End `run` at its next tick; safe from a signal handler or another thread."""
        self._stop.set()

    def run(self) -> None:
        while not self._stop.is_set():
            for key, _ in self._selector.select(TICK_S):
                if isinstance(key.data, _Channel):
                    if not key.data.serve():
                        self._selector.unregister(key.fileobj)
                        key.data.close()
                else:
                    self._accept(key.fileobj, key.data)
            self._keep_up()

    def close(self) -> None:
        for key in list(self._selector.get_map().values()):
            if isinstance(key.data, _Channel):
                key.data.close()
            else:
                _socket_of(key.fileobj).close()
        self._selector.close()
        for descriptor in self._terminals:
            os.close(descriptor)

    def _accept(self, listener: object, opener: Opener) -> None:
        try:
            connection, _ = _socket_of(listener).accept()
        except OSError:  # gone again before it was accepted
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        channel = _Channel(opener(), lambda: connection.recv(4096), connection.sendall, connection.close)
        self._selector.register(connection, selectors.EVENT_READ, channel)


def _socket_of(fileobj: object) -> socket.socket:
    assert isinstance(fileobj, socket.socket)
    return fileobj
