"""What a screw does along its travel: pitch error from turn to turn, and hysteresis as a curve.

1. Deviations are actual minus target; a curve is one value a place, with its standard uncertainty.
2. A pitch error is a difference between places one lead apart; the line through all deviations is the error of the
   mean lead, told on its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stepwitness.metrology.inputs import Floats, frozen, positive, readings
from stepwitness.metrology.positioning import Positioning
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, SlopeAccumulator


@dataclass(frozen=True, eq=False)
class Curve:
    """One value at each place with its standard uncertainty, shape (m,) each; `worst` is where it is greatest."""

    places: Floats
    values: Floats
    uncertainties: Floats

    @property
    def worst(self) -> int:
        return int(np.argmax(np.abs(self.values)))

    @property
    def span(self) -> float:
        """Greatest less least."""
        return float(np.ptp(self.values))


def hysteresis(places: ArrayLike, figures: Positioning) -> Curve:
    """Reversal along the travel: Bᵢ, with u² = (sᵢ↑² + sᵢ↓²)/n at each place (scatter alone)."""
    x = readings(places, "places")
    if len(x) != figures.m:
        raise BadReadings(f"{len(x)} places for {figures.m} targets")
    u = np.sqrt((figures.s_up**2 + figures.s_down**2) / figures.n)
    return Curve(frozen(x), frozen(figures.B_i), frozen(u))


@dataclass(frozen=True, eq=False)
class PitchError:
    """Errors of the lead.

    Attributes
    ----------
    mean_lead_error : relative, the slope of deviation over travel, with its standard uncertainty.
    single : deviation gained over one lead at each place that has another one lead further on.
    cumulative : greatest less least deviation about the line, over the whole travel.
    """

    mean_lead_error: float
    u_mean_lead_error: float
    single: Curve
    cumulative: float


def pitch_error(places: ArrayLike, deviations: ArrayLike, *, lead: float, u_deviation: float = 0.0) -> PitchError:
    """From deviations at places among which some lie one `lead` apart (to a hundredth of it); any order.

    `u_deviation` is the standard uncertainty of one deviation, independent from place to place.

    Raises
    ------
    NotEnoughReadings : fewer than three places, or none one lead apart.
    """
    x, y = readings(places, "places", least=3), readings(deviations, "deviations")
    if len(x) != len(y):
        raise BadReadings(f"{len(x)} places and {len(y)} deviations")
    lead = positive(lead, "the lead")
    if not (math.isfinite(u_deviation) and u_deviation >= 0):
        raise BadReadings(f"a standard uncertainty of {u_deviation}")
    order = np.argsort(x, kind="stable")
    x, y = x[order], y[order]
    due = np.searchsorted(x, x + lead)
    pairs = []
    for i, j in enumerate(due):
        off, k = min((abs(float(x[k] - x[i]) - lead), k) for k in (int(j) - 1, min(int(j), len(x) - 1)))
        if off <= 0.01 * lead:
            pairs.append((i, k))
    if not pairs:
        raise NotEnoughReadings("no two places lie one lead apart")
    line = SlopeAccumulator()
    for place, deviation in zip(x, y, strict=True):
        line.add(float(place), float(place + deviation))
    fitted = line.result()
    about = y - (fitted.intercept + (fitted.slope - 1) * x)
    gained = np.array([y[j] - y[i] for i, j in pairs])
    return PitchError(
        mean_lead_error=fitted.slope - 1,
        u_mean_lead_error=fitted.standard_uncertainty,
        single=Curve(
            frozen(np.array([x[i] for i, _ in pairs])),
            frozen(gained),
            frozen(np.full(len(pairs), math.sqrt(2) * u_deviation)),
        ),
        cumulative=float(np.ptp(about)),
    )
