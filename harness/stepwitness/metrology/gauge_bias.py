"""Bias, linearity and stability of a gauge against references (wording of ISO 22514-7, from memory).

1. Bias is the mean of readings of one reference less its value; linearity is how bias changes with the value; stability
   is how readings of one check standard hold over time.
2. A reference has an uncertainty of its own. It's given as a standard uncertainty, joins that of the mean, and is taken
   as common to all readings of it: more readings don't lessen it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from stepwitness.metrology.change_point import ChangePoint, change_point
from stepwitness.metrology.control import Baseline, Chart, chart, individuals_baseline
from stepwitness.metrology.inputs import CONFIDENCE, Interval, probability, readings, spread, table
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, Running


@dataclass(frozen=True)
class Bias:
    """Bias at one reference, in the readings' unit.

    `standard_uncertainty` : of the bias, reference included. `degrees_of_freedom` : effective, after Welch and
    Satterthwaite. `p` : probability of a bias as great from a gauge without one. `seen` : whether the interval misses
    0.
    """

    n: int
    value: float
    sd: float
    standard_uncertainty: float
    degrees_of_freedom: float
    interval: Interval
    p: float

    @property
    def seen(self) -> bool:
        """Whether the bias is told from none at the interval's confidence."""
        return 0.0 not in self.interval


def bias(
    values: ArrayLike, *, reference: float, reference_uncertainty: float = 0.0, confidence: float = CONFIDENCE
) -> Bias:
    """Bias of readings of one reference.

    Parameters
    ----------
    values : shape (n,), n ≥ 2. `reference`, `reference_uncertainty` : its value and standard uncertainty, same unit.

    Raises
    ------
    BadReadings : a number that isn't one, a negative uncertainty.
    NotEnoughReadings : fewer than two, or no spread while the reference is said to be exact.
    """
    array = readings(values, "bias", least=2)
    readings([reference, reference_uncertainty], "the reference")
    probability(confidence, "the confidence")
    if reference_uncertainty < 0.0:
        raise BadReadings(f"the reference's uncertainty is {reference_uncertainty}")
    if reference_uncertainty == 0.0:
        spread(array, "bias")
    running = Running((array - reference).tolist())
    of_mean = running.sd / math.sqrt(running.n)
    u = math.hypot(of_mean, reference_uncertainty)
    df = (running.n - 1) * (u / of_mean) ** 4 if of_mean > 0.0 else math.inf
    half = float(stats.t.ppf((1.0 + confidence) / 2, df)) * u
    return Bias(
        n=running.n,
        value=running.mean,
        sd=running.sd,
        standard_uncertainty=u,
        degrees_of_freedom=df,
        interval=Interval(running.mean - half, running.mean + half, confidence),
        p=2.0 * float(stats.t.sf(abs(running.mean) / u, df)),
    )


@dataclass(frozen=True)
class Linearity:
    """Bias along the range, as a line: bias = intercept + slope·(reference value).

    `slope` is without unit, `intercept` in the readings' unit; both with their intervals. `lack_of_fit_p` : probability
    of means as far from the line by chance, where references were read more than once; None otherwise. `worst_bias` :
    the greatest absolute bias of the line within the references, where it is not told from 0 as well as where it is.
    """

    n: int
    slope: float
    slope_interval: Interval
    slope_p: float
    intercept: float
    intercept_interval: Interval
    residual_sd: float
    r_squared: float
    lack_of_fit_p: float | None
    worst_bias: float


