"""The noncentral t distribution, asked for its noncentrality.

(x̄ − a)√n / s of n normal readings has it, with n − 1 degrees of freedom, where a is any point but the true mean. So it
gives exact intervals for a capability index, for a quantile and for an acceptability constant.
"""

from __future__ import annotations

from scipy import optimize, special, stats

from stepwitness.metrology.inputs import Interval


def cdf(t: float, *, df: float, noncentrality: float) -> float:
    """P(T ≤ t)."""
    return float(special.nctdtr(df, noncentrality, t))


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
