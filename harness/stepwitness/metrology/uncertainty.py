"""Standard uncertainties of positioning figures, as budgets that can be read line by line.

1. Law of propagation of uncertainty (JCGM 100:2008, 5.1); contributions independent unless a docstring says
   else. Type A: s/√n for a mean, s/√(2(n − 1)) for a standard deviation (JCGM 100:2008, E.4.3).
2. A witness errs in two ways. Its resolution q gives q/√12 on every reading, and averaging doesn't lessen it:
   a steady axis stands at the same phase of the gauge's step each run, and at equal intervals at each target.
   Its calibration error depends on the place along its range: it cancels between two readings at one place
   (so in s, B and R) and enters twice, independently, between two places (E, M, A). ISO/TR 230-9 agrees, from
   memory. Temperature, alignment and set-up aren't in these budgets.
3. Figures that are extremes over the targets (B, R, E, M, A) get the uncertainty of the position, or the two
   positions, that govern, as though chosen before the test. Extremes are biased upward; nothing here corrects
   that. Intervals whose coverage is proved are those of `positioning_intervals`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from stepwitness.metrology.positioning import COVERAGE, Floats, Positioning
from stepwitness.metrology.statistics import NotEnoughReadings, finite


class Line(NamedTuple):
    """One line of a budget: its source, standard uncertainty, type A or B, degrees of freedom and distribution."""

    source: str
    standard_uncertainty: float
    kind: str
    degrees_of_freedom: float = math.inf
    distribution: str = "normal"


Budget = tuple[Line, ...]

HIDDEN_SPREAD = "spread that the witness's resolution may hide"


def combine(lines: Iterable[Line]) -> float:
    """Combined standard uncertainty of independent contributions: the root of their sum of squares."""
    return math.hypot(*(line.standard_uncertainty for line in lines))


def of_resolution(resolution: float) -> float:
    """q/√12, the standard uncertainty of one reading rounded to `resolution` (JCGM 100:2008, F.2.2.1).

    >>> round(of_resolution(1.0), 4)
    0.2887
    """
    return resolution / math.sqrt(12)


def of_mean(s: float, n: int) -> float:
    """s/√n, type A standard uncertainty of the mean of `n` readings with sample standard deviation `s`."""
    if n < 1:
        raise NotEnoughReadings("no reading, so no mean")
    return finite(s, "a standard deviation") / math.sqrt(n)


def of_sd(s: float, n: int) -> float:
    """s/√(2(n − 1)), standard uncertainty of a sample standard deviation from `n` readings.

    The first-order form; at n = 5 it is 35.4 % of s, where the exact one for normal readings is 36.3 %.
    """
    if n < 2:
        raise NotEnoughReadings(f"a standard deviation takes 2 readings at least, found {n}")
    return finite(s, "a standard deviation") / math.sqrt(2 * (n - 1))


def hidden_spread(s: float, resolution: float) -> float:
    """How much spread rounding may have hidden from `s`: √(s² + q²/12) − s.

    Sheppard's correction, taken as an uncertainty and not applied. Five equal readings have s = 0, while the
    axis may have scattered by q/√12 within the gauge's step.
    """
    return math.hypot(s, of_resolution(resolution)) - s


def positioning_budgets(
    figures: Positioning, *, resolution_m: float, calibration_u_m: float = 0.0
) -> dict[str, Budget]:
    """Budgets of B_mean, B, R, R_up, R_down, E, M and A, by the figure's name.

    Parameters
    ----------
    figures : an evaluated test, in the unit of the two below.
    resolution_m : least step of the witness that was read.
    calibration_u_m : its certificate's U/k; 0 where it carries none, and then no budget has that line.

    Examples
    --------
    >>> from stepwitness.metrology.positioning import positioning
    >>> figures = positioning([[0.0, 1.0]], [[4.0, 4.0]])
    >>> budgets = positioning_budgets(figures, resolution_m=0.0)
    >>> round(combine(budgets["B"]), 3)  # s/√n up, nothing down
    0.5
    """
    witness = _Witness(resolution_m, calibration_u_m)
    return {
        "B_mean": _mean_reversal(figures, witness),
        "B": _reversal(figures, witness),
        "R": _repeatability(figures, witness),
        "R_up": _four_s(float(np.max(figures.s_up)), figures.n, witness),
        "R_down": _four_s(float(np.max(figures.s_down)), figures.n, witness),
        "E": _systematic_deviation(figures, witness),
        "M": _mean_deviation(figures, witness),
        "A": _accuracy(figures, witness),
    }


class _Witness(NamedTuple):
    resolution: float
    calibration_u: float

    def rounding_of_difference(self) -> Line:
        u = math.sqrt(2) * of_resolution(self.resolution)
        return Line("resolution of the witness, two positions", u, "B", math.inf, "triangular")

    def hidden(self, factor: float, *spreads: float) -> Line:
        """Spread hidden by rounding; one sign throughout, so that it adds up and isn't squared."""
        total = factor * sum(hidden_spread(s, self.resolution) for s in spreads)
        return Line(HIDDEN_SPREAD, total, "B", math.inf, "rectangular")

    def calibration(self, *, apart: bool) -> Budget:
        if not apart or self.calibration_u == 0.0:
            return ()
        return (Line("calibration of the witness at two places", math.sqrt(2) * self.calibration_u, "B"),)


# -- figures of one place ------------------------------------------------------------------------------------


