"""Capability indices: invariants, exact cases and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology import noncentral_t
from stepwitness.metrology.capability import capability, cpm, from_moments, performance
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

values = st.lists(st.integers(-50, 50), min_size=4, max_size=12).filter(lambda v: len(set(v)) > 1)


@settings(max_examples=40)
@given(values, st.integers(-1000, 1000), st.sampled_from([0.25, 4.0, 1e-6]))
def test_shift_and_unit_change_nothing(readings: list[int], shift: int, unit: float) -> None:
    plain = performance(readings, lower=-60.0, upper=70.0)
    moved = performance(
        [(value + shift) * unit for value in readings], lower=(shift - 60) * unit, upper=(shift + 70) * unit
    )

    assert moved.least.value == pytest.approx(plain.least.value, rel=1e-9, abs=1e-12)
    assert moved.least.interval.low == pytest.approx(plain.least.interval.low, rel=1e-8, abs=1e-9)
    assert moved.least.interval.high == pytest.approx(plain.least.interval.high, rel=1e-8, abs=1e-9)
    assert moved.outside_upper == pytest.approx(plain.outside_upper, rel=1e-7)


@settings(max_examples=40)
@given(values)
def test_mirrored_readings_swap_the_limits(readings: list[int]) -> None:
    plain = performance(readings, lower=-60.0, upper=70.0)
    mirrored = performance([-value for value in readings], lower=-70.0, upper=60.0)

    assert plain.lower is not None
    assert mirrored.upper is not None
    assert mirrored.upper.value == pytest.approx(plain.lower.value, rel=1e-12)
    assert mirrored.outside_upper == pytest.approx(plain.outside_lower, rel=1e-9)


@settings(max_examples=40)
@given(values, st.permutations(range(4)))
def test_order_changes_nothing(readings: list[int], order: list[int]) -> None:
    shuffled = [readings[place] for place in order] + readings[4:]

    assert performance(shuffled, upper=70.0).least.value == pytest.approx(
        performance(readings, upper=70.0).least.value, rel=1e-12, abs=1e-14
    )


@settings(max_examples=40)
@given(values)
def test_more_confidence_is_wider_and_holds_the_value(readings: list[int]) -> None:
    narrow = performance(readings, lower=-60.0, upper=70.0, confidence=0.8).least
    wide = performance(readings, lower=-60.0, upper=70.0, confidence=0.99).least

    assert wide.interval.low < narrow.interval.low < narrow.value < narrow.interval.high < wide.interval.high


def test_the_bounds_invert_the_noncentral_t() -> None:
    result = from_moments(0.0, 1.0, n=12, degrees_of_freedom=11, upper=4.0)
    t = 3.0 * math.sqrt(12) * result.least.value

    for bound, chance in ((result.least.interval.low, 0.975), (result.least.interval.high, 0.025)):
        assert stats.nct.cdf(t, 11, 3.0 * math.sqrt(12) * bound) == pytest.approx(chance, rel=1e-9)


@pytest.mark.parametrize(("t", "df"), [(0.0, 3), (-5.0, 4), (2.0, 1), (300.0, 900), (3000.0, 9)])
def test_noncentrality_is_found_for_hard_cases(t: float, df: int) -> None:
    for chance in (0.001, 0.5, 0.999):
        found = noncentral_t.noncentrality(t, chance, df=df)
        assert noncentral_t.cdf(t, df=df, noncentrality=found) == pytest.approx(chance, rel=1e-7)


def test_single_limit_has_no_spread_index() -> None:
    result = performance([1.0, 2.0, 3.0], upper=9.0)

    assert result.spread is None
    assert result.lower is None
    assert result.outside_lower == 0.0
    assert result.least == result.upper


def test_within_subgroups() -> None:
    """Subgroups far apart: capability forgets that, performance doesn't. By hand: pooled sd 1, mean 5."""
    groups = [[-1.0, 0.0, 1.0], [9.0, 10.0, 11.0]]
    inside = capability(groups, lower=-10.0, upper=20.0)
    overall = performance(np.concatenate(groups), lower=-10.0, upper=20.0)

    assert (inside.sd, inside.mean, inside.degrees_of_freedom, inside.within) == (1.0, 5.0, 4, True)
    assert inside.least.value == 5.0
    assert overall.least.value == pytest.approx(15.0 / (3.0 * math.sqrt(154.0 / 5.0)))
    assert not overall.within


def test_a_subgroup_of_one_adds_to_the_mean_alone() -> None:
    result = capability([[0.0, 2.0], [7.0]], upper=10.0)

    assert (result.mean, result.degrees_of_freedom, result.sd) == (3.0, 1, math.sqrt(2.0))


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="no spread"):
        performance([1.0, 1.0, 1.0], upper=2.0)
    with pytest.raises(NotEnoughReadings, match="2 is the least"):
        performance([1.0], upper=2.0)
    with pytest.raises(BadReadings, match="reading 1 is nan"):
        performance([1.0, math.nan], upper=2.0)
    with pytest.raises(BadReadings, match="neither"):
        performance([1.0, 2.0])
    with pytest.raises(BadReadings, match="confidence"):
        performance([1.0, 2.0], upper=3.0, confidence=95.0)
    with pytest.raises(NotEnoughReadings, match="no subgroup of two"):
        capability([[1.0], [2.0]], upper=3.0)
    with pytest.raises(NotEnoughReadings, match="within any subgroup"):
        capability([[1.0, 1.0], [2.0, 2.0]], upper=3.0)
    with pytest.raises(NotEnoughReadings, match="degrees of freedom"):
        from_moments(0.0, 1.0, n=1, degrees_of_freedom=0, upper=1.0)
    with pytest.raises(NotEnoughReadings, match="every reading is the target"):
        cpm([1.0, 1.0], target=1.0, lower=0.0, upper=2.0)
