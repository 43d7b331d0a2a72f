"""Process performance and capability, Pp, Ppk, Cp and Cpk, each with its confidence interval.

1. Performance (Pp, Ppk) takes the standard deviation of all readings; capability (Cp, Cpk) takes the pooled one within
   subgroups, and says what the process could do if nothing but that spread were left (ISO 22514-2, wording from
   memory).
2. Both suppose normal readings. For others see `quantile_capability`.
3. Every interval is two-sided. Pp and Cp: exact, by chi-square. Towards one limit: exact, by the noncentral t.
   Ppk and Cpk, which are the lesser of two: that of the nearer limit, which holds 94 to 95 % where 95 are stated,
   with the process in the middle as well as off it (`benches/measurements/coverage_quality.py`).

What failed first for Ppk: a generalized pivotal interval of the lesser of the two, which fell to 91 % for a
process in the middle, because the sampled means fall away from the middle a second time.

References
----------
.. [1] ISO 22514-2:2017 and ISO 22514-4:2016, capability and performance (from memory).
.. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6.
.. [3] D. B. Owen, "A survey of properties and applications of the noncentral t-distribution", Technometrics 10 (1968),
   for the one-sided bound (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from stepwitness.metrology import noncentral_t
from stepwitness.metrology.inputs import CONFIDENCE, Interval, limits, probability, readings, spread
from stepwitness.metrology.statistics import NotEnoughReadings, Running


@dataclass(frozen=True)
class Index:
    """A capability index, without unit, and its interval."""

    value: float
    interval: Interval


@dataclass(frozen=True)
class Capability:
    """How the spread of a process fits between its limits.

    Attributes
    ----------
    n, degrees_of_freedom : readings in all, and degrees of freedom of `sd`.
    mean, sd : in the unit of the readings; `sd` is overall or within subgroups, as `within` says.
    spread : Pp or Cp, (U − L)/6s; None with a single limit.
    lower, upper : towards one limit, (x̄ − L)/3s and (U − x̄)/3s; None where that limit is missing.
    least : Ppk or Cpk, the lesser of those two.
    outside_lower, outside_upper : fraction of a normal process of that mean and sd beyond each limit; 0 without it.
    within : False for performance (Pp, Ppk), True for capability (Cp, Cpk).
    """

    n: int
    degrees_of_freedom: int
    mean: float
    sd: float
    spread: Index | None
    lower: Index | None
    upper: Index | None
    least: Index
    outside_lower: float
    outside_upper: float
    within: bool


def performance(
    values: ArrayLike,
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = CONFIDENCE,
) -> Capability:
    """Pp and Ppk of readings in the order of production or in any other.

    Parameters
    ----------
    values : shape (n,), n ≥ 2, in the unit of the limits.
    lower, upper : specification limits; one may be missing.

    Raises
    ------
    BadReadings : a reading or a limit that isn't a number, no limit, limits the wrong way round.
    NotEnoughReadings : fewer than two readings, or no spread.

    Examples
    --------
    >>> result = performance([9.0, 10.0, 11.0, 10.0], lower=7.0, upper=12.0)
    >>> round(result.least.value, 4), round(result.spread.value, 4)
    (0.8165, 1.0206)
    """
    array = readings(values, "capability", least=2)
    spread(array, "capability")
    running = Running(array.tolist())
    return from_moments(
        running.mean,
        running.sd,
        n=running.n,
        degrees_of_freedom=running.n - 1,
        lower=lower,
        upper=upper,
        confidence=confidence,
    )


def capability(
    subgroups: Sequence[ArrayLike],
    *,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = CONFIDENCE,
) -> Capability:
    """Cp and Cpk from rational subgroups, by the pooled standard deviation within them.

    Parameters
    ----------
    subgroups : readings of each subgroup, which may differ in number; one with a single reading adds to the mean alone.

    The interval supposes that subgroups differ by chance alone. Where they don't, it is too narrow, and a control
    chart says so first.

    Raises
    ------
    BadReadings, NotEnoughReadings : as for `performance`; no subgroup with two readings.
    """
    arrays = [readings(group, f"subgroup {index}") for index, group in enumerate(subgroups)]
    if not any(len(array) > 1 for array in arrays):
        raise NotEnoughReadings("no subgroup of two readings or more, so no spread within subgroups")
    overall, squares, df = Running(), 0.0, 0
    for array in arrays:
        running = Running(array.tolist())
        overall.merge(running)
        if running.n > 1:
            squares += running.variance * (running.n - 1)
            df += running.n - 1
    if squares == 0.0:
        raise NotEnoughReadings("no spread within any subgroup")
    return from_moments(
        overall.mean,
        math.sqrt(squares / df),
        n=overall.n,
        degrees_of_freedom=df,
        lower=lower,
        upper=upper,
        confidence=confidence,
        within=True,
    )


def from_moments(
    mean: float,
    sd: float,
    *,
    n: int,
    degrees_of_freedom: int,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = CONFIDENCE,
    within: bool = False,
) -> Capability:
    """The indices of a mean of `n` readings and a standard deviation of so many degrees of freedom.

    Raises
    ------
    BadReadings : a limit or a moment that isn't a number, limits the wrong way round.
    NotEnoughReadings : no spread or no degree of freedom.
    """
    probability(confidence, "the confidence")
    low, high = limits(lower, upper)
    readings([mean, sd], "mean and standard deviation")
    if not sd > 0.0 or degrees_of_freedom < 1 or n < 1:
        raise NotEnoughReadings(f"a standard deviation of {sd:g} with {degrees_of_freedom} degrees of freedom")

    def towards(limit: float, sign: float) -> Index | None:
        if math.isinf(limit):
            return None
        value = sign * (limit - mean) / (3.0 * sd)
        scale = 3.0 * math.sqrt(n)
        ends = noncentral_t.noncentrality_interval(scale * value, df=degrees_of_freedom, confidence=confidence)
        return Index(value, Interval(ends.low / scale, ends.high / scale, confidence))

    to_lower, to_upper = towards(low, -1.0), towards(high, 1.0)
    least = min((index for index in (to_lower, to_upper) if index is not None), key=lambda index: index.value)
    both = None
    if to_lower is not None and to_upper is not None:
        value = (high - low) / (6.0 * sd)
        tail = (1.0 - confidence) / 2
        ends = np.sqrt(stats.chi2.ppf([tail, 1.0 - tail], degrees_of_freedom) / degrees_of_freedom)
        both = Index(value, Interval(value * float(ends[0]), value * float(ends[1]), confidence))
    return Capability(
        n=n,
        degrees_of_freedom=degrees_of_freedom,
        mean=mean,
        sd=sd,
        spread=both,
        lower=to_lower,
        upper=to_upper,
        least=least,
        outside_lower=float(stats.norm.cdf((low - mean) / sd)),
        outside_upper=float(stats.norm.sf((high - mean) / sd)),
        within=within,
    )


def cpm(values: ArrayLike, *, target: float, lower: float, upper: float) -> float:
    """Cpm = (U − L) / 6√(s² + (x̄ − T)²), which counts distance from the target as spread; a point estimate alone.

    s has n − 1 as denominator, the handbook's form (NIST/SEMATECH e-Handbook 6.1.6, from memory).

    Raises
    ------
    BadReadings, NotEnoughReadings : as for `performance`.
    """
    array = readings(values, "capability", least=2)
    low, high = limits(lower, upper)
    running = Running(array.tolist())
    about = math.hypot(running.sd, running.mean - target)
    if about == 0.0:
        raise NotEnoughReadings("every reading is the target, so Cpm has no denominator")
    return (high - low) / (6.0 * about)