def _mean_reversal(figures: Positioning, witness: _Witness) -> Budget:
    """u² = Σ (sᵢ↑² + sᵢ↓²) / (n m²), and the rounding of a difference, q/√6."""
    squares = float(np.sum(figures.s_up**2 + figures.s_down**2))
    scatter = math.sqrt(squares / figures.n) / figures.m
    dof = 2 * figures.m * (figures.n - 1)
    return (Line("scatter of the mean reversal", scatter, "A", dof, "t"), witness.rounding_of_difference())


def _reversal(figures: Positioning, witness: _Witness) -> Budget:
    """At the position where |Bᵢ| is greatest: u² = (sᵢ↑² + sᵢ↓²) / n, and q/√6."""
    at = int(np.argmax(np.abs(figures.B_i)))
    return (_scatter_of_reversal(figures, at), witness.rounding_of_difference())


def _scatter_of_reversal(figures: Positioning, at: int) -> Line:
    scatter = math.hypot(of_mean(figures.s_up[at], figures.n), of_mean(figures.s_down[at], figures.n))
    dof = _of_two(figures.s_up[at], figures.s_down[at], figures.n)
    return Line("scatter of the reversal at its position", scatter, "A", dof, "t")


def _repeatability(figures: Positioning, witness: _Witness) -> Budget:
    """At the position where Rᵢ is greatest.

    Where 2 sᵢ↑ + 2 sᵢ↓ + |Bᵢ| governs, u² = 4 u²(sᵢ↑) + 4 u²(sᵢ↓) + u²(Bᵢ), since the mean and the standard
    deviation of normal readings are independent. Where 4 sᵢ of one direction governs, u = 4 u(sᵢ).
    """
    at = int(np.argmax(figures.R_i))
    up, down, n = float(figures.s_up[at]), float(figures.s_down[at]), figures.n
    if 2 * COVERAGE * max(up, down) > COVERAGE * (up + down) + abs(float(figures.B_i[at])):
        return _four_s(max(up, down), n, witness)
    return (
        Line(
            "spread, from few runs", COVERAGE * math.hypot(of_sd(up, n), of_sd(down, n)), "A", _of_two(up, down, n), "t"
        ),
        _scatter_of_reversal(figures, at),
        witness.hidden(COVERAGE, up, down),
        witness.rounding_of_difference(),
    )


def _four_s(s: float, n: int, witness: _Witness) -> Budget:
    """u = 4 u(s)."""
    factor = 2 * COVERAGE
    return (Line("spread, from few runs", factor * of_sd(s, n), "A", n - 1, "t"), witness.hidden(factor, s))


def _of_two(first: float, second: float, n: int) -> float:
    """Degrees of freedom of the sum of two variances from n readings each (Welch–Satterthwaite)."""
    total = first**2 + second**2
    return float((n - 1) * total**2 / (first**4 + second**4)) if total else n - 1.0


# -- figures between two places ------------------------------------------------------------------------------


def _systematic_deviation(figures: Positioning, witness: _Witness) -> Budget:
    """From the two means that govern: u² = s²/n of each, q/√6, and √2 u(calibration).

    Where one target governs both ends (one direction here, the other there), the calibration error cancels.
    """
    mean, s = _both(figures.mean_up, figures.mean_down), _both(figures.s_up, figures.s_down)
    high, low = int(np.argmax(mean)), int(np.argmin(mean))
    return (
        _scatter_of_means(s[high], s[low], figures.n),
        witness.rounding_of_difference(),
        *witness.calibration(apart=high % figures.m != low % figures.m),
    )


def _mean_deviation(figures: Positioning, witness: _Witness) -> Budget:
    """From the two positions that govern: u² = (s↑² + s↓²) / (4 n) of each, q/√6, √2 u(calibration)."""
    high, low = int(np.argmax(figures.mean)), int(np.argmin(figures.mean))
    spreads = [math.hypot(figures.s_up[at], figures.s_down[at]) / 2 for at in (high, low)]
    return (
        _scatter_of_means(spreads[0], spreads[1], figures.n),
        witness.rounding_of_difference(),
        *witness.calibration(apart=high != low),
    )


def _accuracy(figures: Positioning, witness: _Witness) -> Budget:
    """From the two ends that govern: u² = s²/n + 4 u²(s) of each, with rounding and calibration as for E.

    Where one target and direction governs both ends, A is 4 s there and has that budget.
    """
    mean, s = _both(figures.mean_up, figures.mean_down), _both(figures.s_up, figures.s_down)
    high, low = int(np.argmax(mean + COVERAGE * s)), int(np.argmin(mean - COVERAGE * s))
    n = figures.n
    if high == low:
        return _four_s(float(s[high]), n, witness)
    return (
        _scatter_of_means(s[high], s[low], n),
        Line(
            "spread, from few runs",
            COVERAGE * math.hypot(of_sd(s[high], n), of_sd(s[low], n)),
            "A",
            _of_two(s[high], s[low], n),
            "t",
        ),
        witness.hidden(COVERAGE, float(s[high]), float(s[low])),
        witness.rounding_of_difference(),
        *witness.calibration(apart=high % figures.m != low % figures.m),
    )


def _both(up: Floats, down: Floats) -> Floats:
    """One row for both directions; an index modulo m is the target."""
    return np.concatenate((up, down))


def _scatter_of_means(s_high: float, s_low: float, n: int) -> Line:
    scatter = math.hypot(of_mean(s_high, n), of_mean(s_low, n))
    return Line("scatter of the two means that govern", scatter, "A", _of_two(s_high, s_low, n), "t")
