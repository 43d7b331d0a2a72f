# ruff: noqa: N802  (the figures bear the standard's own symbols)
"""Accuracy and repeatability of positioning, after ISO 230-2:2014.

1. Deviations go in as actual minus target position, in any unit of length; every figure comes out in it.
2. Formulas in our own words, confirmed against a public script that follows the definitions of the 2006
   edition (2.10 to 2.24); the text of the standard wasn't at hand and the 2014 wording is from memory.
3. A reading that isn't a number, a direction that is missing and runs that don't match raise `BadReadings`,
   which says at which target. One run each way has no standard deviation and raises `NotEnoughReadings`.

References
----------
.. [1] ISO 230-2:2014, Test code for machine tools, Part 2: Determination of accuracy and repeatability of
   positioning of numerically controlled axes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, Running, finite

Floats = NDArray[np.float64]

COVERAGE = 2.0
"""The standard's coverage factor, in R and in A."""

LEAST_TARGETS = 5
LEAST_TARGETS_PER_METRE = 5
LEAST_RUNS = 5
LONGEST_AXIS_M = 2.0
"""The least test of an axis up to 2 m (ISO 230-2, from memory): 5 targets a metre, 5 in all, 5 runs a way."""


@dataclass(frozen=True, eq=False)
class Positioning:
    """The evaluated test of one axis: m targets, n runs each way.

    Attributes
    ----------
    mean_up, mean_down : shape (m,), x̄ᵢ↑ and x̄ᵢ↓, mean deviation of the n approaches in that direction.
    s_up, s_down : shape (m,), sᵢ↑ and sᵢ↓, sample standard deviation of the same (denominator n − 1).
    n : runs in each direction.

    The arrays are read-only. Figures with an index i in the symbol are arrays of shape (m,), others floats.
    A single target is evaluated too: M is then 0 and E is |B|.
    """

    mean_up: Floats
    mean_down: Floats
    s_up: Floats
    s_down: Floats
    n: int

    @property
    def m(self) -> int:
        """Number of target positions."""
        return len(self.mean_up)

    # -- at each position ------------------------------------------------------------------------------------

    @property
    def mean(self) -> Floats:
        """x̄ᵢ = (x̄ᵢ↑ + x̄ᵢ↓) / 2, the mean bidirectional deviation at a position."""
        return (self.mean_up + self.mean_down) / 2

    @property
    def B_i(self) -> Floats:
        """Bᵢ = x̄ᵢ↑ − x̄ᵢ↓, the reversal value at a position; signed."""
        return self.mean_up - self.mean_down

    @property
    def R_i_up(self) -> Floats:
        """Rᵢ↑ = 4 sᵢ↑, the unidirectional repeatability at a position."""
        return 2 * COVERAGE * self.s_up

    @property
    def R_i_down(self) -> Floats:
        """Rᵢ↓ = 4 sᵢ↓, the unidirectional repeatability at a position."""
        return 2 * COVERAGE * self.s_down

    @property
    def R_i(self) -> Floats:
        """Rᵢ = max(2 sᵢ↑ + 2 sᵢ↓ + |Bᵢ|, Rᵢ↑, Rᵢ↓), the bidirectional repeatability at a position."""
        both = COVERAGE * (self.s_up + self.s_down) + np.abs(self.B_i)
        return np.maximum(both, np.maximum(self.R_i_up, self.R_i_down))

    # -- of the axis -----------------------------------------------------------------------------------------

    @property
    def B(self) -> float:
        """B = max |Bᵢ|, the reversal value of the axis."""
        return float(np.max(np.abs(self.B_i)))

    @property
    def B_mean(self) -> float:
        """B̄ = Σ Bᵢ / m, the mean reversal value of the axis; signed."""
        return float(np.mean(self.B_i))

    @property
    def R_up(self) -> float:
        """R↑ = max Rᵢ↑, the unidirectional repeatability of the axis."""
        return float(np.max(self.R_i_up))

    @property
    def R_down(self) -> float:
        """R↓ = max Rᵢ↓, the unidirectional repeatability of the axis."""
        return float(np.max(self.R_i_down))

    @property
    def R(self) -> float:
        """R = max Rᵢ, the bidirectional repeatability of the axis.

        The greatest of m estimates is biased upward: at n = 5 each sᵢ scatters by about 35 %, and the largest
        is what is taken. The interval that `uncertainty.positioning_budgets` gives is that of Rᵢ at the
        position that governs, as though it had been chosen before the test; it doesn't correct the bias,
        which errs on the side of rejecting.
        """
        return float(np.max(self.R_i))

    @property
    def E_up(self) -> float:
        """E↑ = max x̄ᵢ↑ − min x̄ᵢ↑, the unidirectional systematic deviation of the axis."""
        return float(np.ptp(self.mean_up))

    @property
    def E_down(self) -> float:
        """E↓ = max x̄ᵢ↓ − min x̄ᵢ↓, the unidirectional systematic deviation of the axis."""
        return float(np.ptp(self.mean_down))

    @property
    def E(self) -> float:
        """E = max(x̄ᵢ↑, x̄ᵢ↓) − min(x̄ᵢ↑, x̄ᵢ↓), the bidirectional systematic deviation of the axis."""
        return float(np.ptp(np.concatenate((self.mean_up, self.mean_down))))

    @property
    def M(self) -> float:
        """M = max x̄ᵢ − min x̄ᵢ, the range of the mean bidirectional deviation of the axis."""
        return float(np.ptp(self.mean))

    @property
    def A_up(self) -> float:
        """A↑ = max(x̄ᵢ↑ + 2 sᵢ↑) − min(x̄ᵢ↑ − 2 sᵢ↑), the unidirectional accuracy of the axis."""
        return _accuracy(self.mean_up, self.s_up)

    @property
    def A_down(self) -> float:
        """A↓ = max(x̄ᵢ↓ + 2 sᵢ↓) − min(x̄ᵢ↓ − 2 sᵢ↓), the unidirectional accuracy of the axis."""
        return _accuracy(self.mean_down, self.s_down)

    @property
    def A(self) -> float:
        """A = max(x̄ᵢ↑ + 2 sᵢ↑, x̄ᵢ↓ + 2 sᵢ↓) − min(x̄ᵢ↑ − 2 sᵢ↑, x̄ᵢ↓ − 2 sᵢ↓), the bidirectional accuracy.

        Like R a difference of extremes, and biased upward for the same reason.
        """
        return _accuracy(np.concatenate((self.mean_up, self.mean_down)), np.concatenate((self.s_up, self.s_down)))

    def conforms(self, travel_m: float) -> bool:
        """Whether the test is as large as the standard asks for a measuring travel of `travel_m` metres.

        Five targets a metre and five in all, five runs each way, for axes up to 2 m (from memory). Beyond 2 m
        the standard has another test, which this isn't, so the answer is False.
        """
        least = max(LEAST_TARGETS, math.ceil(LEAST_TARGETS_PER_METRE * travel_m))
        return travel_m <= LONGEST_AXIS_M and self.m >= least and self.n >= LEAST_RUNS


