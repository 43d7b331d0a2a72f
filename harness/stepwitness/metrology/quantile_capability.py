"""Performance of readings that aren't normal, by quantiles of a fitted distribution.

Pp = (U − L) / (X₉₉.₈₆₅% − X₀.₁₃₅%) and Ppk = min((U − X₅₀%) / (X₉₉.₈₆₅% − X₅₀%), (X₅₀% − L) / (X₅₀% − X₀.₁₃₅%))
(ISO 22514-2 and ISO 22514-4, from memory); with a normal distribution these are the usual indices.

1. The shape is named by whoever knows the characteristic (spreads and radii are never negative): "normal", "lognormal",
   "weibull", "rayleigh"; fitted by maximum likelihood (the normal with n − 1). "readings" takes the quantiles from the
   readings themselves, which needs enough of them to reach the outer quantiles.
2. The interval is that of the index towards the nearer limit, by pivots of a parametric bootstrap: errors of location
   and scale in resamples, in their own scale, are taken for the errors of the fit. In 10,000 trials each these held
   94.6 to 94.9 % where 95 are stated (lognormal, Weibull, Rayleigh, 20 to 100 readings). For "readings" it is the plain
   percentile interval, approximate and not proved. What failed first: plain percentiles for fitted shapes too, which
   held 92.3 % with 20 lognormal readings and 94.0 % with 50 (3000 trials).
3. Whether the shape fits is tested with the same resamples (Anderson-Darling); a small probability says that the
   figures rest on a wrong shape.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from stepwitness.metrology import weibull_fit
from stepwitness.metrology.inputs import CONFIDENCE, Floats, Interval, limits, probability, readings, spread
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

Shape = Literal["normal", "lognormal", "weibull", "rayleigh", "readings"]

OUTER = float(special.ndtr(-3.0))
"""0.135 %, the fraction of a normal distribution below its mean less three sd."""

RESAMPLES = 2000
LEAST_READINGS = 1000
"""Readings that the shape "readings" asks for; 1.35 of so many are expected outside either outer quantile."""


@dataclass(frozen=True)
class QuantilePerformance:
    """Pp and Ppk by quantiles; `pp` is None with one limit.

    `x_low`, `x_mid`, `x_high` : the 0.135 %, 50 % and 99.865 % quantiles, in the unit of the readings. `fit_p` : the
    probability of a fit at least as poor were the shape right; NaN for "readings", which fit themselves.
    """

    shape: Shape
    n: int
    x_low: float
    x_mid: float
    x_high: float
    pp: float | None
    ppk: float
    ppk_interval: Interval
    fit_p: float


def quantile_performance(
    values: ArrayLike,
    *,
    shape: Shape,
    lower: float | None = None,
    upper: float | None = None,
    confidence: float = CONFIDENCE,
    seed: int = 1,
) -> QuantilePerformance:
    """Performance by quantiles of a distribution of that shape.

    Parameters
    ----------
    values : shape (n,), n ≥ 5; above 0 for every shape but "normal" and "readings". `seed` : of the resamples.

    Raises
    ------
    BadReadings : readings that aren't numbers or aren't above 0 where the shape asks it, bad limits, unknown shape.
    NotEnoughReadings : too few, or no spread.
    """
    array = readings(values, "performance by quantiles", least=LEAST_READINGS if shape == "readings" else 5)
    spread(array, "performance by quantiles")
    low, high = limits(lower, upper)
    probability(confidence, "the confidence")
    if shape in ("lognormal", "weibull", "rayleigh") and float(np.min(array)) <= 0.0:
        raise BadReadings(f"performance by quantiles: the least reading is {np.min(array):g}; {shape} ones are above 0")
    draw = np.random.default_rng(seed)
    n = len(array)
    if shape == "readings":
        quantiles = np.array([percentile(array, p) for p in (OUTER, 0.5, 1.0 - OUTER)])
        again = np.empty((RESAMPLES, 3))
        for row in again:  # one resample at a time, so that memory stays that of the readings
            row[:] = np.quantile(draw.choice(array, n), [OUTER, 0.5, 1.0 - OUTER], method="weibull")
        fit_p = math.nan
    elif shape in _FITS:
        location, scale = _fit(array[np.newaxis, :], shape)
        quantiles = _quantiles(location, scale, shape)[0]
        samples = _from_uniform(draw.random((RESAMPLES, n)), location, scale, shape)
        locations, scales = _fit(samples, shape)
        pivot = scale / scales
        again = _quantiles(location - (locations - location) * pivot, scale * pivot, shape)
        seen = _anderson_darling(array[np.newaxis, :], location, scale, shape)[0]
        chance = _anderson_darling(samples, locations, scales, shape)
        fit_p = (1.0 + float(np.sum(chance >= seen))) / (1.0 + RESAMPLES)
    else:
        raise BadReadings(f"no shape '{shape}'; there are {', '.join((*_FITS, 'readings'))}")
    x_low, x_mid, x_high = (float(x) for x in quantiles)
    least = _towards(quantiles[np.newaxis, :], low, high)[0]
    nearer = int(np.argmin(least))
    tail = (1.0 - confidence) / 2
    ends = np.quantile(_towards(again, low, high)[:, nearer], [tail, 1.0 - tail])
    return QuantilePerformance(
        shape=shape,
        n=n,
        x_low=x_low,
        x_mid=x_mid,
        x_high=x_high,
        pp=None if math.isinf(low) or math.isinf(high) else (high - low) / (x_high - x_low),
        ppk=float(least[nearer]),
        ppk_interval=Interval(float(ends[0]), float(ends[1]), confidence),
        fit_p=fit_p,
    )


def percentile(values: ArrayLike, p: float) -> float:
    """The quantile of the readings themselves, at place p(n + 1) between neighbours (NIST/SEMATECH e-Handbook 7.2.5.2).

    Raises
    ------
    BadReadings : a reading that isn't a number, p not between 0 and 1.
    NotEnoughReadings : where the place lies before the first reading or beyond the last.
    """
    array = readings(values, "percentile")
    place = probability(p, "the quantile's p") * (len(array) + 1)
    if not 1.0 <= place <= len(array):
        raise NotEnoughReadings(f"percentile: {len(array)} readings don't reach the {100 * p:g} % quantile")
    return float(np.quantile(array, p, method="weibull"))


def _towards(quantiles: Floats, low: float, high: float) -> Floats:
    """Indices towards the lower and the upper limit, shape (k, 2), of rows of (low, mid, high) quantiles."""
    below, above = quantiles[:, 1] - quantiles[:, 0], quantiles[:, 2] - quantiles[:, 1]
    if not (float(np.min(below)) > 0.0 and float(np.min(above)) > 0.0):
        raise NotEnoughReadings("performance by quantiles: an outer quantile is the median, so there is no spread")
    return np.column_stack(((quantiles[:, 1] - low) / below, (high - quantiles[:, 1]) / above))


_FITS = ("normal", "lognormal", "weibull", "rayleigh")


def _fit(samples: Floats, shape: Shape) -> tuple[Floats, Floats]:
    """Location and scale of each row, shape (k, 1) each, of the normal, or of the logarithm's distribution."""
    if shape == "rayleigh":
        scale = np.sqrt(np.mean(samples**2, axis=1, keepdims=True) / 2)
        return np.log(scale * math.sqrt(2.0)), np.full_like(scale, 0.5)
    if shape == "weibull":
        location, inverse = weibull_fit.fit_logs(np.log(samples), np.ones_like(samples))
        return location[:, np.newaxis], 1.0 / inverse[:, np.newaxis]
    taken = np.log(samples) if shape == "lognormal" else samples
    return taken.mean(axis=1, keepdims=True), taken.std(axis=1, ddof=1, keepdims=True)


