"""Limits of agreement: by hand, invariants, replicates, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology import agreement
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

PAIRS = st.lists(st.tuples(st.integers(-30, 30), st.integers(-30, 30)), min_size=3, max_size=10).filter(
    lambda pairs: len({a - b for a, b in pairs}) > 1
)


def test_by_hand() -> None:
    """Differences 1, 2, 3: bias 2, sd 1, limits 2 ± 1.96, t interval of the bias 2 ± 4.303/√3."""
    result = agreement.limits_of_agreement([1.0, 4.0, 8.0], [0.0, 2.0, 5.0])

    assert (result.n, result.bias, result.sd) == (3, 2.0, 1.0)
    assert result.upper == pytest.approx(2.0 + 1.959964, abs=1e-6)
    assert result.bias_interval.high == pytest.approx(2.0 + 4.302653 / math.sqrt(3.0), abs=1e-6)
    assert result.bias_p == pytest.approx(float(stats.ttest_1samp([1.0, 2.0, 3.0], 0.0).pvalue), rel=1e-10)
    # sizes 0.5, 3, 6.5: the slope of the differences against them
    assert result.trend == pytest.approx(stats.linregress([0.5, 3.0, 6.5], [1.0, 2.0, 3.0]).slope, rel=1e-12)


@settings(max_examples=40)
@given(PAIRS, st.integers(-99, 99), st.sampled_from([0.5, 4.0]))
def test_shift_of_both_and_unit(pairs: list[tuple[int, int]], shift: int, unit: float) -> None:
    first, second = np.array(pairs, dtype=float).T
    plain = agreement.limits_of_agreement(first, second)
    moved = agreement.limits_of_agreement(unit * (first + shift), unit * (second + shift))

    assert moved.upper == pytest.approx(unit * plain.upper, abs=1e-9)
    assert moved.lower_interval.low == pytest.approx(unit * plain.lower_interval.low, abs=1e-8)


@settings(max_examples=40)
@given(PAIRS)
def test_witnesses_swapped_mirror_the_limits(pairs: list[tuple[int, int]]) -> None:
    first, second = np.array(pairs, dtype=float).T
    plain, swapped = agreement.limits_of_agreement(first, second), agreement.limits_of_agreement(second, first)

    assert swapped.lower == pytest.approx(-plain.upper, abs=1e-12)
    assert swapped.lower_interval.low == pytest.approx(-plain.upper_interval.high, abs=1e-12)
    assert plain.upper_interval.low < plain.upper < plain.upper_interval.high


def test_a_scale_error_shows_as_a_trend() -> None:
    size = np.linspace(0.0, 10.0, 30)
    noise = np.random.default_rng(2).normal(0.0, 0.01, 30)
    result = agreement.limits_of_agreement(size * 1.01 + noise, size * 0.99)

    assert result.trend == pytest.approx(0.02, abs=0.003)
    assert result.trend_interval is not None
    assert 0.0 not in result.trend_interval


def test_replicates_by_hand() -> None:
    """Two replicates, differences 0/2, 4/6, 8/10: means 1, 5, 9, S²ᵤ = 32, S²ᵥ = 2, so (32 + 2)/2 = 17."""
    first = np.array([[0.0, 2.0], [4.0, 6.0], [8.0, 10.0]])
    result = agreement.replicated_agreement(first, np.zeros((3, 2)))

    assert result.bias == 5.0
    assert result.sd == pytest.approx(math.sqrt(17.0))
    assert result.bias_interval.high == pytest.approx(5.0 + 4.302653 * 4.0 / math.sqrt(3.0), abs=1e-6)
    assert result.upper_interval.low < result.upper < result.upper_interval.high


def test_replicates_of_units_that_differ_arent_taken_for_pairs() -> None:
    """Ten replicates of the same difference a unit say nothing new, so the interval must stay as wide as for units."""
    units = np.random.default_rng(1).normal(0.0, 1.0, (8, 1))
    replicated = units + np.random.default_rng(2).normal(0.0, 0.01, (8, 10))
    ours = agreement.replicated_agreement(replicated, np.zeros_like(replicated))
    single = agreement.limits_of_agreement(units[:, 0], np.zeros(8))

    assert ours.upper == pytest.approx(single.upper, rel=0.02)
    assert ours.upper_interval.high == pytest.approx(single.upper_interval.high, rel=0.05)
    assert ours.upper_interval.low == pytest.approx(single.upper_interval.low, rel=0.1)


def test_pairs_for_a_wanted_width() -> None:
    n = agreement.least_pairs(wanted_half_width=0.5, sd=1.0)

    def width(n: int) -> float:
        # n differences with mean 0 and sd 1: half below, half above
        d = np.concatenate((np.full(n // 2, -1.0), np.full(n // 2, 1.0), np.zeros(n % 2)))
        result = agreement.limits_of_agreement(d / d.std(ddof=1), np.zeros(n))
        return (result.upper_interval.high - result.upper_interval.low) / 2

    assert width(n) <= 0.5 + 1e-9 < width(n - 1) + 1e-9


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="4 and 3 readings"):
        agreement.limits_of_agreement([1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0])
    with pytest.raises(NotEnoughReadings, match="no spread"):
        agreement.limits_of_agreement([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    with pytest.raises(NotEnoughReadings, match="3 is the least"):
        agreement.limits_of_agreement([1.0, 2.0], [1.0, 2.0])
    with pytest.raises(BadReadings, match="second witness: reading 0 is nan"):
        agreement.limits_of_agreement([1.0, 2.0, 3.0], [math.nan, 2.0, 3.0])
    with pytest.raises(BadReadings, match="aren't pairs"):
        agreement.replicated_agreement(np.zeros((3, 2)), np.zeros((3, 3)))
    with pytest.raises(BadReadings, match="has no answer"):
        agreement.least_pairs(wanted_half_width=0.0, sd=1.0)
    with pytest.raises(NotEnoughReadings, match="a million pairs"):
        agreement.least_pairs(wanted_half_width=1e-4, sd=1.0)
