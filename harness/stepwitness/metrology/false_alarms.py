"""How often a bench cries wolf in a night, over all characteristics of a plan; and limits for a wanted rate.

1. A chart is known here by its average run length in control, L points; a point then sounds with about 1/L.
2. With charts that are independent of each other the probability of at least one false alarm is 1 − Π(1 − 1/Lᵢ)^kᵢ.
   Characteristics of one axis aren't quite: the sum Σ kᵢ/Lᵢ is an upper bound whatever they share (Bonferroni), and
   both are given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from stepwitness.metrology.inputs import count, positive, probability
from stepwitness.metrology.run_rules import limit_for_run_length
from stepwitness.metrology.sequential_charts import cusum_decision, ewma_width
from stepwitness.metrology.statistics import BadReadings


@dataclass(frozen=True)
class Watch:
    """One chart of one characteristic: points that a night adds to it, and its run length in control, in points."""

    characteristic: str
    points_a_night: int
    run_length: float


@dataclass(frozen=True)
class FalseAlarms:
    """Of one night of a healthy bench.

    `probability` : of at least one, charts independent. `at_most` : the bound that holds whatever they share, up to 1.
    `expected` : false alarms a night, on average. `nights_between` : nights until the first, on average, independent.
    """

    charts: int
    points: int
    expected: float
    probability: float
    at_most: float
    nights_between: float


def per_night(watches: Sequence[Watch]) -> FalseAlarms:
    """False alarms of a night over all charts.

    Raises
    ------
    BadReadings : no chart, a run length that isn't above 1, a negative number of points, no point at all.
    """
    if not watches:
        raise BadReadings("false alarms: no chart is watched")
    expected, silent, points = 0.0, 0.0, 0
    for watch in watches:
        if positive(watch.run_length, f"the run length of {watch.characteristic}") <= 1.0:
            raise BadReadings(f"the run length of {watch.characteristic} is {watch.run_length}; above 1 is due")
        k = count(watch.points_a_night, f"the points of {watch.characteristic}", least=0)
        points += k
        expected += k / watch.run_length
        silent += k * math.log1p(-1.0 / watch.run_length)
    if points == 0:
        raise BadReadings("false alarms: no chart gets a point")
    chance = -math.expm1(silent)
    return FalseAlarms(
        charts=len(watches),
        points=points,
        expected=expected,
        probability=chance,
        at_most=min(1.0, expected),
        nights_between=1.0 / chance,
    )


@dataclass(frozen=True)
class NightLimits:
    """Limits that keep a night's probability of a false alarm: run length of each chart, and what gives it."""

    run_length: float
    shewhart_width: float
    ewma_width: float
    cusum_decision: float


def limits_for_night(*, points: int, risk: float, weight: float = 0.2, reference: float = 0.5) -> NightLimits:
    """Equal limits for `points` points a night over all charts: one false alarm or more has probability `risk`.

    Šidák's division: 1/L = 1 − (1 − risk)^(1/points); exact for independent points, on the safe side for normal ones
    that are correlated. Shewhart and EWMA widths and the CUSUM's h are in sd, and of that run length each.

    Raises
    ------
    BadReadings : no point, a risk not between 0 and 1, or one that leaves less than a run length of 1.
    """
    count(points, "the points of a night")
    run_length = -1.0 / math.expm1(math.log1p(-probability(risk, "the risk")) / points)
    return NightLimits(
        run_length=run_length,
        shewhart_width=limit_for_run_length(run_length),
        ewma_width=ewma_width(run_length=run_length, weight=weight),
        cusum_decision=cusum_decision(run_length=run_length, reference=reference),
    )
