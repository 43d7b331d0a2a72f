"""Target positions and the least test, after ISO 230-2:2014 (from memory; the text wasn't at hand).

1. Target i stands at (i − 1) p + r: a regular interval and a random part, different at each, so that periodic errors
   are sampled at many phases and not at one.
2. A smaller test than the standard's is computed all the same, and said not to conform.
3. The step cycle (back and forth at each target before the next) can tell thermal drift from hysteresis; it is never
   for acceptance.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from enum import Enum

from stepwitness.metrology.positioning import (
    LEAST_RUNS,
    LEAST_TARGETS,
    LEAST_TARGETS_PER_METRE,
    LONGEST_AXIS_M,
)
from stepwitness.metrology.statistics import BadReadings

LONG_AXIS_INTERVAL_M = 0.25
"""Greatest average interval beyond 2 m, where one approach in each direction is the least."""

RANDOM_SHARE = 0.3
"""Share of the interval to either side within which a target is drawn where no pitch is given."""


class Cycle(Enum):
    """STANDARD: all targets up, then all down, n times. STEP: n times up and down at each target in its turn."""

    STANDARD = "standard"
    STEP = "step"


@dataclass(frozen=True)
class LeastTest:
    """The smallest test of an axis that conforms: targets, and runs in each direction."""

    targets: int
    runs: int


def least_test(travel_m: float) -> LeastTest:
    """For a measuring travel in metres: up to 2 m five targets a metre, five at least, five runs; beyond, targets
    every 0.25 m on average and one run, beside a whole test of the 2 m that are used most."""
    if not 0 < travel_m < math.inf:
        raise BadReadings(f"a measuring travel of {travel_m} m")
    if travel_m > LONGEST_AXIS_M:
        return LeastTest(math.ceil(travel_m / LONG_AXIS_INTERVAL_M - 1e-9) + 1, 1)
    return LeastTest(max(LEAST_TARGETS, math.ceil(LEAST_TARGETS_PER_METRE * travel_m - 1e-9)), LEAST_RUNS)


def shortfalls(travel_m: float, *, targets: int, runs: int, cycle: Cycle = Cycle.STANDARD) -> tuple[str, ...]:
    """Why a test isn't one to ISO 230-2, as sentences; none for one that is."""
    least = least_test(travel_m)
    found = []
    if cycle is Cycle.STEP:
        found.append("the step cycle is never for acceptance")
    if targets < least.targets:
        found.append(f"{targets} targets where {least.targets} are the least")
    if runs < least.runs:
        found.append(f"{runs} runs each way where {least.runs} are the least")
    if travel_m > LONGEST_AXIS_M and runs < LEAST_RUNS:
        found.append("beyond 2 m fewer than 5 runs give no repeatability; test the 2 m used most with 5")
    return tuple(found)


def target_positions(
    low: float, high: float, count: int, *, seed: int, pitch: float | None = None
) -> tuple[float, ...]:
    """Targets from `low` to `high`, both included: equal intervals, each inner target shifted by a random part.

    Parameters
    ----------
    pitch : period of the periodic error, such as the lead. The random part is then drawn over one whole period,
        as far as targets don't pass each other; without it over 0.3 of the interval to either side.
    seed : the same seed gives the same targets.
    """
    if count < 2 or not -math.inf < low < high < math.inf:
        raise BadReadings(f"{count} targets from {low} to {high}; two or more between two places are due")
    if pitch is not None and not math.isfinite(pitch):
        raise BadReadings(f"a pitch of {pitch}")
    interval = (high - low) / (count - 1)
    share = RANDOM_SHARE if pitch is None else min(abs(pitch) / 2 / interval, 0.45)
    draw = random.Random(seed)
    shifts = [draw.uniform(-share, share) * interval for _ in range(count)]
    shifts[0] = shifts[-1] = 0.0
    return (*(low + index * interval + shift for index, shift in enumerate(shifts[:-1])), high)


def visits(count: int, runs: int, cycle: Cycle = Cycle.STANDARD) -> list[tuple[int, int, bool]]:
    """The order of stops as (target index, run, up)."""
    if cycle is Cycle.STEP:
        return [(index, run, up) for index in range(count) for run in range(runs) for up in (True, False)]
    order = []
    for run in range(runs):
        order += [(index, run, True) for index in range(count)]
        order += [(index, run, False) for index in reversed(range(count))]
    return order
