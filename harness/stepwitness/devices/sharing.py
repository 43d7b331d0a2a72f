"""Ports that several parts of one process share, opened once and closed with the last of them."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

Opened = TypeVar("Opened")


class SharedPorts(Generic[Opened]):
    """What is open, by the name of its port."""

    def __init__(self, close: Callable[[Opened], object]) -> None:
        self._close = close
        self._lock = threading.Lock()
        self._open: dict[str, tuple[Opened, int]] = {}

    def take(
        self, port: str, make: Callable[[], Opened], agree: Callable[[Opened], object]
    ) -> tuple[Opened, Callable[[], None]]:
        """What is open on `port`, and what lets go of it (more than once does no harm).

        `make` opens it for the first part; `agree` raises where a later one asks for other settings.
        """
        with self._lock:
            if port in self._open:
                opened, owners = self._open[port]
                agree(opened)
            else:
                opened, owners = make(), 0
            self._open[port] = (opened, owners + 1)
        released = False

        def release() -> None:
            nonlocal released
            with self._lock:
                if released:
                    return
                released = True
                _, owners = self._open[port]
                if owners > 1:
                    self._open[port] = (opened, owners - 1)
                    return
                del self._open[port]
            self._close(opened)

        return opened, release
