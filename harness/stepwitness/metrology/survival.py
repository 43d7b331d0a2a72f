"""Survival without a distribution: Kaplan-Meier curve, Greenwood's error, median, and the log-rank comparison.

1. Suspensions leave after the failures of the same time. The curve falls at failures alone and says nothing beyond the
   last time that was watched.
2. Intervals at each fall are on the log(−log S) scale, which keeps them between 0 and 1.

References
----------
.. [1] E. L. Kaplan and P. Meier, Journal of the American Statistical Association 53 (1958).
.. [2] M. Greenwood 1926; N. Mantel 1966 (named from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special, stats

from stepwitness.metrology.inputs import CONFIDENCE, Floats, Interval, probability, readings
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


@dataclass(frozen=True)
class Fall:
    """The curve just after a time with failures.

    `at_risk` : units still watched just before; `failures` : at that time; `survival` and its standard error;
    `interval` is from 0 to 1 where survival is 0, for which the error isn't defined.
    """

    time: float
    at_risk: int
    failures: int
    survival: float
    standard_error: float
    interval: Interval


def kaplan_meier(times: ArrayLike, failed: ArrayLike, *, confidence: float = CONFIDENCE) -> tuple[Fall, ...]:
    """The curve's falls, in order of time.

    Parameters
    ----------
    times : shape (n,), 0 or more, of failure or suspension. `failed` : shape (n,), true where it failed.

    Raises
    ------
    BadReadings : times that aren't numbers or are negative, marks that aren't true or false, lengths that differ.
    NotEnoughReadings : no failure.
    """
    t, d = _lives(times, failed)
    z = float(special.ndtri((1.0 + probability(confidence, "the confidence")) / 2))
    survival, greenwood, falls = 1.0, 0.0, []
    for time in np.unique(t[d]):
        at_risk, failures = int(np.sum(t >= time)), int(np.sum(t[d] == time))
        survival *= 1.0 - failures / at_risk
        if failures == at_risk:
            survival = 0.0
            falls.append(Fall(float(time), at_risk, failures, 0.0, 0.0, Interval(0.0, 1.0, confidence)))
            break
        greenwood += failures / (at_risk * (at_risk - failures))
        half = z * math.sqrt(greenwood) / abs(math.log(survival))
        ends = Interval(survival ** math.exp(half), survival ** math.exp(-half), confidence)
        falls.append(Fall(float(time), at_risk, failures, survival, survival * math.sqrt(greenwood), ends))
    if not falls:
        raise NotEnoughReadings("survival: no unit failed, so the curve doesn't fall")
    return tuple(falls)


def survival_quantile(falls: Sequence[Fall], p: float = 0.5) -> float:
    """The first time at which a fraction `p` or more has failed; infinite where the curve doesn't fall so far.

    Raises
    ------
    BadReadings : p not between 0 and 1.
    """
    left = 1.0 - probability(p, "the fraction failed")
    return next((fall.time for fall in falls if fall.survival <= left * (1.0 + 1e-12)), math.inf)


@dataclass(frozen=True)
class LogRank:
    """Two groups compared: failures seen and expected in the first, χ² with one degree, and its probability."""

    observed: int
    expected: float
    variance: float
    chi_square: float
    p: float


def log_rank(first: ArrayLike, first_failed: ArrayLike, second: ArrayLike, second_failed: ArrayLike) -> LogRank:
    """Whether two groups live alike.

    Raises
    ------
    BadReadings : as for `kaplan_meier`. NotEnoughReadings : no failure while both groups were watched.
    """
    t1, d1 = _lives(first, first_failed)
    t2, d2 = _lives(second, second_failed)
    expected = variance = 0.0
    for time in np.unique(np.concatenate((t1[d1], t2[d2]))):
        n1, n2 = int(np.sum(t1 >= time)), int(np.sum(t2 >= time))
        n = n1 + n2
        d = int(np.sum(t1[d1] == time) + np.sum(t2[d2] == time))
        expected += d * n1 / n
        if n > 1:
            variance += d * (n1 / n) * (n2 / n) * (n - d) / (n - 1)
    if variance <= 0.0:
        raise NotEnoughReadings("log-rank: no unit failed while both groups were watched")
    observed = int(np.sum(d1))
    chi = (observed - expected) ** 2 / variance
    return LogRank(observed, expected, variance, chi, float(stats.chi2.sf(chi, 1)))


def _lives(times: ArrayLike, failed: ArrayLike) -> tuple[Floats, np.ndarray[tuple[int], np.dtype[np.bool_]]]:
    t = readings(times, "times")
    marks = readings(np.asarray(failed, dtype=float), "failure marks")
    if t.shape != marks.shape:
        raise BadReadings(f"{len(t)} times and {len(marks)} failure marks")
    if float(np.min(t)) < 0.0 or not bool(np.all((marks == 0.0) | (marks == 1.0))):
        raise BadReadings("times are 0 or more, and failure marks true or false")
    return t, marks == 1.0
