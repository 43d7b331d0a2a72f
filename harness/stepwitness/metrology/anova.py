"""Analysis of variance: one way, and two crossed random factors with replicates.

Readings are taken relative to the first one before anything is squared: the difference of two near doubles is exact
(Sterbenz), so a great common offset costs no digit that the readings themselves have. What a reading lost when its
decimal was rounded to a double is lost: at 10¹² a double is spaced by 1.2·10⁻⁴.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from stepwitness.metrology.inputs import Floats, readings, table
from stepwitness.metrology.statistics import NotEnoughReadings


@dataclass(frozen=True)
class Source:
    """A line of the table: degrees of freedom, sum of squares, mean square (units of the readings squared)."""

    degrees_of_freedom: int
    sum_of_squares: float

    @property
    def mean_square(self) -> float:
        """Sum of squares over degrees of freedom."""
        return self.sum_of_squares / self.degrees_of_freedom


@dataclass(frozen=True)
class OneWay:
    """One factor; `f` and `p` are infinite and 0 where the groups have no spread within."""

    between: Source
    within: Source
    f: float
    p: float
    r_squared: float
    residual_sd: float


def one_way(groups: Sequence[ArrayLike]) -> OneWay:
    """Analysis of variance of groups that may differ in number.

    Parameters
    ----------
    groups : shape (nᵢ,) each, two groups at least.

    Raises
    ------
    BadReadings : a reading that isn't a number.
    NotEnoughReadings : one group, a group without readings, nothing within, or no spread at all.

    Examples
    --------
    >>> table = one_way([[1.0, 2.0, 3.0], [2.0, 3.0, 4.0]])
    >>> table.between.sum_of_squares, table.within.sum_of_squares, table.f
    (1.5, 4.0, 1.5)
    """
    arrays = [readings(group, f"group {index}") for index, group in enumerate(groups)]
    if len(arrays) < 2:
        raise NotEnoughReadings(f"analysis of variance: {len(arrays)} groups found, 2 is the least")
    total = sum(map(len, arrays))
    if total <= len(arrays):
        raise NotEnoughReadings("analysis of variance: every group has one reading, so there is nothing within")
    origin = float(arrays[0][0])
    shifted = [array - origin for array in arrays]
    sums = [math.fsum(array.tolist()) for array in shifted]
    grand = math.fsum(sums) / total
    means = [value / len(array) for value, array in zip(sums, shifted, strict=True)]
    between = math.fsum(len(array) * (mean - grand) ** 2 for mean, array in zip(means, shifted, strict=True))
    within = math.fsum(math.fsum(((array - mean) ** 2).tolist()) for mean, array in zip(means, shifted, strict=True))
    if between == 0.0 and within == 0.0:
        raise NotEnoughReadings("analysis of variance: all readings are the same")
    source_between = Source(len(arrays) - 1, between)
    source_within = Source(total - len(arrays), within)
    f, p = _f_test(source_between, source_within)
    return OneWay(
        between=source_between,
        within=source_within,
        f=f,
        p=p,
        r_squared=between / (between + within),
        residual_sd=math.sqrt(source_within.mean_square),
    )


@dataclass(frozen=True)
class Crossed:
    """Two crossed factors with replicates, balanced; `rows`, `columns` and `replicates` are their numbers.

    `f_interaction` and `p_interaction` test interaction against error.
    """

    rows: int
    columns: int
    replicates: int
    row: Source
    column: Source
    interaction: Source
    error: Source
    f_interaction: float
    p_interaction: float

    @property
    def pooled(self) -> Source:
        """Error with the interaction taken into it."""
        return Source(
            self.interaction.degrees_of_freedom + self.error.degrees_of_freedom,
            self.interaction.sum_of_squares + self.error.sum_of_squares,
        )


def crossed(values: ArrayLike) -> Crossed:
    """Analysis of variance of shape (rows, columns, replicates), each at least 2.

    Raises
    ------
    BadReadings : another shape (so an unbalanced study too), a reading that isn't a number.
    NotEnoughReadings : fewer than two of either factor or of replicates, or no spread at all.
    """
    array = table(values, "crossed study", least=(2, 2, 2))
    p, o, r = array.shape
    y: Floats = array - array[0, 0, 0]
    grand = float(y.mean())
    row, column, cell = y.mean(axis=(1, 2)), y.mean(axis=(0, 2)), y.mean(axis=2)
    crossing = cell - row[:, np.newaxis] - column[np.newaxis, :] + grand
    row_source = Source(p - 1, o * r * float(np.sum((row - grand) ** 2)))
    column_source = Source(o - 1, p * r * float(np.sum((column - grand) ** 2)))
    interaction = Source((p - 1) * (o - 1), r * float(np.sum(crossing**2)))
    error = Source(p * o * (r - 1), float(np.sum((y - cell[:, :, np.newaxis]) ** 2)))
    if (
        row_source.sum_of_squares + column_source.sum_of_squares + interaction.sum_of_squares + error.sum_of_squares
        == 0.0
    ):
        raise NotEnoughReadings("crossed study: all readings are the same")
    f, chance = _f_test(interaction, error)
    return Crossed(p, o, r, row_source, column_source, interaction, error, f, chance)


def _f_test(numerator: Source, denominator: Source) -> tuple[float, float]:
    if denominator.sum_of_squares == 0.0:
        return (math.inf, 0.0) if numerator.sum_of_squares > 0.0 else (math.nan, math.nan)
    f = numerator.mean_square / denominator.mean_square
    return f, float(stats.f.sf(f, numerator.degrees_of_freedom, denominator.degrees_of_freedom))