def _accuracy(mean: Floats, s: Floats) -> float:
    return float(np.max(mean + COVERAGE * s) - np.min(mean - COVERAGE * s))


class PositioningAccumulator:
    """Takes deviations one by one, in any order, and keeps three numbers a target and direction.

    Two accumulators (of two shifts, or two journals) merge into one.
    """

    def __init__(self) -> None:
        self._seen: dict[tuple[int, bool], Running] = {}

    def add(self, target_index: int, up: bool, deviation_m: float) -> None:
        """One stop at target `target_index` (from 0), reached in the positive direction where `up`.

        Raises
        ------
        BadReadings : where the deviation isn't a finite number or the index is negative.
        """
        if target_index < 0:
            raise BadReadings(f"target index {target_index} is negative")
        finite(deviation_m, f"the deviation at target {target_index} {_arrow(up)}")
        running = self._seen.get((target_index, up))
        if running is None:
            running = self._seen[target_index, up] = Running()
        running.add(deviation_m)

    def merge(self, other: PositioningAccumulator) -> None:
        """Take in all that `other` has seen."""
        for key, running in other._seen.items():
            self._seen.setdefault(key, Running()).merge(running)

    def result(self) -> Positioning:
        """The figures of all readings so far.

        Raises
        ------
        BadReadings : where a target lacks readings in one direction, or hasn't as many runs as the rest.
        NotEnoughReadings : with no reading at all, or one run each way.
        """
        if not self._seen:
            raise NotEnoughReadings("no reading, so no positioning figures")
        targets = range(1 + max(index for index, _ in self._seen))
        n = max(running.n for running in self._seen.values())
        for index in targets:
            for up in (True, False):
                count = self._seen[index, up].n if (index, up) in self._seen else 0
                if count != n:
                    raise BadReadings(f"target {index} has {count} runs {_arrow(up)}, others have {n}")
        if n < 2:
            raise NotEnoughReadings("one run each way has no standard deviation; 2 runs are the least")

        def column(figure: str, up: bool) -> Floats:
            values = np.array([getattr(self._seen[index, up], figure) for index in targets], dtype=np.float64)
            values.flags.writeable = False
            return values

        return Positioning(
            mean_up=column("mean", True),
            mean_down=column("mean", False),
            s_up=column("sd", True),
            s_down=column("sd", False),
            n=n,
        )


def positioning(deviations_up: ArrayLike, deviations_down: ArrayLike) -> Positioning:
    """Evaluate a whole test at once.

    Parameters
    ----------
    deviations_up, deviations_down : shape (m, n)
        Deviations at m targets (rows, along the axis) in n runs of that direction.

    Raises
    ------
    BadReadings : where the shapes differ or aren't (m, n), or a deviation isn't a finite number.
    NotEnoughReadings : with fewer than one target or two runs.

    Examples
    --------
    >>> result = positioning([[0.0, 2.0], [1.0, 1.0]], [[4.0, 4.0], [2.0, 2.0]])
    >>> result.B, result.B_mean
    (3.0, -2.0)
    """
    up = np.asarray(deviations_up, dtype=np.float64)
    down = np.asarray(deviations_down, dtype=np.float64)
    if up.ndim != 2 or up.shape != down.shape:
        raise BadReadings(f"deviations have the shapes {up.shape} and {down.shape}, not one (targets, runs)")
    m, n = up.shape
    if m < 1 or n < 2:
        raise NotEnoughReadings(f"{m} targets and {n} runs each way; 1 target and 2 runs are the least")
    for values, direction in ((up, True), (down, False)):
        bad = np.argwhere(~np.isfinite(values))
        if len(bad):
            index, run = bad[0]
            finite(float(values[index, run]), f"the deviation at target {index} {_arrow(direction)}")
    (mean_up, s_up), (mean_down, s_down) = _mean_sd(up), _mean_sd(down)
    return Positioning(mean_up=mean_up, mean_down=mean_down, s_up=s_up, s_down=s_down, n=n)


def _mean_sd(deviations: Floats) -> tuple[Floats, Floats]:
    """Mean and sample sd along the runs, shifted by the first run as `Running` is."""
    origin = deviations[:, :1]
    shifted = deviations - origin
    mean = origin[:, 0] + shifted.mean(axis=1)
    s = shifted.std(axis=1, ddof=1)
    for values in (mean, s):
        values.flags.writeable = False
    return mean, s


def _arrow(up: bool) -> str:
    return "up" if up else "down"
