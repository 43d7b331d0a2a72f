"""Analysis of variance: agreement with scipy, decomposition, invariants, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology.anova import crossed, one_way
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

STUDY = np.random.default_rng(4).normal(5.0, 1.0, (4, 3, 2))


def test_agrees_with_scipy() -> None:
    groups = [np.random.default_rng(seed).normal(seed, 1.0, 5 + seed) for seed in range(3)]
    ours, theirs = one_way(groups), stats.f_oneway(*groups)

    assert ours.f == pytest.approx(theirs.statistic, rel=1e-11)
    assert ours.p == pytest.approx(theirs.pvalue, rel=1e-9)


@given(
    st.lists(st.lists(st.integers(-20, 20), min_size=2, max_size=5), min_size=2, max_size=4).filter(
        lambda groups: len({value for group in groups for value in group}) > 1
    ),
    st.integers(-(10**9), 10**9),
)
def test_an_offset_costs_nothing(groups: list[list[int]], offset: int) -> None:
    plain, moved = one_way(groups), one_way([[value + offset for value in group] for group in groups])

    assert moved.between.sum_of_squares == pytest.approx(plain.between.sum_of_squares, rel=1e-12, abs=1e-12)
    assert moved.within.sum_of_squares == pytest.approx(plain.within.sum_of_squares, rel=1e-12, abs=1e-12)
    values = np.array([value for group in groups for value in group], dtype=float)
    total = plain.between.sum_of_squares + plain.within.sum_of_squares
    assert total == pytest.approx(float(np.sum((values - values.mean()) ** 2)), rel=1e-11)


def test_groups_without_spread_within() -> None:
    result = one_way([[1.0, 1.0], [2.0, 2.0]])

    assert (result.f, result.p) == (math.inf, 0.0)


def test_crossed_squares_add_up() -> None:
    result = crossed(STUDY)
    parts = (result.row, result.column, result.interaction, result.error)

    assert sum(part.sum_of_squares for part in parts) == pytest.approx(float(np.sum((STUDY - STUDY.mean()) ** 2)))
    assert sum(part.degrees_of_freedom for part in parts) == STUDY.size - 1
    assert result.pooled.degrees_of_freedom == 6 + 12


def test_crossed_agrees_with_one_way_over_cells() -> None:
    cells = one_way(list(STUDY.reshape(12, 2)))

    assert crossed(STUDY).error.sum_of_squares == pytest.approx(cells.within.sum_of_squares, rel=1e-12)


def test_swapping_the_factors_swaps_their_lines() -> None:
    plain, swapped = crossed(STUDY), crossed(STUDY.transpose(1, 0, 2))

    assert swapped.row.sum_of_squares == pytest.approx(plain.column.sum_of_squares, rel=1e-12)
    assert swapped.interaction.sum_of_squares == pytest.approx(plain.interaction.sum_of_squares, rel=1e-12)


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="1 groups found"):
        one_way([[1.0, 2.0]])
    with pytest.raises(NotEnoughReadings, match="nothing within"):
        one_way([[1.0], [2.0]])
    with pytest.raises(NotEnoughReadings, match="all readings are the same"):
        one_way([[1.0, 1.0], [1.0, 1.0]])
    with pytest.raises(NotEnoughReadings, match="group 1"):
        one_way([[1.0], []])
    with pytest.raises(BadReadings, match="group 0: reading 1 is nan"):
        one_way([[1.0, math.nan], [1.0]])
    with pytest.raises(BadReadings, match="3 axes are due"):
        crossed([[1.0, 2.0], [3.0, 4.0]])
    with pytest.raises(NotEnoughReadings, match="4 × 3 × 1 found"):
        crossed(STUDY[:, :, :1])
    with pytest.raises(BadReadings, match="unequal length"):
        crossed([[[1.0, 2.0], [3.0]], [[1.0, 2.0], [3.0, 4.0]]])
    with pytest.raises(NotEnoughReadings, match="all readings are the same"):
        crossed(np.ones((2, 2, 2)))
