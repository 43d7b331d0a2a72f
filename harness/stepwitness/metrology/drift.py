"""Drift of an axis while it was tested, from the start position read again in each run.

1. The start is read once before the first run and once after each; the drift is the last reading less the first, and
   the range is over all of them.
2. A straight line through the readings tells drift from scatter: its slope is held against its own uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from stepwitness.metrology.statistics import NotEnoughReadings, finite


@dataclass(frozen=True)
class Drift:
    """`total` is last less first, `spread` greatest less least; `per_reading` the slope of a line with its standard
    uncertainty, and `probability` that of a slope as great by scatter alone. The last two need three readings and
    are None without them."""

    total: float
    spread: float
    per_reading: float | None
    u_per_reading: float | None
    probability: float | None


def drift(starts: Sequence[float]) -> Drift:
    """From readings of the start in the order of time, two at least.

    Raises
    ------
    NotEnoughReadings : with fewer than two. BadReadings : where one isn't a finite number.
    """
    if len(starts) < 2:
        raise NotEnoughReadings(f"drift takes the start read twice at least, found {len(starts)}")
    values = [finite(float(value), f"start {index}") for index, value in enumerate(starts)]
    total, spread = values[-1] - values[0], max(values) - min(values)
    if len(values) < 3:
        return Drift(total, spread, None, None, None)
    slope, u = _line(values)
    if u == 0.0:
        return Drift(total, spread, slope, 0.0, 1.0 if slope == 0.0 else 0.0)
    return Drift(total, spread, slope, u, float(2 * special.stdtr(len(values) - 2, -abs(slope / u))))


def _line(values: Sequence[float]) -> tuple[float, float]:
    """Slope a reading and its standard uncertainty, residuals taken one by one.

    `SlopeAccumulator` is for slopes near 1: beside the count of readings it loses a scatter of nanometres in metres.
    """
    n = len(values)
    x = [index - (n - 1) / 2 for index in range(n)]
    shifted = [value - values[0] for value in values]
    mean = math.fsum(shifted) / n
    xx = math.fsum(a * a for a in x)
    slope = math.fsum(a * (b - mean) for a, b in zip(x, shifted, strict=True)) / xx
    squares = math.fsum((b - mean - slope * a) ** 2 for a, b in zip(x, shifted, strict=True))
    return slope, math.sqrt(squares / (n - 2) / xx)
