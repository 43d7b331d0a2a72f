"""What every figure of this room asks of its input, and the interval that most of them return.

1. A reading that isn't a finite number, a shape that doesn't fit, too few readings and readings without spread
   raise `BadReadings` or `NotEnoughReadings`; nothing is dropped, filled in or guessed.
2. Arrays that leave this room are read-only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
"""What an interval is of, where nobody says otherwise."""


@dataclass(frozen=True)
class Interval:
    """Two ends and the confidence that the true value lies between them; either end may be infinite."""

    low: float
    high: float
    confidence: float

    def __contains__(self, value: float) -> bool:
        return self.low <= value <= self.high


def readings(values: ArrayLike, what: str, *, least: int = 1) -> Floats:
    """`values` as shape (n,), n at least `least`.

    Raises
    ------
    BadReadings : not one-dimensional, or with a value that isn't a finite number.
    NotEnoughReadings : fewer than `least`.
    """
    return _checked(values, what, dimensions=1, least=(least,))


def table(values: ArrayLike, what: str, *, least: tuple[int, ...]) -> Floats:
    """`values` as an array with at least `least` entries along each axis, as many axes as `least` has.

    Raises
    ------
    BadReadings, NotEnoughReadings : as for `readings`; rows of unequal length are named as such.
    """
    return _checked(values, what, dimensions=len(least), least=least)


def _checked(values: ArrayLike, what: str, *, dimensions: int, least: tuple[int, ...]) -> Floats:
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise BadReadings(f"{what}: not numbers, or rows of unequal length") from error
    if array.ndim != dimensions:
        raise BadReadings(f"{what}: shape {array.shape}, where {dimensions} axes are due")
    if any(have < need for have, need in zip(array.shape, least, strict=True)):
        due = " × ".join(map(str, least))
        have = " × ".join(map(str, array.shape))
        raise NotEnoughReadings(f"{what}: {have} found, {due} is the least")
    bad = np.argwhere(~np.isfinite(array))
    if len(bad):
        index = tuple(int(place) for place in bad[0])
        at = index[0] if len(index) == 1 else index
        raise BadReadings(f"{what}: reading {at} is {array[index]}, which is no reading")
    return array


def spread(array: Floats, what: str) -> None:
    """Refuse readings that are all the same.

    Raises
    ------
    NotEnoughReadings : where the greatest and the least are equal.
    """
    if array.size and float(np.ptp(array)) == 0.0:
        raise NotEnoughReadings(f"{what}: all {array.size} readings are {array.flat[0]:g}, so there is no spread")


def probability(value: float, what: str) -> float:
    """`value`, where it lies between 0 and 1 and is neither.

    Raises
    ------
    BadReadings : naming `what`.
    """
    if not 0.0 < value < 1.0:
        raise BadReadings(f"{what} is {value}, which doesn't lie between 0 and 1")
    return value


def positive(value: float, what: str) -> float:
    """`value`, where it is finite and above 0.

    Raises
    ------
    BadReadings : naming `what`.
    """
    if not (math.isfinite(value) and value > 0.0):
        raise BadReadings(f"{what} is {value}, which isn't a positive number")
    return value


def count(value: int, what: str, *, least: int = 1) -> int:
    """`value`, where it is a whole number and at least `least`.

    Raises
    ------
    BadReadings : naming `what`.
    """
    if isinstance(value, bool) or int(value) != value or value < least:
        raise BadReadings(f"{what} is {value}; a whole number from {least} on is due")
    return int(value)


def limits(lower: float | None, upper: float | None) -> tuple[float, float]:
    """Specification limits as (lower, upper), infinite where there is none.

    Raises
    ------
    BadReadings : with no limit at all, one that isn't a number, or a lower one that isn't below the upper.
    """
    low = -math.inf if lower is None else float(lower)
    high = math.inf if upper is None else float(upper)
    if math.isinf(low) and math.isinf(high):
        raise BadReadings("neither a lower nor an upper limit")
    if not low < high:
        raise BadReadings(f"the lower limit {low} isn't below the upper limit {high}")
    return low, high


def frozen(array: Floats) -> Floats:
    """A copy of `array` that can't be written to."""
    kept = np.array(array, dtype=np.float64)
    kept.flags.writeable = False
    return kept
