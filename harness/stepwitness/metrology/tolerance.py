"""Statistical tolerance intervals: where at least a fraction of all units lies, said with confidence (ISO 16269-6).

1. Normal readings: mean ± k·sd. One-sided k is exact by the noncentral t; two-sided k is exact too, by integrating over
   the mean (the standard's table for an unknown sd is of the same k; its text wasn't at hand).
2. Any continuous distribution: order statistics, exact by the beta distribution. The confidence that is reached is
   stated, as it is never exactly the one asked for.
3. A tolerance interval isn't a confidence interval of the mean: it doesn't shrink to nothing as n grows.

References
----------
.. [1] ISO 16269-6:2014, Determination of statistical tolerance intervals (clauses from memory).
.. [2] K. Krishnamoorthy and T. Mathew, Statistical Tolerance Regions, Wiley 2009 (formulas from memory).
.. [3] S. S. Wilks, Annals of Mathematical Statistics 12 (1941), for order statistics (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from stepwitness.metrology import noncentral_t
from stepwitness.metrology.inputs import CONFIDENCE, Floats, count, positive, probability, readings, spread
from stepwitness.metrology.statistics import NotEnoughReadings, Running

Side = Literal["both", "lower", "upper"]

GAUSS_POINTS = 200
"""Nodes of the integration over the mean; k is then steady to 1e-12."""

WIDEST = 9.0
"""Standard errors of the mean that the integration reaches; beyond lies 2e-19."""


@dataclass(frozen=True)
class Tolerance:
    """Between `low` and `high` lies at least `content` of all units, with `confidence`.

    `k` is the factor on the sd, or NaN for the distribution-free interval. `confidence` is the one that was reached,
    `asked` the one that was asked for.
    """

    low: float
    high: float
    content: float
    confidence: float
    asked: float
    k: float
    n: int


def one_sided_factor(n: int, *, content: float, confidence: float = CONFIDENCE) -> float:
    """k of x̄ + k·s (or x̄ − k·s): the quantile of the noncentral t over √n, with z_content·√n as noncentrality.

    Raises
    ------
    BadReadings : n below 2, content or confidence not between 0 and 1.
    """
    count(n, "the number of readings", least=2)
    probability(content, "the content")
    probability(confidence, "the confidence")
    root = math.sqrt(n)
    shift = float(special.ndtri(content)) * root
    return noncentral_t.quantile(confidence, df=n - 1, noncentrality=shift) / root


@lru_cache(maxsize=512)
def two_sided_factor(
    n: int, *, content: float, confidence: float = CONFIDENCE, degrees_of_freedom: int | None = None
) -> float:
    """k of x̄ ± k·s.

    Parameters
    ----------
    n : readings in the mean. `degrees_of_freedom` : of the sd, n − 1 unless given.

    Notes
    -----
    With z the mean's error in standard errors, the interval holds the content where k·s ≥ r(z)·σ, and r solves
    Φ(z/√n + r) − Φ(z/√n − r) = content; so the confidence is the mean over z of P(χ² ≥ ν r²/k²). [2]_

    Raises
    ------
    BadReadings : as for `one_sided_factor`.
    """
    count(n, "the number of readings", least=2)
    df = n - 1 if degrees_of_freedom is None else count(degrees_of_freedom, "the degrees of freedom")
    probability(content, "the content")
    probability(confidence, "the confidence")
    nodes, weights = np.polynomial.legendre.leggauss(GAUSS_POINTS)
    z = WIDEST * (nodes + 1.0) / 2.0
    weights = weights * WIDEST / 2.0 * 2.0 * np.exp(-z * z / 2.0) / math.sqrt(2.0 * math.pi)
    half_widths = _half_widths(z / math.sqrt(n), content)

    def excess(log_k: float) -> float:
        reached = special.chdtrc(df, df * (half_widths / math.exp(log_k)) ** 2)
        return float(weights @ reached) - confidence

    start = math.log(float(special.ndtri((1.0 + content) / 2)) * math.sqrt(df / special.chdtri(df, confidence)))
    reach = 0.5
    while excess(start - reach) > 0.0 or excess(start + reach) < 0.0:
        reach *= 2.0
    return math.exp(optimize.brentq(excess, start - reach, start + reach, xtol=1e-13, rtol=1e-14))


def _half_widths(shift: Floats, content: float) -> Floats:
    """r with Φ(shift + r) − Φ(shift − r) = content, by Newton's steps from above, where they fall steadily."""
    r: Floats = shift + float(special.ndtri((1.0 + content) / 2))
    for _ in range(60):
        held = special.ndtr(shift + r) - special.ndtr(shift - r)
        slope = (np.exp(-((shift + r) ** 2) / 2) + np.exp(-((shift - r) ** 2) / 2)) / math.sqrt(2 * math.pi)
        step = np.clip((held - content) / slope, -0.5, 0.5)
        r = r - step
        if float(np.max(np.abs(step))) < 1e-14:
            break
    return r