def _standard(p: Floats, shape: Shape) -> Floats:
    """Standard quantiles: of the normal, or of the least extreme value that ln x has for Weibull and Rayleigh."""
    if shape in ("normal", "lognormal"):
        return np.asarray(special.ndtri(p))
    return np.log(-np.log1p(-p))


def _from_uniform(p: Floats, location: Floats, scale: Floats, shape: Shape) -> Floats:
    values = location + scale * _standard(p, shape)
    return values if shape == "normal" else np.exp(values)


def _quantiles(location: Floats, scale: Floats, shape: Shape) -> Floats:
    return _from_uniform(np.array([OUTER, 0.5, 1.0 - OUTER]), location, scale, shape)


def _anderson_darling(samples: Floats, location: Floats, scale: Floats, shape: Shape) -> Floats:
    """A² of each row against its own fit (T. W. Anderson and D. A. Darling 1954, formula from memory)."""
    ordered = np.sort(samples if shape == "normal" else np.log(samples), axis=1)
    z = (ordered - location) / scale
    if shape in ("normal", "lognormal"):
        below, above = special.log_ndtr(z), special.log_ndtr(-z)
    else:
        hazard = np.exp(np.minimum(z, 700.0))
        below, above = np.log(-np.expm1(-np.maximum(hazard, 1e-300))), -hazard
    n = samples.shape[1]
    weights = 2.0 * np.arange(1, n + 1) - 1.0
    return np.asarray(-n - np.mean(weights * (below + above[:, ::-1]), axis=1))
