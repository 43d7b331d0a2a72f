"""Fractions from counts: Clopper-Pearson bounds, mid-P intervals, and how many units show how little.

1. Clopper-Pearson bounds are a guarantee: they hold at least as often as stated, whatever the fraction, and with few
   units a good deal oftener (counts are coarse). That is what a demonstration needs.
2. The mid-P interval holds about as often as stated, sometimes less. That is what an estimate needs; it isn't a
   guarantee and says so by its name.
3. Sizes are the classical ones, of a binomial count without a prior; calculators with n + 1 in the exponent give one
   unit less.

References
----------
.. [1] C. J. Clopper and E. S. Pearson, Biometrika 26 (1934).
.. [2] H. O. Lancaster, Journal of the American Statistical Association 56 (1961), for mid-P (from memory).
"""

from __future__ import annotations

import math
from typing import Literal

from scipy import optimize, special

from stepwitness.metrology.inputs import CONFIDENCE, Interval, count, probability
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

Side = Literal["both", "lower", "upper"]
MOST_UNITS = 10**9


def clopper_pearson(successes: int, n: int, *, confidence: float = CONFIDENCE, side: Side = "both") -> Interval:
    """Bounds of a fraction of which `successes` of `n` were seen; one-sided, the other end is 0 or 1.

    Raises
    ------
    BadReadings : counts that aren't whole numbers with 0 ≤ successes ≤ n and n ≥ 1.

    Examples
    --------
    >>> bounds = clopper_pearson(59, 59, side="lower")
    >>> round(bounds.low, 4)
    0.9505
    """
    x, n = _counts(successes, n)
    probability(confidence, "the confidence")
    tail = (1.0 - confidence) / 2 if side == "both" else 1.0 - confidence
    low = 0.0 if x == 0 or side == "upper" else float(special.betaincinv(x, n - x + 1, tail))
    high = 1.0 if x == n or side == "lower" else float(special.betaincinv(x + 1, n - x, 1.0 - tail))
    return Interval(low, high, confidence)


def mid_p(successes: int, n: int, *, confidence: float = CONFIDENCE) -> Interval:
    """The two-sided interval that counts half of the count seen itself in either tail.

    Raises
    ------
    BadReadings : as for `clopper_pearson`.
    """
    x, n = _counts(successes, n)
    tail = (1.0 - probability(confidence, "the confidence")) / 2

    def upper_excess(p: float) -> float:
        """P(X < x) + P(X = x)/2 less the tail; falls with p."""
        below = float(special.bdtr(x - 1, n, p)) if x > 0 else 0.0
        return (below + float(special.bdtr(x, n, p))) / 2 - tail

    def lower_excess(p: float) -> float:
        """P(X > x) + P(X = x)/2 less the tail; rises with p."""
        return (float(special.bdtrc(x - 1, n, p)) + float(special.bdtrc(x, n, p))) / 2 - tail

    low = 0.0 if x == 0 else float(optimize.brentq(lower_excess, 0.0, 1.0, xtol=1e-15, rtol=1e-13))
    high = 1.0 if x == n else float(optimize.brentq(upper_excess, 0.0, 1.0, xtol=1e-15, rtol=1e-13))
    return Interval(low, high, confidence)


def demonstration_size(*, reliability: float, confidence: float, failures: int = 0) -> int:
    """Units to test, each through one mission, to show `reliability` with `confidence` if no more than `failures` fail.

    The least n with P(X ≤ failures) ≤ 1 − confidence at a failure fraction of 1 − reliability. With no failure that is
    ⌈ln(1 − C)/ln R⌉, the success run.

    Raises
    ------
    BadReadings : numbers out of range. NotEnoughReadings : more than 10⁹ units.
    """
    probability(reliability, "the reliability")
    probability(confidence, "the confidence")
    count(failures, "the failures allowed", least=0)

    def suffices(n: int) -> bool:
        if failures == 0:
            # a hair's breadth for the tie, where 1 − C is a power of R and the logarithms are rounded
            return n * math.log(reliability) <= math.log1p(-confidence) * (1.0 - 1e-12)
        return n > failures and float(special.bdtr(failures, n, 1.0 - reliability)) <= 1.0 - confidence

    low, high = 0, failures + 1
    while not suffices(high):
        low, high = high, 2 * high
        if high > MOST_UNITS:
            raise NotEnoughReadings(f"more than {MOST_UNITS} units would be due")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if suffices(middle) else (middle, high)
    return high


def demonstrated_reliability(*, n: int, failures: int = 0, confidence: float = CONFIDENCE) -> float:
    """The reliability that `n` units with so many failures show: the one-sided lower Clopper-Pearson bound.

    Raises
    ------
    BadReadings : as for `clopper_pearson`.
    """
    return clopper_pearson(n - failures, n, confidence=confidence, side="lower").low


def _counts(successes: int, n: int) -> tuple[int, int]:
    n = count(n, "the number of units")
    x = count(successes, "the count", least=0)
    if x > n:
        raise BadReadings(f"{x} of {n} can't be")
    return x, n