def normal_tolerance(
    values: ArrayLike,
    *,
    content: float,
    confidence: float = CONFIDENCE,
    side: Side = "both",
    known_sd: float | None = None,
) -> Tolerance:
    """The tolerance interval of normal readings.

    Parameters
    ----------
    values : shape (n,), n ≥ 2. `content` : the fraction to hold. `side` : which ends are finite.
    known_sd : a standard deviation known from elsewhere, in the unit of the readings.

    Raises
    ------
    BadReadings : a reading that isn't a number, content or confidence not between 0 and 1.
    NotEnoughReadings : fewer than two, or no spread.

    Examples
    --------
    >>> held = normal_tolerance([0.0, 1.0, 2.0, 3.0], content=0.9, side="upper")
    >>> round(held.k, 3), round(held.high, 3)
    (4.162, 6.873)
    """
    array = readings(values, "tolerance interval", least=2)
    running = Running(array.tolist())
    if known_sd is None:
        spread(array, "tolerance interval")
        sd = running.sd
        if side == "both":
            k = two_sided_factor(running.n, content=content, confidence=confidence)
        else:
            k = one_sided_factor(running.n, content=content, confidence=confidence)
    else:
        sd = positive(known_sd, "the known standard deviation")
        k = known_sd_factor(running.n, content=content, confidence=confidence, side=side)
    return Tolerance(
        low=-math.inf if side == "upper" else running.mean - k * sd,
        high=math.inf if side == "lower" else running.mean + k * sd,
        content=content,
        confidence=confidence,
        asked=confidence,
        k=k,
        n=running.n,
    )


def known_sd_factor(n: int, *, content: float, confidence: float = CONFIDENCE, side: Side = "both") -> float:
    """k where the standard deviation is known; closed form one-sided, at the worst mean of the confidence two-sided.

    Raises
    ------
    BadReadings : as for `one_sided_factor`, from n = 1 on.
    """
    count(n, "the number of readings")
    probability(content, "the content")
    probability(confidence, "the confidence")
    root = math.sqrt(n)
    if side != "both":
        return float(special.ndtri(content) + special.ndtri(confidence) / root)
    worst = float(special.ndtri((1.0 + confidence) / 2)) / root
    return float(_half_widths(np.array([worst]), content)[0])


def distribution_free_tolerance(
    values: ArrayLike, *, content: float, confidence: float = CONFIDENCE, side: Side = "both"
) -> Tolerance:
    """The narrowest pair of order statistics that hold `content` with at least `confidence`, whatever the distribution.

    Two-sided, as many readings are left off at either end; one more above, where the number is odd.

    Raises
    ------
    BadReadings : a reading that isn't a number.
    NotEnoughReadings : too few readings for that content and confidence; says how many it takes.
    """
    array = np.sort(readings(values, "tolerance interval", least=1))
    n = len(array)
    ends = 2 if side == "both" else 1
    due = least_readings(content=content, confidence=confidence, side=side)
    if n < due:
        raise NotEnoughReadings(f"a distribution-free interval of {content:g} at {confidence:g} takes {due}, found {n}")
    # left off at the ends: the content between is Beta(n − left + 1, left), so the more are left off the less it holds
    left = ends
    while left < n and float(stats.beta.sf(content, n - left, left + 1)) >= confidence:
        left += 1
    below = left // 2 if side == "both" else left
    above = left - below if side == "both" else left
    return Tolerance(
        low=-math.inf if side == "upper" else float(array[below - 1]),
        high=math.inf if side == "lower" else float(array[n - above]),
        content=content,
        confidence=float(stats.beta.sf(content, n - left + 1, left)),
        asked=confidence,
        k=math.nan,
        n=n,
    )


def least_readings(*, content: float, confidence: float = CONFIDENCE, side: Side = "both") -> int:
    """Readings that it takes for the extremes (or one extreme) to hold `content` with `confidence`.

    Raises
    ------
    BadReadings : content or confidence not between 0 and 1.
    """
    probability(content, "the content")
    probability(confidence, "the confidence")
    one = math.ceil(math.log(1.0 - confidence) / math.log(content) - 1e-12)
    if side != "both":
        return max(one, 1)
    n = max(one, 2)
    while float(stats.beta.sf(content, n - 1, 2)) < confidence:
        n += 1
    return n
