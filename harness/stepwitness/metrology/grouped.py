"""Moments of many groups at once: long readings by the million, whole or in chunks, on one machine or several.

1. Each chunk is taken relative to its groups' first readings and summed in one pass of arrays; chunks merge by the
   pairwise formula (Chan, Golub and LeVeque, 1979), so the order and the size of chunks change nothing but the last
   digits.
2. What is kept is five numbers a group, however many readings pass.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stepwitness.metrology.inputs import Floats, frozen
from stepwitness.metrology.positioning import Positioning
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

_CHUNK = 16_384
"""Readings taken in at once: as many as the processor's cache holds with all that is made of them."""


class GroupedMoments:
    """Counts, means and sums of squared deviations of `groups` groups, numbered from 0."""

    def __init__(self, groups: int) -> None:
        if groups < 1:
            raise BadReadings(f"{groups} groups")
        self.n: Floats = np.zeros(groups)
        self._mean: Floats = np.zeros(groups)
        self._squares: Floats = np.zeros(groups)

    def add(self, groups: ArrayLike, values: ArrayLike) -> None:
        """A chunk of readings, shape (n,) each.

        Raises
        ------
        BadReadings : shapes that differ, a group that isn't there, a value that isn't a finite number; then nothing
            of the chunk is taken in.
        """
        at: NDArray[Any] = np.asarray(groups)
        taken = np.asarray(values, dtype=np.float64)
        if at.ndim != 1 or at.shape != taken.shape:
            raise BadReadings(f"groups and values have the shapes {at.shape} and {taken.shape}, not one (readings,)")
        if not len(at):
            return
        if at.dtype.kind not in "iu":
            raise BadReadings("groups aren't whole numbers")
        if int(at.min()) < 0 or int(at.max()) >= len(self.n):
            raise BadReadings(f"a group outside 0 to {len(self.n) - 1}")
        good = np.isfinite(taken)
        if not good.all():
            bad = int(np.argmin(good))
            raise BadReadings(f"reading {bad} is {taken[bad]}, which is no reading")
        size = len(self.n)
        counts = np.asarray(np.bincount(at, minlength=size), dtype=np.float64)
        origin = np.zeros(size)
        origin[at] = taken  # any reading of the group will do
        shifted = taken - origin[at]
        mean = np.bincount(at, weights=shifted, minlength=size) / np.maximum(counts, 1.0)
        shifted -= mean[at]
        np.multiply(shifted, shifted, out=shifted)
        squares = np.asarray(np.bincount(at, weights=shifted, minlength=size), dtype=np.float64)
        self._take(counts, origin + mean, squares)

    def merge(self, other: GroupedMoments) -> None:
        """Take in all that `other`, of as many groups, has seen."""
        if len(other.n) != len(self.n):
            raise BadReadings(f"{len(other.n)} groups don't merge into {len(self.n)}")
        self._take(other.n, other._mean, other._squares)

    def _take(self, n: Floats, mean: Floats, squares: Floats) -> None:
        both = self.n + n
        share = np.divide(n, both, out=np.zeros_like(both), where=both > 0)
        apart = mean - self._mean
        self._squares = self._squares + squares + apart**2 * self.n * share
        self._mean = np.where(self.n > 0, self._mean + apart * share, np.where(n > 0, mean, 0.0))
        self.n = both

    @property
    def mean(self) -> Floats:
        """Shape (groups,); NaN for a group that is empty."""
        return np.where(self.n > 0, self._mean, np.nan)

    @property
    def sd(self) -> Floats:
        """Sample standard deviations; NaN for a group with fewer than two readings."""
        variance: Floats = np.divide(self._squares, self.n - 1, out=np.full(len(self.n), np.nan), where=self.n > 1)
        return np.asarray(np.sqrt(variance), dtype=np.float64)


def groups_of(target_index: ArrayLike, up: ArrayLike) -> NDArray[np.int64]:
    """Group numbers of stops, shape (n,): twice the target's index, and one more where it was approached upwards.

    Raises
    ------
    BadReadings : shapes that differ, indices that aren't whole numbers from 0 on, directions that aren't true or false
        (a word for a direction would count as true, whichever it is).
    """
    at, ways = np.asarray(target_index), np.asarray(up)
    if at.ndim != 1 or at.shape != ways.shape:
        raise BadReadings(f"targets and directions have the shapes {at.shape} and {ways.shape}, not one (readings,)")
    if at.size and ways.dtype.kind != "b":
        raise BadReadings("directions are true for up and false for down")
    if at.size and (at.dtype.kind not in "iu" or int(at.min()) < 0):
        raise BadReadings("target indices are whole numbers from 0 on")
    numbers: NDArray[np.int64] = at.astype(np.int64, copy=False) * 2 + ways.astype(bool)
    return numbers


def positioning_of(moments: GroupedMoments) -> Positioning:
    """ISO 230-2 figures of moments by `groups_of`.

    Raises
    ------
    BadReadings : an odd number of groups, or groups that haven't as many readings as the rest.
    NotEnoughReadings : fewer than two readings in each.
    """
    if len(moments.n) % 2:
        raise BadReadings("a target lacks a direction")
    n = int(moments.n.max())
    short = np.flatnonzero(moments.n != n)
    if len(short):
        index, up = divmod(int(short[0]), 2)
        raise BadReadings(
            f"target {index} has {int(moments.n[short[0]])} runs {'up' if up else 'down'}, others have {n}"
        )
    if n < 2:
        raise NotEnoughReadings("one run each way has no standard deviation; 2 runs are the least")
    mean, sd = moments.mean, moments.sd
    return Positioning(
        mean_up=frozen(mean[1::2]), mean_down=frozen(mean[0::2]), s_up=frozen(sd[1::2]), s_down=frozen(sd[0::2]), n=n
    )


def positioning_of_long(target_index: ArrayLike, up: ArrayLike, deviations: ArrayLike) -> Positioning:
    """ISO 230-2 figures of readings in long format, shape (readings,) each, in any order."""
    index, ways, values = np.asarray(target_index), np.asarray(up), np.asarray(deviations, dtype=np.float64)
    if index.ndim != 1 or not index.shape == ways.shape == values.shape:
        raise BadReadings(f"shapes {index.shape}, {ways.shape} and {values.shape}, not one (readings,)")
    if not len(index):
        raise NotEnoughReadings("no reading, so no positioning figures")
    moments = GroupedMoments(int(groups_of([index.max()], [True])[0]) + 1)
    for start in range(0, len(index), _CHUNK):
        chunk = slice(start, start + _CHUNK)
        moments.add(groups_of(index[chunk], ways[chunk]), values[chunk])
    return positioning_of(moments)
