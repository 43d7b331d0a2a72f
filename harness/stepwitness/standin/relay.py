"""Wires with faults between real ports, on the wall's clock: a thread between a part's own port (TCP, or a
pseudo-terminal) and one that the host opens instead.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import threading
import time
from typing import Any

from stepwitness.standin.faults import Down, FaultyWire
from stepwitness.standin.serving import HOST

_TICK_S = 0.01


class Relay:
    """A thread between the port of a part and the one that the host opens, `port`; ends with the context.

    Parameters
    ----------
    part_port : ``socket://127.0.0.1:port`` or the device name of a pseudo-terminal; `port` is of the same kind. A wire
    that is cut closes a TCP connection, and falls silent on a terminal.
    """

    def __init__(self, part_port: str, wire: FaultyWire) -> None:
        self.wire = wire
        self._selector = selectors.DefaultSelector()
        self._stop = threading.Event()
        self._terminals: list[int] = []
        self._listener: socket.socket | None = None
        self._host: Any = None
        if part_port.startswith("socket://"):
            host, _, number = part_port.removeprefix("socket://").partition(":")
            self._part: Any = socket.create_connection((host, int(number)))
            self._part.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._part.setblocking(False)
            self._listener = socket.create_server((HOST, 0))
            self._selector.register(self._listener, selectors.EVENT_READ, "listener")
            self.port = f"socket://{HOST}:{self._listener.getsockname()[1]}"
        else:
            import tty

            self._part = os.open(part_port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            near, far = os.openpty()
            tty.setraw(far)
            os.set_blocking(near, False)
            self._terminals += [self._part, near, far]
            self._host = near
            self._selector.register(near, selectors.EVENT_READ, "host")
            self.port = os.ttyname(far)
        self._selector.register(self._part, selectors.EVENT_READ, "part")
        self._thread = threading.Thread(target=self._run, daemon=True, name="relay")

    def __enter__(self) -> Relay:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()
        for key in list(self._selector.get_map().values()):
            if isinstance(key.fileobj, socket.socket):
                key.fileobj.close()
        self._selector.close()
        for descriptor in self._terminals:
            os.close(descriptor)

    def _run(self) -> None:
        while not self._stop.is_set():
            wait_s = min(_TICK_S, max(0.0, self.wire.next_due_s() - time.monotonic()))
            for key, _ in self._selector.select(wait_s):
                if key.data == "listener":
                    self._accept()
                else:
                    self._take(key.fileobj, key.data)
            self._deliver()

    def _accept(self) -> None:
        assert self._listener is not None
        connection, _ = self._listener.accept()
        if self._host is not None or (self.wire.down and time.monotonic() < self.wire.back_at_s):
            connection.close()
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        self._host = connection
        self._selector.register(connection, selectors.EVENT_READ, "host")

    def _take(self, end: Any, which: str) -> None:
        try:
            data = end.recv(4096) if isinstance(end, socket.socket) else os.read(end, 4096)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            data = b""
        if not data:
            if which == "host":
                self._hang_up()
            elif isinstance(end, socket.socket):
                self._selector.unregister(end)
            return
        try:
            if which == "host":
                self.wire.from_host(data, now_s=time.monotonic())
            else:
                self.wire.from_part(data, now_s=time.monotonic())
        except Down:
            self._hang_up()

    def _deliver(self) -> None:
        now_s = time.monotonic()
        if data := self.wire.due_to_part(now_s):
            self._send(self._part, data)
        try:
            if (data := self.wire.due_to_host(now_s)) and self._host is not None:
                self._send(self._host, data)
        except Down:
            self._hang_up()

    @staticmethod
    def _send(end: Any, data: bytes) -> None:
        with contextlib.suppress(OSError):  # whoever doesn't read loses bytes
            if isinstance(end, socket.socket):
                end.sendall(data)
            else:
                os.write(end, data)

    def _hang_up(self) -> None:
        if isinstance(self._host, socket.socket):
            self._selector.unregister(self._host)
            self._host.close()
            self._host = None
