"""Drift of an axis while it was tested, from the start position read again in each run.

1. The start is read once before the first run and once after each; the drift is the last reading less the first, and
   the range is over all of them.
2. A straight line through the readings tells drift from scatter: its slope is held against its own uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from scipy import special

from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, SlopeAccumulator, finite


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
    line = SlopeAccumulator()
    for index, value in enumerate(values):
        line.add(float(index), value)
    try:
        fitted = line.result()
    except NotEnoughReadings as error:  # three readings at three instants always have a slope
        raise BadReadings(str(error)) from error
    u = fitted.standard_uncertainty
    if u == 0.0:
        return Drift(total, spread, fitted.slope, 0.0, 1.0 if fitted.slope == 0.0 else 0.0)
    return Drift(total, spread, fitted.slope, u, float(2 * special.stdtr(len(values) - 2, -abs(fitted.slope / u))))
