"""Control chart constants, computed: d2, d3, c4 and what follows from them, for subgroups of 2 to 100 normal readings.

With W the range and S the standard deviation of n readings from a normal distribution of unit sd: d2 = E W,
d3 = sd of W, c4 = E S. The factors of the limits at three sd follow by their definitions (ISO 7870-2 and ASTM MNL 7,
named from memory); where a printed table rounds an intermediate, its last digit can differ from these (D4 at n = 3 is
2.5746 and printed as 2.574).

1. d2 is one integral, d3 a double one whose inner part is a sum of closed increments; both by Gauss-Legendre, to
   1e-11. c4 is closed.
2. Factors that would be negative are 0, as in the tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special

from stepwitness.metrology.inputs import Floats, count
from stepwitness.metrology.statistics import BadReadings

LARGEST = 100

REACH = 9.0
"""Where the integration ends, in sd; 1 − Φ(9)¹⁰⁰ is 1e-17."""

POINTS = 160


@dataclass(frozen=True)
class Constants:
    """The factors of a subgroup of n; names as in the tables. B3, B4, D3, D4, A2, A3 and E2 are at three sd."""

    n: int
    c4: float
    d2: float
    d3: float
    a2: float
    a3: float
    b3: float
    b4: float
    big_d3: float
    big_d4: float
    e2: float


@lru_cache(maxsize=LARGEST)
def constants(n: int) -> Constants:
    """The constants of subgroups of `n`, 2 to 100.

    Raises
    ------
    BadReadings : n isn't a whole number in that range.

    Examples
    --------
    >>> five = constants(5)
    >>> round(five.d2, 3), round(five.c4, 4), round(five.big_d4, 3)
    (2.326, 0.94, 2.114)
    """
    if count(n, "the size of a subgroup", least=2) > LARGEST:
        raise BadReadings(f"the size of a subgroup is {n}; constants go to {LARGEST}, beyond use the sd chart with c4")
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    d2, d3 = _range_moments(n)
    sd_ratio = 3.0 * math.sqrt(1.0 - c4 * c4) / c4
    range_ratio = 3.0 * d3 / d2
    return Constants(
        n=n,
        c4=c4,
        d2=d2,
        d3=d3,
        a2=3.0 / (d2 * math.sqrt(n)),
        a3=3.0 / (c4 * math.sqrt(n)),
        b3=max(0.0, 1.0 - sd_ratio),
        b4=1.0 + sd_ratio,
        big_d3=max(0.0, 1.0 - range_ratio),
        big_d4=1.0 + range_ratio,
        e2=3.0 / d2,
    )


def _range_moments(n: int) -> tuple[float, float]:
    """Mean and sd of the range.

    E W = ∫ 1 − Fⁿ − (1 − F)ⁿ dx, and E W² = 2 ∫∫_{x<y} 1 − F(y)ⁿ − (1 − F(x))ⁿ + (F(y) − F(x))ⁿ dx dy (Tippett 1925,
    from memory). The outer variable is x, the inner one y = x + w, w from 0 on.
    """
    nodes, weights = np.polynomial.legendre.leggauss(POINTS)
    x: Floats = REACH * nodes
    wx: Floats = REACH * weights
    below, above = special.ndtr(x), special.ndtr(-x)
    d2 = float(wx @ (_missing(above, n) - above**n))
    y = x[:, np.newaxis] + (REACH - x[:, np.newaxis]) * (nodes + 1.0) / 2.0
    wy = (REACH - x[:, np.newaxis]) / 2.0 * weights
    between = special.ndtr(y) - below[:, np.newaxis]
    inner = _missing(special.ndtr(-y), n) - above[:, np.newaxis] ** n + np.maximum(between, 0.0) ** n
    second = 2.0 * float(wx @ (wy * inner).sum(axis=1))
    return d2, math.sqrt(second - d2 * d2)


def _missing(upper_tail: Floats, n: int) -> Floats:
    """1 − (1 − tail)ⁿ without loss where the tail is small."""
    return np.asarray(-np.expm1(n * np.log1p(-np.minimum(upper_tail, 1.0 - 1e-16))))
