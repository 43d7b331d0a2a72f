"""Errors that repeat along the travel: least squares at known periods, such as one lead and one electrical cycle.

1. Deviation = line + Σ a cos(2πx/P) + b sin(2πx/P). The line takes zero and pitch error out, so that they are no part
   of an amplitude.
2. Each period's significance is an F-test of its two coefficients. Amplitudes of noise alone are never zero, so
   without significance an amplitude is an upper bound and no finding.
3. Places that sample two periods alike can't tell them apart, and this is refused, not resolved.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from stepwitness.metrology.budget import coverage_factor
from stepwitness.metrology.inputs import Floats, readings
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

WORST_CONDITION = 1e4
"""Of the normalised columns: beyond it the places don't tell the periods (or a period and the line) apart."""


@dataclass(frozen=True)
class Harmonic:
    """One period's part of the deviation: amplitude · cos(2π x / period − phase).

    Attributes
    ----------
    amplitude, u_amplitude : in the deviation's unit; the uncertainty by first order, good where the amplitude is
        several times as large.
    phase_rad, u_phase_rad : at x = 0; without meaning where it isn't significant.
    p_value : probability of an amplitude as great from scatter alone.
    greatest : amplitude that is exceeded with 5 % probability, at most; what can be claimed where nothing was found.
    """

    period: float
    amplitude: float
    u_amplitude: float
    phase_rad: float
    u_phase_rad: float
    p_value: float
    greatest: float


@dataclass(frozen=True)
class PeriodicFit:
    """`intercept` and `slope` of the line, harmonics in the order asked, residual standard deviation and its degrees
    of freedom."""

    intercept: float
    slope: float
    u_slope: float
    harmonics: tuple[Harmonic, ...]
    residual_sd: float
    degrees_of_freedom: int


def periodic_error(places: ArrayLike, deviations: ArrayLike, periods: Sequence[float]) -> PeriodicFit:
    """Fit the periods to deviations at `places`, both of shape (n,), n at least 2 periods · 2 + 3.

    Raises
    ------
    BadReadings : shapes that differ, a period that isn't positive or stands twice, places that can't tell them apart.
    NotEnoughReadings : too few readings to have a residual.
    """
    x, y = readings(places, "places"), readings(deviations, "deviations")
    if len(x) != len(y):
        raise BadReadings(f"{len(x)} places and {len(y)} deviations")
    if not periods or any(not (math.isfinite(p) and p > 0) for p in periods) or len(set(periods)) < len(periods):
        raise BadReadings(f"periods {tuple(periods)}; different positive ones are due")
    columns = 2 + 2 * len(periods)
    if len(x) <= columns:
        raise NotEnoughReadings(f"{len(x)} readings for {columns} unknowns; {columns + 1} are the least")
    origin, first = float(x.mean()), float(y.mean())
    if float(np.ptp(x)) == 0.0:
        raise BadReadings("all places are the same")
    design = _design(x, origin, periods)
    scale = np.sqrt(np.sum(design**2, axis=0))
    if _condition(design) > WORST_CONDITION:
        raise BadReadings("the places don't tell these periods apart; choose places at other phases")
    solution, residual = np.zeros(columns), y - first
    for _ in range(2):  # once more on what is left, so that a steep line leaves no more than its own rounding
        more, *_ = np.linalg.lstsq(design / scale, residual, rcond=None)
        solution = solution + more / scale
        residual = y - first - design @ solution
    dof = len(x) - columns
    # a reading and the fit to it are good to a few bits; without that, what rounding leaves of an exactly straight line
    # would be held against what else rounding leaves of it
    rounding = 4 * float(np.finfo(np.float64).eps) * float(np.max(np.abs(y)))
    variance = float(residual @ residual) / dof + rounding**2
    covariance = np.linalg.inv((design / scale).T @ (design / scale)) / np.outer(scale, scale)
    return PeriodicFit(
        intercept=first + float(solution[0]) - float(solution[1]) * origin,
        slope=float(solution[1]),
        u_slope=math.sqrt(variance * float(covariance[1, 1])),
        harmonics=tuple(
            _harmonic(period, solution[at : at + 2], covariance[at : at + 2, at : at + 2], variance, dof)
            for at, period in zip(range(2, columns, 2), periods, strict=True)
        ),
        residual_sd=math.sqrt(variance),
        degrees_of_freedom=dof,
    )


def condition(places: ArrayLike, periods: Sequence[float]) -> float:
    """How badly `places` tell the periods and the line apart: 1 for perfectly, infinite for not at all."""
    x = readings(places, "places")
    return _condition(_design(x, float(x.mean()), periods))


def _condition(design: Floats) -> float:
    scale = np.sqrt(np.sum(design**2, axis=0))
    return math.inf if np.any(scale == 0.0) else float(np.linalg.cond(design / scale))


def _design(x: Floats, origin: float, periods: Sequence[float]) -> Floats:
    columns = [np.ones_like(x), x - origin]
    for period in periods:
        phase = 2 * np.pi * np.remainder(x / period, 1.0)
        columns += [np.cos(phase), np.sin(phase)]
    return np.column_stack(columns)


def _harmonic(period: float, pair: Floats, covariance: Floats, variance: float, dof: int) -> Harmonic:
    a, b = float(pair[0]), float(pair[1])
    amplitude = math.hypot(a, b)
    along = pair / amplitude if amplitude else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    u = math.sqrt(variance * float(along @ covariance @ along))
    u_across = math.sqrt(variance * float(across @ covariance @ across))
    explained = float(pair @ np.linalg.solve(covariance, pair)) / 2
    by_chance = 1.0 if amplitude == 0.0 else 0.0
    p_value = float(special.fdtrc(2, dof, explained / variance)) if variance > 0 else by_chance
    return Harmonic(
        period=period,
        amplitude=amplitude,
        u_amplitude=u,
        phase_rad=math.atan2(b, a),
        u_phase_rad=u_across / amplitude if amplitude else math.pi / math.sqrt(3),
        p_value=p_value,
        greatest=amplitude + coverage_factor(dof, 0.90) * max(u, u_across),
    )
