"""Lengths at 20 °C, the reference temperature of ISO 1, from lengths at another, with the uncertainty of both.

1. A travel that a gauge at 20 °C reads as L on an axis at T is L (1 − α (T − 20)) at 20 °C. Where the gauge's scale is
   a body of its own, what counts is the difference of the two expansions (ISO 230-2:2014, 3.1 and 4.4, from memory).
2. u² = (L ΔT u(α))² + (L α u(T))² for each body, and the second-order term (L u(α) u(T))², which counts at 20 °C.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stepwitness.metrology.statistics import BadReadings, finite

REFERENCE_C = 20.0


@dataclass(frozen=True)
class Body:
    """A body's temperature in °C and coefficient of linear expansion in 1/K, each with its standard uncertainty."""

    temperature_c: float
    expansion_per_k: float
    u_temperature_k: float = 0.0
    u_expansion_per_k: float = 0.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            finite(value, name)
        if self.u_temperature_k < 0 or self.u_expansion_per_k < 0:
            raise BadReadings("a standard uncertainty is negative")

    @property
    def expansion(self) -> float:
        """Relative expansion since 20 °C."""
        return self.expansion_per_k * (self.temperature_c - REFERENCE_C)

    @property
    def u_expansion(self) -> float:
        return math.hypot(
            (self.temperature_c - REFERENCE_C) * self.u_expansion_per_k,
            self.expansion_per_k * self.u_temperature_k,
            self.u_expansion_per_k * self.u_temperature_k,
        )


@dataclass(frozen=True)
class Corrected:
    """A length at 20 °C, the correction that made it, and the standard uncertainty of that correction."""

    length: float
    correction: float
    standard_uncertainty: float


def at_reference(length: float, axis: Body, scale: Body | None = None) -> Corrected:
    """`length`, as read, at 20 °C; without `scale` the gauge is taken to be right at its own temperature.

    >>> round(at_reference(1.0, Body(22.0, 11.5e-6)).correction * 1e6, 3)
    -23.0
    """
    finite(length, "the length")
    relative = (scale.expansion if scale else 0.0) - axis.expansion
    u = abs(length) * math.hypot(axis.u_expansion, scale.u_expansion if scale else 0.0)
    return Corrected(length * (1 + relative), length * relative, u)
