"""Weibull life with few failures and with suspensions: maximum likelihood and likelihood-ratio bounds.

1. A life is a time, a number of cycles or a travel, above 0; a suspension is a unit taken off alive. S(t) =
   exp(−(t/η)^β), η the scale (63.2 % have failed), β the shape.
2. The bounds are those parameter values whose likelihood, with the rest at its best, lies within a critical ratio of
   the greatest. The critical value is simulated, not taken from the chi-square distribution, because the stopping
   rule matters: tests that stop at a failure, and complete ones, are simulated with the same pattern of failures and
   suspensions, for which the ratio's distribution doesn't depend on the parameters, so the bounds are exact up to the
   simulation; tests that stop at a time are simulated at the fitted parameters (a parametric bootstrap).
3. No failure has no fit; `life_demonstration` says what can be said then, with a shape that is supposed.

What failed first: the chi-square value. In 10,000 trials each, where 95 % are stated, it held the 10 % life in 92.6 %
with 10 failures of 20, in 89 % with 5 of 20, in 84 % with 3 of 30 (all stopped at a failure), and in 93 % where a test
of 10 stops at a time at which nearly all have failed. The simulated value held 94.3 to 95.3 % in all of these.

References
----------
.. [1] J. F. Lawless, Statistical Models and Methods for Lifetime Data, Wiley 2003 (from memory).
.. [2] N. Balakrishnan and R. A. Sandhu, The American Statistician 49 (1995), for samples with a pattern (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize

from stepwitness.metrology import weibull_fit
from stepwitness.metrology.inputs import CONFIDENCE, Floats, Interval, probability, readings
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

StoppedBy = Literal["failure", "time"]

SIMULATED = 4000
BLOCK_VALUES = 400_000
"""Values that one block of the simulation holds, which bounds its memory."""


@dataclass(frozen=True, eq=False)
class WeibullFit:
    """A fitted life.

    Attributes
    ----------
    n, failures : units and those that failed.
    shape, scale : β, and η in the unit of the lives; each with its interval.
    log_likelihood : of the lives themselves (densities in one over their unit).
    mean : η·Γ(1 + 1/β), without an interval.
    stopped_by : what the bounds suppose.
    logs, failed : the data, sorted as given, shape (n,); logarithms, and 1.0 for a failure.
    """

    n: int
    failures: int
    shape: float
    shape_interval: Interval
    scale: float
    scale_interval: Interval
    log_likelihood: float
    mean: float
    stopped_by: StoppedBy
    confidence: float
    seed: int
    logs: Floats
    failed: Floats

    def reliability(self, t: float) -> float:
        """Fraction alive at `t`, by the fit."""
        return math.exp(-((t / self.scale) ** self.shape))


@dataclass(frozen=True)
class LifeQuantile:
    """The time by which a fraction `p` has failed (p = 0.1: the B10 life), in the unit of the lives."""

    p: float
    value: float
    interval: Interval


def fit_weibull(
    lives: ArrayLike,
    failed: ArrayLike | None = None,
    *,
    stopped_by: StoppedBy = "time",
    confidence: float = CONFIDENCE,
    seed: int = 1,
) -> WeibullFit:
    """Fit by maximum likelihood.

    Parameters
    ----------
    lives : shape (n,), above 0: time of failure or of suspension.
    failed : shape (n,), true where the unit failed; all, unless given.
    stopped_by : "time" where suspensions were planned by time (units that failed are supposed to have had the latest
        suspension as their end); "failure" where units were taken off when another one failed, so that every suspension
        has the life of a failure. Without suspensions it makes no difference.
    seed : of the simulated critical values.

    Raises
    ------
    BadReadings : lives that aren't positive numbers, marks that aren't true or false, suspensions that don't suit.
    NotEnoughReadings : fewer than two failures, or lives that have no greatest likelihood (all failures at one life and
        none suspended later).
    """
    t = readings(lives, "lives", least=1)
    d = np.ones(len(t)) if failed is None else readings(np.asarray(failed, dtype=float), "failure marks")
    if d.shape != t.shape:
        raise BadReadings(f"{len(t)} lives and {len(d)} failure marks")
    if float(np.min(t)) <= 0.0 or not bool(np.all((d == 0.0) | (d == 1.0))):
        raise BadReadings("lives are above 0, and failure marks true or false")
    failures = int(d.sum())
    if failures < 2:
        raise NotEnoughReadings(
            f"a Weibull fit takes 2 failures at least, found {failures}; see the bounds with a supposed shape"
        )
    x = np.log(t)
    if float(np.max(x)) - float(np.mean(x[d == 1.0])) < 1e-12:
        raise NotEnoughReadings("all failures have one life and nothing lived longer, so the shape has no bound")
    if stopped_by == "failure" and not set(t[d == 0.0]) <= set(t[d == 1.0]):
        raise BadReadings("a suspension doesn't have the life of a failure, so the test wasn't stopped by failures")
    probability(confidence, "the confidence")
    rows, marks = x[np.newaxis, :], d[np.newaxis, :]
    location, b = (float(value[0]) for value in weibull_fit.fit_logs(rows, marks))
    fit = WeibullFit(
        n=len(t),
        failures=failures,
        shape=b,
        shape_interval=Interval(math.nan, math.nan, confidence),
        scale=math.exp(location),
        scale_interval=Interval(math.nan, math.nan, confidence),
        log_likelihood=_greatest(rows, marks, location, b) - float(d @ x),
        mean=math.exp(location + math.lgamma(1.0 + 1.0 / b)),
        stopped_by=stopped_by,
        confidence=confidence,
        seed=seed,
        logs=x,
        failed=d,
    )
    x.flags.writeable = d.flags.writeable = False
    shape = _bounds(fit, math.log(b), 1.0 / math.sqrt(failures), _critical(fit, None), _at_shape(fit))
    return replace(fit, shape_interval=shape, scale_interval=_quantile(fit, 0.0))


def life_quantile(fit: WeibullFit, p: float) -> LifeQuantile:
    """The life by which a fraction `p` has failed, with its likelihood-ratio interval.

    An end is 0 or infinite where no bound was found within a factor of e^(50/β).

    Raises
    ------
    BadReadings : p not between 0 and 1.
    """
    reduced = math.log(-math.log1p(-probability(p, "the fraction failed")))
    return LifeQuantile(p, fit.scale * math.exp(reduced / fit.shape), _quantile(fit, reduced))


def _quantile(fit: WeibullFit, reduced: float) -> Interval:
    centre = math.log(fit.scale) + reduced / fit.shape
    step = (1.0 + abs(reduced)) / fit.shape / math.sqrt(fit.failures)
    return _bounds(fit, centre, step, _critical(fit, reduced), _at_quantile(fit, reduced))


def _greatest(rows: Floats, marks: Floats, location: float, b: float) -> float:
    return float(weibull_fit.log_likelihood(rows, marks, np.array([location]), np.array([b]))[0])


def _at_shape(fit: WeibullFit) -> Callable[[float], float]:
    rows, marks = fit.logs[np.newaxis, :], fit.failed[np.newaxis, :]
    return lambda log_b: float(weibull_fit.likelihood_at_shape(rows, marks, np.array([math.exp(log_b)]))[0])


def _at_quantile(fit: WeibullFit, reduced: float) -> Callable[[float], float]:
    rows, marks = fit.logs[np.newaxis, :], fit.failed[np.newaxis, :]
    return lambda log_q: float(weibull_fit.likelihood_at_quantile(rows, marks, np.array([log_q]), reduced)[0])


def _bounds(
    fit: WeibullFit, centre: float, step: float, critical: float, likelihood: Callable[[float], float]
) -> Interval:
    """Where twice the drop of the likelihood reaches the critical value, either side of the fit, in logarithms."""
    top = likelihood(centre)

    def excess(value: float) -> float:
        return 2.0 * (top - likelihood(value)) - critical

    ends = []
    for sign in (-1.0, 1.0):
        near, reach = centre, step
        while excess(centre + sign * reach) < 0.0 and reach < 50.0 * max(step, 1.0 / fit.shape):
            near, reach = centre + sign * reach, 1.6 * reach
        far = centre + sign * reach
        if excess(far) < 0.0:
            ends.append(0.0 if sign < 0.0 else math.inf)
        else:
            ends.append(math.exp(float(optimize.brentq(excess, near, far, xtol=1e-10, rtol=1e-12))))
    return Interval(ends[0], ends[1], fit.confidence)


def _critical(fit: WeibullFit, reduced: float | None) -> float:
    """Critical value of the likelihood ratio: of the quantile with ln(−ln(1 − p)) `reduced`, of the shape with None."""
    if fit.failures == fit.n or fit.stopped_by == "failure":
        return pattern_critical(_pattern(fit), reduced, fit.confidence, fit.seed)
    # units that failed would have been taken off with the last suspension, or at their failure where that came later
    planned = np.where(fit.failed == 0.0, fit.logs, np.maximum(np.max(fit.logs[fit.failed == 0.0]), fit.logs))
    ends = (planned - math.log(fit.scale)) * fit.shape
    return time_critical(tuple(np.round(ends, 9).tolist()), reduced, fit.confidence, fit.seed)


def _pattern(fit: WeibullFit) -> tuple[int, ...]:
    """Suspensions taken off at each failure, in order."""
    lives = np.sort(fit.logs[fit.failed == 1.0])
    removed = [0] * len(lives)
    for suspended in fit.logs[fit.failed == 0.0]:
        removed[int(np.searchsorted(lives, suspended, side="right")) - 1] += 1
    return tuple(removed)


@lru_cache(maxsize=256)
def pattern_critical(removed: tuple[int, ...], reduced: float | None, confidence: float, seed: int) -> float:
    """Critical value of a test whose i-th failure took `removed[i]` units off with it; exact but for the simulation.

    `reduced` : as in `weibull_fit.likelihood_at_quantile`, or None for the shape.
    """
    draw = np.random.default_rng(seed)
    m = len(removed)
    n = m + sum(removed)
    tail = np.cumsum(np.array(removed[::-1]))
    marks = np.concatenate((np.ones(m), np.zeros(n - m)))
    places = np.repeat(np.arange(m), removed)
    ratios: list[Floats] = []
    for rows in _blocks(n):
        uniform = draw.random((rows, m))
        powers = np.log(uniform) / (np.arange(1, m + 1) + tail)
        # of −ln(1 − U) the i-th is the sum of what remains; U of a progressive pattern, Balakrishnan and Sandhu
        survived = np.cumsum(powers[:, ::-1], axis=1)
        x = np.log(-survived)
        ratios.append(_ratio(np.concatenate((x, x[:, places]), axis=1), np.broadcast_to(marks, (rows, n)), reduced))
    return float(np.quantile(np.concatenate(ratios), confidence))


@lru_cache(maxsize=256)
def time_critical(ends: tuple[float, ...], reduced: float | None, confidence: float, seed: int) -> float:
    """Critical value of a test in which each unit has a planned end, (ln t − ln η)·β; `reduced` as above."""
    draw = np.random.default_rng(seed)
    planned = np.array(ends)
    ratios: list[Floats] = []
    for rows in _blocks(len(planned)):
        x = np.log(draw.standard_exponential((rows, len(planned))))
        marks = (x <= planned).astype(np.float64)
        enough = marks.sum(axis=1) >= 2.0
        ratios.append(_ratio(np.minimum(x, planned)[enough], marks[enough], reduced))
    return float(np.quantile(np.concatenate(ratios), confidence))


def _blocks(n: int) -> list[int]:
    rows = max(1, BLOCK_VALUES // n)
    return [min(rows, SIMULATED - start) for start in range(0, SIMULATED, rows)]


def _ratio(x: Floats, d: Floats, reduced: float | None) -> Floats:
    """Likelihood ratio of the true value in samples from the standard life (scale 1, shape 1)."""
    location, b = weibull_fit.fit_logs(x, d)
    top = weibull_fit.log_likelihood(x, d, location, b)
    if reduced is None:
        held = weibull_fit.likelihood_at_shape(x, d, np.ones(len(x)))
    else:
        held = weibull_fit.likelihood_at_quantile(x, d, np.full(len(x), reduced), reduced)
    return 2.0 * (top - held)
