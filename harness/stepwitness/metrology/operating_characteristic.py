"""Operating characteristics: the probability that a sampling plan accepts, against the quality of what is offered.

1. Binomial: a process, or a lot much greater than the sample. Poisson: nonconformities counted per unit.
   Hypergeometric: one lot of known size, drawn without replacement.
2. A plan accepts up to `ac` nonconforming. For reduced plans with a gap between Ac and Re, a lot is accepted up to Re
   − 1 (and inspection returns to normal); give that number.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from stepwitness.metrology.inputs import Floats, count, frozen, probability, readings
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

MOST_UNITS = 1_000_000


def accept_binomial(n: int, ac: int, fractions: ArrayLike) -> Floats:
    """P(accept) at each fraction nonconforming, shape (k,), each from 0 to 1.

    Raises
    ------
    BadReadings : counts or fractions out of range.

    Examples
    --------
    >>> [round(float(p), 3) for p in accept_binomial(80, 2, [0.01, 0.05])]
    [0.953, 0.231]
    """
    n, ac = _plan(n, ac)
    return frozen(np.asarray(special.bdtr(float(ac), n, _fractions(fractions, 1.0))))


def accept_poisson(n: int, ac: int, rates: ArrayLike) -> Floats:
    """P(accept) at each number of nonconformities per unit, shape (k,), 0 or more.

    Raises
    ------
    BadReadings : counts or rates out of range.
    """
    n, ac = _plan(n, ac, whole=False)
    return frozen(np.asarray(special.pdtr(float(ac), n * _fractions(rates, math.inf))))


def accept_hypergeometric(n: int, ac: int, nonconforming: ArrayLike, *, lot_size: int) -> Floats:
    """P(accept) of a lot at each number of nonconforming units in it, shape (k,), whole numbers from 0 to `lot_size`.

    Raises
    ------
    BadReadings : counts out of range, a sample greater than the lot.
    """
    n, ac = _plan(n, ac)
    size = count(lot_size, "the lot")
    if n > size:
        raise BadReadings(f"a sample of {n} from a lot of {size}")
    inside = _fractions(nonconforming, float(size))
    if not bool(np.all(inside == np.floor(inside))):
        raise BadReadings("nonconforming units of a lot are whole numbers")
    return frozen(np.asarray(stats.hypergeom.cdf(ac, size, inside.astype(int), n)))


def quality_accepted(n: int, ac: int, *, probability_of_acceptance: float) -> float:
    """The fraction nonconforming that a plan accepts with that probability (binomial, exact by the beta quantile).

    Raises
    ------
    BadReadings : counts or probability out of range.
    """
    n, ac = _plan(n, ac)
    if ac == n:
        raise BadReadings(f"a plan that accepts {ac} of {n} accepts everything")
    return float(special.betaincinv(ac + 1, n - ac, 1.0 - probability(probability_of_acceptance, "the probability")))


@dataclass(frozen=True)
class TwoPoint:
    """A plan through two points: accept up to `ac` of `n`.

    `producer_risk` : of turning the good quality down. `consumer_risk` : of accepting the bad one. Both as reached.
    """

    n: int
    ac: int
    producer_risk: float
    consumer_risk: float


def two_point_plan(*, good: float, bad: float, producer_risk: float = 0.05, consumer_risk: float = 0.10) -> TwoPoint:
    """The smallest binomial plan with no more than the producer's risk at `good` and the consumer's at `bad`.

    Parameters
    ----------
    good, bad : fractions nonconforming, good below bad.

    Raises
    ------
    BadReadings : fractions or risks out of range or order.
    NotEnoughReadings : more than a million units.
    """
    if not probability(good, "the good quality") < probability(bad, "the bad quality"):
        raise BadReadings(f"the good quality {good} isn't below the bad one {bad}")
    probability(producer_risk, "the producer's risk")
    probability(consumer_risk, "the consumer's risk")
    ac = 0
    while True:
        n = _least_sample(ac, bad, consumer_risk)
        if float(special.bdtrc(float(ac), n, good)) <= producer_risk:
            return TwoPoint(n, ac, float(special.bdtrc(float(ac), n, good)), float(special.bdtr(float(ac), n, bad)))
        ac += 1


def _least_sample(ac: int, bad: float, risk: float) -> int:
    low, high = ac, ac + 1
    while float(special.bdtr(float(ac), high, bad)) > risk:
        low, high = high, 2 * high
        if high > MOST_UNITS:
            raise NotEnoughReadings(f"more than {MOST_UNITS} units would be due")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if float(special.bdtr(float(ac), middle, bad)) <= risk else (middle, high)
    return high


def _plan(n: int, ac: int, *, whole: bool = True) -> tuple[int, int]:
    n, ac = count(n, "the sample"), count(ac, "the acceptance number", least=0)
    if whole and ac > n:
        raise BadReadings(f"an acceptance number of {ac} with a sample of {n}")
    return n, ac


def _fractions(values: ArrayLike, most: float) -> Floats:
    array = readings(values, "qualities", least=1)
    if float(np.min(array)) < 0.0 or float(np.max(array)) > most:
        raise BadReadings(f"qualities lie from {np.min(array):g} to {np.max(array):g}; from 0 to {most:g} is due")
    return array
