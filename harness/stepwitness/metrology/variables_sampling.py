"""Acceptance sampling by variables, s-method of ISO 3951: a lot is judged by the mean and sd of its sample.

What is computed and what isn't:

1. Computed here: the operating characteristic of any n and k, exact by the noncentral t for one limit and by
   integration for two; plans from two points of it; k for a given n and AQL, and k matched to an attributes plan.
2. Not at hand: the tables of ISO 3951-1, -2 and -6, their code letters, and the acceptance curves for two limits. A
   plan from here says that it's computed; don't report it as one of the standard's.
3. One limit: accept if (U − x̄)/s ≥ k, or (x̄ − L)/s ≥ k. Two limits, one AQL for both together: the fractions beyond
   each are estimated without bias (Lieberman and Resnikoff 1955, from memory) and accepted if their sum is no more
   than p*, the estimate that k stands for. With one limit the two rules are the same (below k = (n − 1)/√n, where p*
   is 0).
4. Readings are supposed normal and independent. A figure that is itself a spread or an extreme (R, A, E, a maximum)
   isn't normal and is refused: name its kind.

References
----------
.. [1] ISO 3951-1:2022 and ISO 3951-2:2013 (method from memory, tables not at hand).
.. [2] G. J. Lieberman and G. J. Resnikoff, Journal of the American Statistical Association 50 (1955) (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special, stats

from stepwitness.metrology import noncentral_t
from stepwitness.metrology.inputs import Floats, count, limits, probability, readings, spread
from stepwitness.metrology.operating_characteristic import quality_accepted
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, Running

Figure = Literal["reading", "mean", "spread", "extreme"]

LARGEST_SAMPLE = 10_000
POINTS = 160

LEAST_FOR_TWO_LIMITS = 5
"""Below, the estimated fraction isn't least in the middle between two limits, and the rule would be odd."""


@dataclass(frozen=True)
class VariablesPlan:
    """Draw `n`, accept at a quality index of `k` or more; risks as reached at the qualities that were asked."""

    n: int
    k: float
    producer_risk: float
    consumer_risk: float


def accept_one_limit(n: int, k: float, fraction: float) -> float:
    """P(accept) with one limit at a fraction nonconforming: P(T ≥ k√n), T noncentral t at −z_fraction·√n.

    Raises
    ------
    BadReadings : n below 2, a fraction not between 0 and 1.
    """
    root = math.sqrt(count(n, "the sample", least=2))
    shift = -float(special.ndtri(probability(fraction, "the fraction"))) * root
    return 1.0 - noncentral_t.cdf(k * root, df=n - 1, noncentrality=shift)


def constant_for(n: int, *, fraction: float, probability_of_acceptance: float) -> float:
    """The k at which `n` accepts that fraction with that probability, one limit.

    Raises
    ------
    BadReadings : numbers out of range.
    """
    root = math.sqrt(count(n, "the sample", least=2))
    shift = -float(special.ndtri(probability(fraction, "the fraction"))) * root
    refused = 1.0 - probability(probability_of_acceptance, "the probability of acceptance")
    return noncentral_t.quantile(refused, df=n - 1, noncentrality=shift) / root


def two_point_plan(
    *, good: float, bad: float, producer_risk: float = 0.05, consumer_risk: float = 0.10
) -> VariablesPlan:
    """The smallest plan that accepts `good` with 1 − producer_risk or more and `bad` with consumer_risk or less.

    k lies where the consumer's risk is met exactly; the producer then has what is left over.

    Raises
    ------
    BadReadings : fractions or risks out of range or order. NotEnoughReadings : more than 10,000 readings.
    """
    if not probability(good, "the good quality") < probability(bad, "the bad quality"):
        raise BadReadings(f"the good quality {good} isn't below the bad one {bad}")
    probability(producer_risk, "the producer's risk")
    probability(consumer_risk, "the consumer's risk")

    def risk(n: int) -> float:
        k = constant_for(n, fraction=bad, probability_of_acceptance=consumer_risk)
        return 1.0 - accept_one_limit(n, k, good)

    low, high = 1, 2
    while risk(high) > producer_risk:
        low, high = high, 2 * high
        if high > LARGEST_SAMPLE:
            raise NotEnoughReadings(f"more than {LARGEST_SAMPLE} readings would be due")
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if risk(middle) <= producer_risk else (middle, high)
    k = constant_for(high, fraction=bad, probability_of_acceptance=consumer_risk)
    return VariablesPlan(high, k, risk(high), accept_one_limit(high, k, bad))


