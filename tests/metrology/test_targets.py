"""Targets, least tests and cycles, after ISO 230-2 (numbers from memory)."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.targets import (
    Cycle,
    LeastTest,
    least_test,
    shortfalls,
    target_positions,
    visits,
)


@pytest.mark.parametrize(
    ("travel_m", "least"),
    [
        (0.06, LeastTest(5, 5)),
        (1.0, LeastTest(5, 5)),
        (1.01, LeastTest(6, 5)),
        (2.0, LeastTest(10, 5)),
        (4.0, LeastTest(17, 1)),
    ],
)
def test_least_tests(travel_m: float, least: LeastTest) -> None:
    assert least_test(travel_m) == least


@given(travel_m=st.floats(0.01, 5.0), more=st.integers(0, 5))
def test_a_test_of_the_least_size_conforms_and_a_smaller_one_doesnt(travel_m: float, more: int) -> None:
    least = least_test(travel_m)
    enough = max(least.runs, 5) + more

    assert shortfalls(travel_m, targets=least.targets + more, runs=enough) == ()
    assert len(shortfalls(travel_m, targets=least.targets - 1, runs=enough)) == 1


def test_every_shortfall_is_told() -> None:
    told = shortfalls(0.06, targets=3, runs=2, cycle=Cycle.STEP)

    assert [text.split(" ")[0] for text in told] == ["the", "3", "2"]
    assert "never for acceptance" in told[0]
    assert "no repeatability" in shortfalls(3.0, targets=13, runs=1)[0]


@given(
    count=st.integers(2, 40),
    seed=st.integers(0, 1000),
    pitch=st.none() | st.floats(1e-4, 0.05),
)
def test_targets_rise_and_keep_their_ends(count: int, seed: int, pitch: float | None) -> None:
    found = target_positions(0.001, 0.059, count, seed=seed, pitch=pitch)

    assert (found[0], found[-1]) == (0.001, 0.059)
    assert all(a < b for a, b in itertools.pairwise(found))
    assert found == target_positions(0.001, 0.059, count, seed=seed, pitch=pitch)


def test_a_random_part_of_one_pitch_samples_every_phase() -> None:
    # 29 intervals of 2 mm at a lead of 2 mm would all read one phase
    pitch = 0.002
    phases = [(x / pitch) % 1 for s in range(20) for x in target_positions(0.0, 0.058, 30, seed=s, pitch=pitch)[1:-1]]

    counts, _ = np.histogram(phases, bins=10, range=(0, 1))
    assert counts.min() > 0.5 * len(phases) / 10


def test_cycles() -> None:
    standard = visits(3, 2)

    assert standard[:6] == [(0, 0, True), (1, 0, True), (2, 0, True), (2, 0, False), (1, 0, False), (0, 0, False)]
    assert visits(2, 2, Cycle.STEP)[:4] == [(0, 0, True), (0, 0, False), (0, 1, True), (0, 1, False)]
    assert sorted(standard) == sorted(visits(3, 2, Cycle.STEP))


@pytest.mark.parametrize(("low", "high", "count"), [(0.0, 1.0, 1), (1.0, 0.0, 3), (0.0, 0.0, 2)])
def test_no_targets(low: float, high: float, count: int) -> None:
    with pytest.raises(BadReadings):
        target_positions(low, high, count, seed=1)


def test_no_travel() -> None:
    with pytest.raises(BadReadings):
        least_test(0.0)
