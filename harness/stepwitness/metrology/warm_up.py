"""Warming up: a position that approaches where it settles, y = a + g (1 − exp(−t/τ)), and how fast it still drifts.

1. For a given τ the fit is linear, so τ alone is searched; uncertainties are of first order, from the derivatives at
   the solution (JCGM 100:2008, 5.1.2), and hold where τ is well below the length of the test.
2. A change is found where the fit explains more than scatter would (F-test of its two coefficients beside the mean);
   without one the change is that of a straight line.
3. Where it settles is known only if the readings bend: τ no longer than the test, and known to within half of itself.
   Without that the change over the test and the drift at its end still stand; they need no extrapolation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from stepwitness.metrology.inputs import Floats, readings
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

LEAST_READINGS = 6
LONGEST_OF_TEST = 200.0
"""Time constants up to so many lengths of the test are tried; beyond, an approach is a straight line."""

SIGNIFICANT = 0.01


@dataclass(frozen=True)
class Measured:
    """A value and its standard uncertainty from scatter."""

    value: float
    u: float


@dataclass(frozen=True)
class Approach:
    """What was fitted, in the units of the readings.

    Attributes
    ----------
    start : the position at the first reading. change : from the first reading to the last.
    rate : at the last reading, per unit of time. settled : change from the first reading to the end of all times.
    settle : time constant; endless where no change was found, and a straight line was fitted.
    p_value : probability of such a change by scatter alone.
    bent : whether the readings tell where they settle, so that `settled` and `settle` mean anything.
    """

    start: float
    change: Measured
    rate: Measured
    settled: Measured
    settle: Measured
    residual_sd: float
    degrees_of_freedom: int
    p_value: float
    bent: bool

    @property
    def found(self) -> bool:
        return self.p_value < SIGNIFICANT

    def at(self, since_first: float) -> float:
        """The fitted position, so long after the first reading."""
        if math.isinf(self.settle.value):
            return self.start + self.rate.value * since_first
        return self.start + self.settled.value * -math.expm1(-since_first / self.settle.value)


def warm_up(times: ArrayLike, positions: ArrayLike) -> Approach:
    """Fit an approach to `positions` at `times`, both of shape (n,), n at least 6, in any order.

    Raises
    ------
    NotEnoughReadings : fewer, or all at one time. BadReadings : shapes that differ, a value that isn't a number.
    """
    t, y = readings(times, "times", least=LEAST_READINGS), readings(positions, "positions")
    if len(t) != len(y):
        raise BadReadings(f"{len(t)} times and {len(y)} positions")
    order = np.argsort(t, kind="stable")
    t, y = t[order] - t.min(), y[order]
    if len(np.unique(t)) < 4:
        raise NotEnoughReadings("warming up takes readings at four times or more")
    length, first, dof = float(t[-1]), float(y[0]), len(t) - 3
    shares, values = t / length, y - first  # so that every time constant is one of the test's length
    share = _best(shares, values)
    design = _design(shares, share)
    solution, squares = _fitted(design, values)
    squares += len(t) * (4 * float(np.finfo(np.float64).eps) * float(np.max(np.abs(y)))) ** 2
    variance = squares / dof
    explained = max(0.0, float(np.sum((values - values.mean()) ** 2)) - squares)
    p_value = float(special.fdtrc(2, dof, explained / 2 / variance)) if variance > 0 else 1.0
    if p_value >= SIGNIFICANT:
        return _line(shares, values, first=first, length=length, p_value=p_value)
    growth, left = float(solution[1]), math.exp(-1.0 / share)
    bend = -growth * (shares / share**2) * np.exp(-shares / share)
    inverse = _inverse(np.column_stack((design, bend)))

    def derived(value: float, by_growth: float, by_share: float) -> Measured:
        """From the derivatives by growth and by the share of the time constant."""
        return Measured(
            value, math.sqrt(variance) * float(np.linalg.norm(np.array([0.0, by_growth, by_share]) @ inverse))
        )

    settle = derived(share * length, 0.0, length)
    return Approach(
        start=first + float(solution[0]),
        change=derived(growth * -math.expm1(-1.0 / share), -math.expm1(-1.0 / share), -growth * left / share**2),
        rate=derived(
            growth / share / length * left,
            left / share / length,
            growth * left / length * (1.0 / share**3 - 1.0 / share**2),
        ),
        settled=derived(growth, 1.0, 0.0),
        settle=settle,
        residual_sd=math.sqrt(variance),
        degrees_of_freedom=dof,
        p_value=p_value,
        bent=settle.value <= length and settle.u <= settle.value / 2,
    )


def _line(shares: Floats, values: Floats, *, first: float, length: float, p_value: float) -> Approach:
    """Where no change was found: the slope of a straight line. An approach would take a single reading for a change."""
    design = np.column_stack((np.ones_like(shares), shares))
    solution, squares = _fitted(design, values)
    dof = len(values) - 2
    u = math.sqrt(squares / dof) * float(np.linalg.norm(_inverse(design)[1]))
    change = Measured(float(solution[1]), u)
    return Approach(
        start=first + float(solution[0]),
        change=change,
        rate=Measured(change.value / length, u / length),
        settled=change,
        settle=Measured(math.inf, math.inf),
        residual_sd=math.sqrt(squares / dof),
        degrees_of_freedom=dof,
        p_value=p_value,
        bent=False,
    )


def _fitted(design: Floats, values: Floats) -> tuple[Floats, float]:
    """Coefficients, and the squares left."""
    solution, *_ = np.linalg.lstsq(design, values, rcond=None)
    residual = values - design @ solution
    return np.asarray(solution, dtype=np.float64), float(residual @ residual)


def _inverse(design: Floats) -> Floats:
    """The pseudoinverse, its columns brought to one size first; its rows have the norm of u over the residual sd."""
    scale = np.sqrt(np.sum(design**2, axis=0))
    scale[scale == 0.0] = 1.0
    return np.asarray(np.linalg.pinv(design / scale) / scale[:, None], dtype=np.float64)


def _design(shares: Floats, share: float) -> Floats:
    return np.column_stack((np.ones_like(shares), -np.expm1(-shares / share)))


def _best(shares: Floats, values: Floats) -> float:
    """The time constant, as a share of the test, with the least squares left; from a grid, then refined."""

    def left(log_share: float) -> float:
        return _fitted(_design(shares, math.exp(log_share)), values)[1]

    shortest = float(np.min(np.diff(np.unique(shares)))) / 3
    grid = np.linspace(math.log(shortest), math.log(LONGEST_OF_TEST), 60)
    at = int(np.argmin([left(one) for one in grid]))
    low, high = grid[max(0, at - 1)], grid[min(len(grid) - 1, at + 1)]
    from scipy import optimize  # costs a third of a second, and most plans have no warm-up to fit

    found = optimize.minimize_scalar(left, bounds=(low, high), method="bounded", options={"xatol": 1e-10})
    return math.exp(float(found.x))