def matched_plan(sample: int, ac: int, *, producer_risk: float = 0.05, consumer_risk: float = 0.10) -> VariablesPlan:
    """The smallest variables plan that is as good as an attributes plan at its own two points.

    The points are the fractions that the attributes plan accepts with 1 − producer_risk and with consumer_risk.

    Raises
    ------
    BadReadings, NotEnoughReadings : as for `two_point_plan`.
    """
    good = quality_accepted(sample, ac, probability_of_acceptance=1.0 - producer_risk)
    bad = quality_accepted(sample, ac, probability_of_acceptance=consumer_risk)
    return two_point_plan(good=good, bad=bad, producer_risk=producer_risk, consumer_risk=consumer_risk)


def estimated_fraction(quality_index: float, n: int) -> float:
    """The unbiased estimate of the fraction beyond a limit that lies `quality_index` sd from the mean, n ≥ 3.

    I_x(a, a) with a = n/2 − 1 and x = ½ − Q√n/(2(n − 1)) held between 0 and 1. [2]_

    Raises
    ------
    BadReadings : n below 3, an index that isn't a number.
    """
    count(n, "the sample", least=3)
    if math.isnan(quality_index):
        raise BadReadings("the quality index is not a number")
    return float(_estimated(np.array([quality_index]), n)[0])


def _estimated(index: Floats, n: int) -> Floats:
    x = np.clip(0.5 - index * math.sqrt(n) / (2.0 * (n - 1)), 0.0, 1.0)
    return np.asarray(special.betainc(n / 2.0 - 1.0, n / 2.0 - 1.0, x))


@dataclass(frozen=True)
class Judged:
    """A sample judged by variables.

    `index_lower`, `index_upper` : (x̄ − L)/s and (U − x̄)/s, infinite without that limit. `estimated` : fraction
    beyond both limits; `allowed` : p*, what k stands for.
    """

    accepted: bool
    n: int
    mean: float
    sd: float
    index_lower: float
    index_upper: float
    estimated: float
    allowed: float


def judge(
    values: ArrayLike,
    *,
    k: float,
    figure: Figure,
    lower: float | None = None,
    upper: float | None = None,
) -> Judged:
    """Accept or don't, by the s-method.

    Parameters
    ----------
    values : shape (n,), n ≥ 3, one of each unit drawn. `k` : the acceptability constant of that n.
    figure : what a value is. "spread" (an R, a standard deviation) and "extreme" (a maximum) aren't normal and are
        refused.

    Raises
    ------
    BadReadings : such a figure, a reading or a limit that isn't a number.
    NotEnoughReadings : fewer than three, or no spread.
    """
    if figure not in ("reading", "mean"):
        raise BadReadings(
            f"sampling by variables supposes normal figures, and a {figure} isn't one; sample by attributes instead"
        )
    array = readings(values, "sampling by variables", least=3)
    spread(array, "sampling by variables")
    low, high = limits(lower, upper)
    if math.isfinite(low) and math.isfinite(high) and len(array) < LEAST_FOR_TWO_LIMITS:
        raise NotEnoughReadings(f"two limits take a sample of {LEAST_FOR_TWO_LIMITS}, found {len(array)}")
    readings([k], "the acceptability constant")
    running = Running(array.tolist())
    n, mean, sd = running.n, running.mean, running.sd
    index_lower, index_upper = (mean - low) / sd, (high - mean) / sd
    estimated = estimated_fraction(index_lower, n) + estimated_fraction(index_upper, n)
    allowed = estimated_fraction(k, n)
    if math.isfinite(low) and math.isfinite(high) and allowed <= 0.0:
        raise BadReadings(f"an acceptability constant of {k} allows nothing with a sample of {n}")
    single = math.isinf(low) or math.isinf(high)
    accepted = min(index_lower, index_upper) >= k if single else estimated <= allowed
    return Judged(accepted, n, mean, sd, index_lower, index_upper, estimated, allowed)


