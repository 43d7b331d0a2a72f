"""CUSUM and EWMA charts: the paths, the alarms, and the run lengths that they promise.

1. Points go in as readings with a centre and a sd; paths and limits come out in sd (CUSUM) or in the readings' unit
   (EWMA), as is the custom of each.
2. Average run lengths solve the integral equation at Gauss-Legendre nodes, for independent normal points, a known
   centre and sd and a fresh start (zero state). The two-sided CUSUM's follows from its two sides as 1/L = 1/L₊ + 1/L₋.
3. An EWMA chart may have limits that widen from the start or the steady ones; its run length is of the steady ones.

References
----------
.. [1] ISO 7870-4:2021 CUSUM charts and ISO 7870-6:2016 EWMA charts (from memory).
.. [2] J. M. Lucas and R. B. Crosier, Technometrics 24 (1982); J. M. Lucas and M. S. Saccucci, Technometrics 32 (1990).
.. [3] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, special

from stepwitness.metrology.inputs import Floats, frozen, positive, readings
from stepwitness.metrology.statistics import BadReadings

NODES = 60
LARGEST_LIMIT = 60.0


@dataclass(frozen=True, eq=False)
class Cusum:
    """Tabular CUSUM, shape (n,) each, in sd; `alarms` are the indices where either side lies above `decision`.

    After an alarm the sums run on; resetting them belongs to whoever has dealt with the cause.
    """

    high: Floats
    low: Floats
    reference: float
    decision: float
    alarms: tuple[int, ...]


def cusum(
    values: ArrayLike,
    *,
    centre: float,
    sd: float,
    reference: float = 0.5,
    decision: float = 5.0,
    head_start: float = 0.0,
) -> Cusum:
    """C₊ = max(0, C₊ + z − k) and C₋ = max(0, C₋ − z − k) with z = (x − centre)/sd.

    Parameters
    ----------
    values : shape (n,). `reference` : k, half the shift to be seen, in sd. `decision` : h, in sd.
    head_start : where both sums begin, in sd, below h.

    Raises
    ------
    BadReadings : readings or parameters that aren't numbers, sd or decision not above 0, head start beyond h.
    """
    z = (readings(values, "CUSUM") - centre) / positive(sd, "the standard deviation")
    readings([centre, reference, head_start], "centre, reference and head start")
    positive(decision, "the decision limit")
    if reference < 0.0 or not 0.0 <= head_start < decision:
        raise BadReadings(f"CUSUM: reference {reference} and head start {head_start} don't suit the limit {decision}")
    high, low = np.empty_like(z), np.empty_like(z)
    up = down = head_start
    for index, point in enumerate(z.tolist()):
        up, down = max(0.0, up + point - reference), max(0.0, down - point - reference)
        high[index], low[index] = up, down
    beyond = np.flatnonzero((high > decision) | (low > decision))
    return Cusum(frozen(high), frozen(low), reference, decision, tuple(int(index) for index in beyond))


def cusum_run_length(
    *,
    reference: float = 0.5,
    decision: float = 5.0,
    shift: float = 0.0,
    head_start: float = 0.0,
    two_sided: bool = True,
) -> float:
    """Average run length of a CUSUM whose mean lies `shift` sd from the centre (towards the side watched, if one is).

    With a head start the two-sided length is that of Lucas and Crosier's formula. [2]_

    Raises
    ------
    BadReadings : parameters that aren't numbers or are out of range.
    """
    positive(decision, "the decision limit")
    if reference < 0.0 or decision > LARGEST_LIMIT or not 0.0 <= head_start < decision:
        raise BadReadings(
            f"CUSUM: reference {reference}, limit {decision} and head start {head_start} are out of range"
        )
    up, up_zero = _one_side(reference, decision, shift, head_start)
    if not two_sided:
        return up
    down, down_zero = _one_side(reference, decision, -shift, head_start)
    return (up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero)


def _one_side(reference: float, decision: float, shift: float, start: float) -> tuple[float, float]:
    """Run length from `start` and from 0: L(s) = 1 + L(0) Φ(k − δ − s) + ∫₀ʰ L(y) φ(y − s + k − δ) dy."""
    nodes, weights = np.polynomial.legendre.leggauss(max(NODES, int(6 * decision)))
    y: Floats = decision * (nodes + 1.0) / 2.0
    w: Floats = decision * weights / 2.0
    gap = reference - shift
    points = np.concatenate(([0.0], y))
    kernel = np.empty((len(points), len(points)))
    kernel[:, 0] = special.ndtr(gap - points)
    kernel[:, 1:] = w * _density(y[np.newaxis, :] - points[:, np.newaxis] + gap)
    lengths = np.linalg.solve(np.eye(len(points)) - kernel, np.ones(len(points)))
    row = np.concatenate(([special.ndtr(gap - start)], w * _density(y - start + gap)))
    return 1.0 + float(row @ lengths), float(lengths[0])


@dataclass(frozen=True, eq=False)
class Ewma:
    """The path z₁ … zₙ with its limits, shape (n,) each, in the unit of the readings; `alarms` are indices outside."""

    path: Floats
    upper: Floats
    lower: Floats
    weight: float
    width: float
    alarms: tuple[int, ...]


def ewma(
    values: ArrayLike,
    *,
    centre: float,
    sd: float,
    weight: float = 0.2,
    width: float = 3.0,
    steady: bool = False,
) -> Ewma:
    """zᵢ = λxᵢ + (1 − λ)zᵢ₋₁ from the centre on; limits at ± L·sd·√(λ/(2 − λ)·(1 − (1 − λ)²ⁱ)).

    Parameters
    ----------
    values : shape (n,). `weight` : λ, above 0 to 1. `width` : L, in sd of the path.
    steady : whether the limits are those far from the start throughout.

    Raises
    ------
    BadReadings : readings or parameters that aren't numbers or are out of range.
    """
    x = readings(values, "EWMA")
    readings([centre], "the centre")
    positive(sd, "the standard deviation")
    positive(width, "the width of the limits")
    _weight(weight)
    path = np.empty_like(x)
    last = centre
    for index, point in enumerate(x.tolist()):
        last += weight * (point - last)
        path[index] = last
    settled = np.ones(len(x)) if steady else 1.0 - (1.0 - weight) ** (2.0 * np.arange(1, len(x) + 1))
    half = width * sd * np.sqrt(weight / (2.0 - weight) * settled)
    beyond = np.flatnonzero(np.abs(path - centre) > half)
    return Ewma(
        frozen(path),
        frozen(centre + half),
        frozen(centre - half),
        weight,
        width,
        tuple(int(index) for index in beyond),
    )


def ewma_run_length(*, weight: float = 0.2, width: float = 3.0, shift: float = 0.0) -> float:
    """Average run length of a two-sided EWMA with steady limits: L(s) = 1 + ∫ L(y) φ((y − (1 − λ)s)/λ − δ)/λ dy.

    Raises
    ------
    BadReadings : parameters that aren't numbers or are out of range; λ below 0.01, where the chart is a CUSUM.
    """
    _weight(weight)
    if weight < 0.01:
        raise BadReadings(f"EWMA: the weight {weight} is below 0.01; use a CUSUM")
    limit = positive(width, "the width of the limits") * math.sqrt(weight / (2.0 - weight))
    nodes, weights = np.polynomial.legendre.leggauss(max(NODES, int(12 * limit / weight)))
    y: Floats = limit * nodes
    w: Floats = limit * weights

    def row(s: Floats) -> Floats:
        arrived = (y[np.newaxis, :] - (1.0 - weight) * s[:, np.newaxis]) / weight - shift
        return np.asarray(w * _density(arrived) / weight)

    lengths = np.linalg.solve(np.eye(len(y)) - row(y), np.ones(len(y)))
    return 1.0 + float(row(np.zeros(1))[0] @ lengths)


def cusum_decision(*, run_length: float, reference: float = 0.5, two_sided: bool = True) -> float:
    """The decision limit h with that average run length in control.

    Raises
    ------
    BadReadings : a run length that no limit up to 60 sd has.
    """
    return _limit_for(
        run_length, lambda h: cusum_run_length(reference=reference, decision=h, two_sided=two_sided), first=1.0
    )


def ewma_width(*, run_length: float, weight: float = 0.2) -> float:
    """The width L with that average run length in control.

    Raises
    ------
    BadReadings : as for `cusum_decision`.
    """
    return _limit_for(run_length, lambda width: ewma_run_length(weight=weight, width=width), first=2.0)


def _limit_for(run_length: float, length_at: Callable[[float], float], *, first: float) -> float:
    target = math.log(positive(run_length, "the run length"))

    def excess(limit: float) -> float:
        return math.log(length_at(limit)) - target

    low = high = first
    while excess(low) > 0.0:
        low /= 2.0
        if low < 1e-3:
            raise BadReadings(f"a run length of {run_length} is too short for such a chart")
    while excess(high) < 0.0:
        high *= 1.3
        # beyond a length of 1e12 the equations lose their digits, so no limit is sought there
        if high > LARGEST_LIMIT or run_length > 1e12:
            raise BadReadings(f"a run length of {run_length} is too long for such a chart")
    return low if low == high else float(optimize.brentq(excess, low, high, xtol=1e-10, rtol=1e-12))


def _weight(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise BadReadings(f"EWMA: the weight is {weight}; from above 0 to 1 is due")


def _density(z: Floats) -> Floats:
    return np.asarray(np.exp(-z * z / 2.0) / math.sqrt(2.0 * math.pi))
