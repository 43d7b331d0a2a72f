"""How long to test how many units, and what few or no failures then show, with a Weibull shape that is supposed.

1. The shape β comes from elsewhere (experience, an earlier fit); everything here holds for that shape alone. A test
   longer than the mission trades against units by (t_test/t_mission)^β; the more it stretches, the more rests on β, so
   the range of β belongs into the report.
2. A test of n units without replacement to one common time is binomial; the duration is exact. Units of different
   times, failures included, are joined as Σ tᵢ^β with a χ² of 2r + 2 degrees: exact without failure and for tests
   that stop at a time with units replaced, near otherwise (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from stepwitness.metrology.binomial import demonstrated_reliability, demonstration_size
from stepwitness.metrology.inputs import CONFIDENCE, count, positive, probability, readings
from stepwitness.metrology.statistics import BadReadings


@dataclass(frozen=True)
class LifeTest:
    """Run `units` for `duration` each, in the mission's unit; shown if no more than `failures` fail before.

    `missions` : duration over mission, how far the shape is leant on.
    """

    units: int
    duration: float
    missions: float
    failures: int
    shape: float
    reliability: float
    confidence: float


def duration_for_units(
    *,
    mission: float,
    reliability: float,
    units: int,
    shape: float,
    failures: int = 0,
    confidence: float = CONFIDENCE,
) -> LifeTest:
    """How long `units` run to show `reliability` over `mission` with `confidence`.

    t = mission·(ln R_test / ln R)^(1/β), where R_test is the reliability that such a count shows for the test's own
    time; without failure that is mission·(ln(1 − C)/(n·ln R))^(1/β).

    Raises
    ------
    BadReadings : numbers out of range, as many failures allowed as there are units.
    """
    positive(mission, "the mission")
    positive(shape, "the shape")
    probability(reliability, "the reliability")
    count(units, "the units")
    if count(failures, "the failures allowed", least=0) >= units:
        raise BadReadings(f"{failures} failures allowed of {units} units show nothing")
    shown = demonstrated_reliability(n=units, failures=failures, confidence=confidence)
    missions = (math.log(shown) / math.log(reliability)) ** (1.0 / shape)
    return LifeTest(units, missions * mission, missions, failures, shape, reliability, confidence)


def units_for_duration(
    *,
    mission: float,
    duration: float,
    reliability: float,
    shape: float,
    failures: int = 0,
    confidence: float = CONFIDENCE,
) -> LifeTest:
    """How many units run for `duration` to show `reliability` over `mission` with `confidence`.

    Raises
    ------
    BadReadings : numbers out of range. NotEnoughReadings : more than 10⁹ units.
    """
    missions = positive(duration, "the duration") / positive(mission, "the mission")
    stretched = probability(reliability, "the reliability") ** (missions ** positive(shape, "the shape"))
    if not 0.0 < stretched < 1.0:
        raise BadReadings(f"over {missions:g} missions a shape of {shape} leaves nothing to count")
    units = demonstration_size(reliability=stretched, confidence=confidence, failures=failures)
    return LifeTest(units, duration, missions, failures, shape, reliability, confidence)


def scale_bound(lives: ArrayLike, *, failures: int, shape: float, confidence: float = CONFIDENCE) -> float:
    """Lower bound of the scale η: (2 Σ tᵢ^β / χ²_C(2r + 2))^(1/β).

    Parameters
    ----------
    lives : shape (n,), above 0, how long each unit ran, failed or not. `failures` : r, how many of them failed.

    Raises
    ------
    BadReadings : lives that aren't positive, more failures than units, numbers out of range.
    """
    t = readings(lives, "lives")
    positive(shape, "the shape")
    probability(confidence, "the confidence")
    if float(np.min(t)) <= 0.0 or count(failures, "the failures", least=0) > len(t):
        raise BadReadings(f"lives are above 0, and no more than {len(t)} of them failures")
    longest = float(np.max(t))
    total = float(np.sum((t / longest) ** shape))
    bound = 2.0 * total / float(stats.chi2.ppf(confidence, 2 * failures + 2))
    return longest * math.pow(bound, 1.0 / shape)


def reliability_bound(
    lives: ArrayLike, *, mission: float, failures: int, shape: float, confidence: float = CONFIDENCE
) -> float:
    """Lower bound of the reliability over `mission`: exp(−(mission/η)^β) at the bound of η.

    Raises
    ------
    BadReadings : as for `scale_bound`, and a mission that isn't positive.
    """
    bound = scale_bound(lives, failures=failures, shape=shape, confidence=confidence)
    return math.exp(-((positive(mission, "the mission") / bound) ** shape))
