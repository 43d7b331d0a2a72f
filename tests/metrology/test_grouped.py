"""Long readings in arrays: the same figures as one by one, in any order and any chunks, and a million of them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.grouped import GroupedMoments, groups_of, positioning_of, positioning_of_long
from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, Running

SCALARS = ("B", "B_mean", "R_up", "R_down", "R", "E_up", "E_down", "E", "M", "A_up", "A_down", "A")


def long_format(up: np.ndarray, down: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    m, n = up.shape
    index = np.concatenate([np.repeat(np.arange(m), n)] * 2)
    return index, np.repeat([True, False], m * n), np.concatenate([up.ravel(), down.ravel()])


@given(m=st.integers(1, 6), n=st.integers(2, 6), seed=st.integers(0, 10_000), chunk=st.integers(1, 30))
def test_any_order_and_any_chunks_give_what_the_batch_gives(m: int, n: int, seed: int, chunk: int) -> None:
    rng = np.random.default_rng(seed)
    up, down = 1e3 + rng.standard_normal((2, m, n))
    index, direction, values = long_format(up, down)
    order = rng.permutation(len(values))
    groups, values = groups_of(index[order], direction[order]), values[order]
    streamed, other = GroupedMoments(2 * m), GroupedMoments(2 * m)
    for start in range(0, len(values), chunk):
        into = streamed if (start // chunk) % 2 else other
        into.add(groups[start : start + chunk], values[start : start + chunk])
    streamed.merge(other)

    due = positioning(up, down)
    for found in (positioning_of(streamed), positioning_of_long(index, direction, long_format(up, down)[2])):
        for figure in SCALARS:
            assert getattr(found, figure) == pytest.approx(getattr(due, figure), rel=1e-11, abs=1e-10), figure


def test_a_million_readings_streamed_keep_twelve_digits() -> None:
    rng = np.random.default_rng(1)
    groups = np.tile(np.arange(100), 10_000)
    values = 1e-3 * groups + 1e-6 * rng.standard_normal(1_000_000)
    streamed = GroupedMoments(100)
    for start in range(0, 1_000_000, 37_000):
        streamed.add(groups[start : start + 37_000], values[start : start + 37_000])
    whole = GroupedMoments(100)
    whole.add(groups, values)

    assert np.max(np.abs(streamed.mean / whole.mean - 1)[1:]) < 1e-12
    assert np.max(np.abs(streamed.sd / whole.sd - 1)) < 1e-12
    exact = math.fsum(values[groups == 7]) / 10_000
    assert abs(streamed.mean[7] / exact - 1) < 1e-14


def test_a_spread_on_top_of_ten_million_keeps_its_digits() -> None:
    # as in NIST NumAcc4: a mean of 10,000,000.2 and a standard deviation of 0.1
    values = np.array([10_000_000.2] + [10_000_000.1, 10_000_000.3] * 500)
    moments = GroupedMoments(1)
    moments.add(np.zeros(len(values), dtype=int), values)

    assert moments.sd[0] == pytest.approx(0.1, rel=2e-8)
    assert moments.sd[0] == pytest.approx(Running(values.tolist()).sd, rel=1e-12)


@pytest.mark.parametrize("empty", [0, 1])
def test_groups_without_readings(empty: int) -> None:
    moments = GroupedMoments(2)
    moments.add(np.array([1 - empty, 1 - empty]), np.array([1.0, 3.0]))

    assert math.isnan(moments.mean[empty])
    assert math.isnan(moments.sd[empty])
    assert (moments.mean[1 - empty], moments.sd[1 - empty]) == (2.0, pytest.approx(math.sqrt(2)))


@pytest.mark.parametrize(
    ("make", "error", "said"),
    [
        (lambda: GroupedMoments(0), BadReadings, "0 groups"),
        (lambda: GroupedMoments(2).add([0, 1], [1.0]), BadReadings, "shapes"),
        (lambda: GroupedMoments(2).add([0, 2], [1.0, 1.0]), BadReadings, "outside 0 to 1"),
        (lambda: GroupedMoments(2).add([0.5, 1.0], [1.0, 1.0]), BadReadings, "aren't whole"),
        (lambda: GroupedMoments(2).add([0, 1], [1.0, math.nan]), BadReadings, "reading 1 is nan"),
        (lambda: GroupedMoments(2).add([0, 0], [math.inf, -math.inf]), BadReadings, "reading 0 is inf"),
        (lambda: GroupedMoments(2).merge(GroupedMoments(3)), BadReadings, "don't merge"),
        (lambda: groups_of([-1], [True]), BadReadings, "whole numbers from 0"),
        (lambda: positioning_of_long([], [], []), NotEnoughReadings, "no reading"),
        (lambda: positioning_of_long([0, 0], [True, False], [1.0, 1.0]), NotEnoughReadings, "2 runs are the least"),
        (lambda: positioning_of_long([0] * 3, [True, True, False], [1.0, 2.0, 1.0]), BadReadings, "0 has 1 runs down"),
        (lambda: positioning_of_long([0, 0], [True], [1.0, 1.0]), BadReadings, "not one"),
        (lambda: positioning_of(GroupedMoments(3)), BadReadings, "lacks a direction"),
    ],
)  # fmt: skip
def test_refusals(make: Any, error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        make()


def test_a_chunk_that_is_refused_leaves_nothing_behind() -> None:
    moments = GroupedMoments(1)
    moments.add([0, 0], [1.0, 3.0])
    with pytest.raises(BadReadings):
        moments.add([0, 0], [5.0, math.nan])

    assert (moments.n[0], moments.mean[0]) == (2.0, 2.0)


@pytest.mark.parametrize(
    ("index", "up", "said"),
    [
        ([0, 1, 2], [True], r"shapes \(3,\) and \(1,\)"),
        ([[0, 1]], [[True, False]], "one \\(readings,\\)"),
        ([0, 0], ["up", "down"], "true for up and false for down"),
        ([0, 0], [1, 0], "true for up and false for down"),
    ],
)
def test_directions_that_could_be_taken_for_others_are_refused(index: Any, up: Any, said: str) -> None:
    with pytest.raises(BadReadings, match=said):
        groups_of(index, up)
    with pytest.raises(BadReadings):
        positioning_of_long(index, up, np.zeros(np.shape(index)))
