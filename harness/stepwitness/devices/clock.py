"""Virtual and wall clocks."""

from __future__ import annotations

import time


class VirtualClock:
    """Time that passes only when somebody waits or an exchange takes it."""

    def __init__(self) -> None:
        self._now_s = 0.0

    def now(self) -> float:
        return self._now_s

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            self._now_s += seconds


class WallClock:
    """The host's monotonic clock, optionally running `scale` times as fast (stand-ins on the wire)."""

    def __init__(self, scale: float = 1.0) -> None:
        self._scale = scale
        self._start_s = time.monotonic()

    def now(self) -> float:
        return (time.monotonic() - self._start_s) * self._scale

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds / self._scale)