def linearity(references: ArrayLike, values: ArrayLike, *, confidence: float = CONFIDENCE) -> Linearity:
    """Fit the line of bias.

    Parameters
    ----------
    references : shape (m,), m ≥ 2 different values. `values` : shape (m, r), readings of each; m·r ≥ 3.

    Raises
    ------
    BadReadings : shapes that don't match, a reading that isn't a number.
    NotEnoughReadings : fewer than two different references, fewer than three readings, no spread around the line.
    """
    x = readings(references, "references", least=2)
    y = table(values, "readings of the references", least=(2, 1))
    if len(x) != len(y):
        raise BadReadings(f"{len(x)} references and readings of {len(y)}")
    probability(confidence, "the confidence")
    spread(x, "references")
    m, r = y.shape
    n = m * r
    if n < 3:
        raise NotEnoughReadings(f"linearity: {n} readings found, 3 is the least")
    biases = y - x[:, np.newaxis]
    means = biases.mean(axis=1)
    centred = x - x.mean()
    sxx = r * float(centred @ centred)
    slope = r * float(centred @ means) / sxx
    grand = float(means.mean())
    around = means - grand - slope * centred
    pure = float(np.sum((biases - means[:, np.newaxis]) ** 2))
    lack = r * float(around @ around)
    total = float(np.sum((biases - grand) ** 2))
    if pure + lack <= 1e-28 * max(total, float(np.max(np.abs(biases))) ** 2):
        raise NotEnoughReadings("linearity: the readings lie on a line exactly, so its uncertainty can't be told")
    residual = math.sqrt((pure + lack) / (n - 2))
    t = float(stats.t.ppf((1.0 + confidence) / 2, n - 2))
    of_slope = residual / math.sqrt(sxx)
    of_intercept = residual * math.sqrt(1.0 / n + float(x.mean()) ** 2 / sxx)
    intercept = grand - slope * float(x.mean())
    lack_p = None
    if r > 1 and m > 2 and pure > 0.0:
        lack_p = float(stats.f.sf(lack / (m - 2) / (pure / (n - m)), m - 2, n - m))
    return Linearity(
        n=n,
        slope=slope,
        slope_interval=Interval(slope - t * of_slope, slope + t * of_slope, confidence),
        slope_p=2.0 * float(stats.t.sf(abs(slope) / of_slope, n - 2)),
        intercept=intercept,
        intercept_interval=Interval(intercept - t * of_intercept, intercept + t * of_intercept, confidence),
        residual_sd=residual,
        r_squared=1.0 - (pure + lack) / total,
        lack_of_fit_p=lack_p,
        worst_bias=float(np.max(np.abs(grand + slope * centred[[np.argmin(x), np.argmax(x)]]))),
    )


@dataclass(frozen=True, eq=False)
class Stability:
    """A check standard over time.

    `drift`, `drift_interval` : slope against time, in the readings' unit a unit of time. `step` : the likeliest single
    step. `baseline`, `chart` : individuals chart of the readings against their own baseline. `short_term_sd` from
    moving ranges and `long_term_sd` of all readings: the second well above the first is what instability looks like.
    """

    n: int
    drift: float
    drift_interval: Interval
    drift_p: float
    step: ChangePoint
    baseline: Baseline
    chart: Chart
    short_term_sd: float
    long_term_sd: float


def stability(times: ArrayLike, values: ArrayLike, *, confidence: float = CONFIDENCE, seed: int = 1) -> Stability:
    """How readings of one check standard hold over time.

    Parameters
    ----------
    times : shape (n,), rising, any unit. `values` : shape (n,), n ≥ 5. `seed` : of the shuffles of the step.

    Raises
    ------
    BadReadings : lengths that differ, times that don't rise, a reading that isn't a number.
    NotEnoughReadings : fewer than five, or no spread.
    """
    t, y = readings(times, "times", least=5), readings(values, "check standard", least=5)
    if t.shape != y.shape:
        raise BadReadings(f"{len(t)} times and {len(y)} readings")
    if not bool(np.all(np.diff(t) > 0.0)):
        raise BadReadings("the times don't rise")
    spread(y, "check standard")
    line = stats.linregress(t - t[0], y - y[0])
    half = float(stats.t.ppf((1.0 + probability(confidence, "the confidence")) / 2, len(t) - 2)) * float(line.stderr)
    baseline = individuals_baseline(y)
    return Stability(
        n=len(t),
        drift=float(line.slope),
        drift_interval=Interval(float(line.slope) - half, float(line.slope) + half, confidence),
        drift_p=float(line.pvalue),
        step=change_point(y, confidence=confidence, seed=seed),
        baseline=baseline,
        chart=chart(baseline, y),
        short_term_sd=baseline.sd,
        long_term_sd=Running(y.tolist()).sd,
    )
