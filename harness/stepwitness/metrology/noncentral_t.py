"""The noncentral t distribution, asked for its noncentrality.

(x̄ − a)√n / s of n normal readings has it, with n − 1 degrees of freedom, where a is any point but the true mean. So it
gives exact intervals for a capability index, for a quantile and for an acceptability constant.

scipy's own function gives NaN here and there in tails thinner than about 1e-5; there the definition is integrated, to
1e-14 in absolute terms. Whoever needs the distribution asks here.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, special, stats

from stepwitness.metrology.inputs import Floats, Interval


def cdf(t: float, *, df: float, noncentrality: float) -> float:
    """P(T ≤ t), always a number from 0 to 1."""
    found = float(special.nctdtr(df, noncentrality, t))
    return _integrated(t, df=df, noncentrality=noncentrality) if math.isnan(found) else found


_REACH = 9.0
"""In normal scores; beyond lies 1e-19 of the spread's distribution."""


def _integrated(t: float, *, df: float, noncentrality: float) -> float:
    """T = (z + δ)/s with s² = χ²/df, so P(T ≤ t) is the mean of Φ(t s − δ) over s, taken in its normal score.

    Where Φ rises steeply, the panels of the integration are as narrow as its rise.
    """
    edges = np.linspace(-_REACH, _REACH, 37)
    if t != 0.0 and noncentrality / t > 0.0:
        half, square = df / 2.0, df * (noncentrality / t) ** 2 / 2.0
        below, above = special.gammainc(half, square), special.gammaincc(half, square)
        middle = float(np.clip(special.ndtri(below) if below < above else -special.ndtri(above), -_REACH, _REACH))
        rise = np.diff(_spread(np.array([middle - 1e-4, middle + 1e-4]), df))[0] / 2e-4
        steep = middle + np.arange(-9, 10) / max(abs(t) * rise, 1.0)
        edges = np.unique(np.clip(np.concatenate((edges, steep)), -_REACH, _REACH))
    nodes, weights = np.polynomial.legendre.leggauss(20)
    half_width = np.diff(edges)[:, None] / 2.0
    score = edges[:-1, None] + half_width * (1.0 + nodes)
    density = half_width * weights * np.exp(-(score**2) / 2.0) / math.sqrt(2.0 * math.pi)
    return min(1.0, float(np.sum(density * special.ndtr(t * _spread(score, df) - noncentrality))))


def _spread(score: Floats, df: float) -> Floats:
    """s by its normal score; each tail from its own side, so that neither loses digits."""
    below = special.gammaincinv(df / 2.0, special.ndtr(np.minimum(score, 0.0)))
    above = special.gammainccinv(df / 2.0, special.ndtr(-np.maximum(score, 0.0)))
    return np.asarray(np.sqrt(2.0 / df * np.where(score < 0.0, below, above)), dtype=np.float64)


def quantile(p: float, *, df: float, noncentrality: float) -> float:
    """The t below which T falls with probability `p`."""
    return float(stats.nct.ppf(p, df, noncentrality))


def noncentrality(t: float, p: float, *, df: float) -> float:
    """The noncentrality with which T falls below `t` with probability `p`; falls as `p` rises."""

    def excess(delta: float) -> float:
        return cdf(t, df=df, noncentrality=delta) - p

    start = float(special.nctdtrinc(df, p, t))
    reach = 1e-3 * (1.0 + abs(start))
    while excess(start - reach) < 0.0 or excess(start + reach) > 0.0:
        reach *= 4.0
    return float(optimize.brentq(excess, start - reach, start + reach, xtol=1e-12 * (1.0 + abs(start)), rtol=1e-14))


def noncentrality_interval(t: float, *, df: float, confidence: float) -> Interval:
    """The two-sided interval for the noncentrality, equal tails, given one `t` that was seen."""
    tail = (1.0 - confidence) / 2
    return Interval(low=noncentrality(t, 1.0 - tail, df=df), high=noncentrality(t, tail, df=df), confidence=confidence)