def accept_two_limits(n: int, k: float, *, fraction_lower: float, fraction_upper: float) -> float:
    """P(accept) with two limits together, at a process with those fractions beyond each.

    Of one total the answer depends on how it's shared: with everything beyond one limit it's close to
    `accept_one_limit`; shared, the limits are close together in sd and the sample's sd alone can turn the lot down.

    Notes
    -----
    Given s, a lot is accepted where x̄ lies between the two means at which the estimate is p*, found by bisection
    (from 5 readings on the estimate has its least in the middle between the limits); the probability is integrated
    over s.

    Raises
    ------
    BadReadings : n below 5, fractions not between 0 and 1 or beyond 1 together.
    """
    count(n, "the sample", least=LEAST_FOR_TWO_LIMITS)
    below = -float(special.ndtri(probability(fraction_lower, "the fraction below")))
    above = -float(special.ndtri(probability(fraction_upper, "the fraction above")))
    width = below + above
    if not width > 0.0:
        raise BadReadings(f"fractions of {fraction_lower} and {fraction_upper} leave nothing between the limits")
    allowed = estimated_fraction(k, n)
    if allowed <= 0.0:
        raise BadReadings(f"an acceptability constant of {k} allows nothing with a sample of {n}")
    middle = width / 2.0

    def beyond(offset: Floats, s: Floats) -> Floats:
        return _estimated((middle + offset) / s, n) + _estimated((middle - offset) / s, n)

    # the greatest s that is accepted anywhere: in the middle both limits have half of what is allowed
    half = float(special.betaincinv(n / 2.0 - 1.0, n / 2.0 - 1.0, allowed / 2.0)) if allowed < 1.0 else 0.5
    index = (0.5 - half) * 2.0 * (n - 1) / math.sqrt(n)
    s, weights = _sds(n, greatest=middle / index if index > 0.0 else math.inf)
    low, high = np.zeros_like(s), np.full_like(s, middle + 12.0)
    for _ in range(60):
        offset = (low + high) / 2.0
        held = beyond(offset, s) <= allowed
        low, high = np.where(held, offset, low), np.where(held, high, offset)
    root = math.sqrt(n)
    # the process mean lies at 0, the limits at −below and at above, so their middle is at (above − below)/2
    centre = (above - below) / 2.0
    inside = special.ndtr((centre + low) * root) - special.ndtr((centre - low) * root)
    return float(weights @ inside)


def _sds(n: int, *, greatest: float) -> tuple[Floats, Floats]:
    """Nodes and weights of an integral over s of unit sd up to `greatest`.

    The steps are in the normal score of s, so that both tails have nodes, and close up towards the greatest, where what
    is integrated ends like a root.
    """
    df = n - 1
    top = 8.0
    if math.isfinite(greatest):
        square = df * greatest**2
        lower, upper = float(stats.chi2.cdf(square, df)), float(stats.chi2.sf(square, df))
        top = min(top, float(special.ndtri(lower) if lower < 0.5 else -special.ndtri(upper)))
    reach = max(top + 8.0, 0.0)
    nodes, weights = np.polynomial.legendre.leggauss(POINTS)
    u = (nodes + 1.0) / 2.0
    score = top - reach * u**2
    density = weights * reach * u * np.exp(-(score**2) / 2.0) / math.sqrt(2.0 * math.pi)
    below = 2.0 * special.gammaincinv(df / 2.0, special.ndtr(np.minimum(score, 0.0)))
    above = 2.0 * special.gammainccinv(df / 2.0, special.ndtr(-np.maximum(score, 0.0)))
    return np.asarray(np.sqrt(np.where(score < 0.0, below, above) / df)), np.asarray(density)


def two_limit_constant(n: int, *, fraction: float, probability_of_acceptance: float) -> float:
    """The k at which `n` accepts a process with `fraction` beyond two limits together, with that probability.

    The sharing that is accepted least, over everything beyond one limit to half and half, decides; so a process of that
    total is accepted at least so often wherever it lies.

    Raises
    ------
    BadReadings : numbers out of range.
    """
    probability(fraction, "the fraction")
    target = probability(probability_of_acceptance, "the probability of acceptance")
    shares = (1e-6, 0.1, 0.2, 0.3, 0.4, 0.5)

    def excess(k: float) -> float:
        least = min(
            accept_two_limits(n, k, fraction_lower=share * fraction, fraction_upper=(1.0 - share) * fraction)
            for share in shares
        )
        return least - target

    start = constant_for(n, fraction=fraction, probability_of_acceptance=target)
    # beyond (n − 1)/√n the estimate allows nothing
    high = min(start + 0.5, (1.0 - 1e-9) * (n - 1) / math.sqrt(n))
    low = high - 1.0
    while excess(low) < 0.0:
        low -= 1.0
        if low < -10.0:
            raise NotEnoughReadings(f"no constant accepts a process shared between both limits so often with n = {n}")
    if excess(high) > 0.0:
        raise NotEnoughReadings(
            f"with n = {n} every constant that allows anything accepts so often; take more readings"
        )
    return float(optimize.brentq(excess, low, high, xtol=1e-9))
