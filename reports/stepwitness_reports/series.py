"""Long recordings to short lines, in flat memory.

1. Readings are taken once, in order, and never held; a line keeps at most `2 * bins` points.
2. Of each time bin the least and the greatest value are kept at the instants at which they were read, so no peak
   is lost; a bin without any value breaks the line.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from stepwitness_reports.svg import Point

BINS = 1000
"""Time bins of a line: more than the pixels of a picture, so that 2 000 points draw it whole."""

_FIRST_WIDTH_S = 1e-3


@dataclass
class _Bin:
    """Extremes of one stretch of time; a value of None alone means that nothing could be read."""

    low: tuple[float, float] | None = None
    high: tuple[float, float] | None = None

    def add(self, t: float, value: float | None) -> None:
        if value is None:
            return
        if self.low is None or value < self.low[1]:
            self.low = (t, value)
        if self.high is None or value > self.high[1]:
            self.high = (t, value)

    def take(self, other: _Bin) -> None:
        for extreme in (other.low, other.high):
            if extreme is not None:
                self.add(*extreme)


@dataclass
class Line:
    """One witness against time: `add` readings, then take `points`.

    The width of a bin doubles whenever more than `bins` would be needed, so the length needn't be known ahead.
    """

    bins: int = BINS
    count: int = 0
    _width_s: float = _FIRST_WIDTH_S
    _held: dict[int, _Bin] = field(default_factory=dict)

    def add(self, t: float, value: float | None) -> None:
        self.count += 1
        key = math.floor(t / self._width_s)
        while key not in self._held and len(self._held) >= self.bins:
            self._widen()
            key = math.floor(t / self._width_s)
        self._held.setdefault(key, _Bin()).add(t, value)

    def _widen(self) -> None:
        self._width_s *= 2
        merged: dict[int, _Bin] = {}
        for key, held in self._held.items():
            merged.setdefault(key // 2, _Bin()).take(held)
        self._held = merged

    @property
    def points(self) -> list[Point]:
        """At most two points a bin, in order of time; (t, None) where a bin had no value."""
        points: list[Point] = []
        for key in sorted(self._held):
            held = self._held[key]
            if held.low is None or held.high is None:
                points.append((key * self._width_s, None))
            else:
                points.extend(sorted({held.low, held.high}))
        return points

    @property
    def values(self) -> list[float]:
        return [value for _, value in self.points if value is not None]
