"""A TCP relay on loopback that can be cut like a cable: what is under way is lost, and nobody gets through then."""

from __future__ import annotations

import contextlib
import select
import socket
import threading
from types import TracebackType
from typing import Self

CHUNK_BYTES = 1 << 16


class TcpRelay:
    """Passes bytes between `port` and a server's port on this machine, a thread a connection."""

    def __init__(self, to: int) -> None:
        self._to = to
        self._lock = threading.Lock()
        self._pairs: list[tuple[socket.socket, socket.socket]] = []
        self._whole = True
        self.cuts = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Drop every connection at once, and each new one until `mend`."""
        with self._lock:
            self._whole = False
            self.cuts += 1
            pairs, self._pairs = self._pairs, []
        for pair in pairs:
            _drop(pair)

    def mend(self) -> None:
        with self._lock:
            self._whole = True

    def close(self) -> None:
        self._listener.close()
        self.cut()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with self._lock:
                whole = self._whole
            if not whole:
                client.close()
                continue
            try:
                server = socket.create_connection(("127.0.0.1", self._to))
            except OSError:
                client.close()
                continue
            pair = (client, server)
            with self._lock:
                self._pairs.append(pair)
            threading.Thread(target=self._pass, args=(pair,), daemon=True).start()

    def _pass(self, pair: tuple[socket.socket, socket.socket]) -> None:
        other = {pair[0]: pair[1], pair[1]: pair[0]}
        with contextlib.suppress(OSError, ValueError):
            while True:
                for ready in select.select(pair, (), ())[0]:
                    data = ready.recv(CHUNK_BYTES)
                    if not data:
                        return _drop(pair)
                    other[ready].sendall(data)
        return _drop(pair)


def _drop(pair: tuple[socket.socket, socket.socket]) -> None:
    for one in pair:
        with contextlib.suppress(OSError):
            one.shutdown(socket.SHUT_RDWR)
        one.close()
