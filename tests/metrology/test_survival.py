"""Kaplan-Meier and log-rank: by hand, without suspensions, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings
from stepwitness.metrology.survival import kaplan_meier, log_rank, survival_quantile


def test_by_hand() -> None:
    """Five units; failures at 1 and 3, suspensions at 2 and (with the failure) at 3, one failure at 4."""
    falls = kaplan_meier([1.0, 2.0, 3.0, 3.0, 4.0], [1, 0, 1, 0, 1])

    assert [fall.at_risk for fall in falls] == [5, 3, 1]
    assert [fall.survival for fall in falls] == pytest.approx([0.8, 0.8 * 2 / 3, 0.0])
    assert falls[1].standard_error == pytest.approx(0.8 * 2 / 3 * math.sqrt(1 / 20 + 1 / 6))
    assert (falls[2].interval.low, falls[2].interval.high) == (0.0, 1.0)
    assert survival_quantile(falls) == 4.0


@given(st.lists(st.integers(1, 30), min_size=2, max_size=25))
def test_without_suspensions_it_is_the_fraction_alive(times: list[int]) -> None:
    falls = kaplan_meier(times, [1] * len(times))

    for fall in falls:
        assert fall.survival == pytest.approx(float(np.mean(np.array(times) > fall.time)), abs=1e-12)
        assert 0.0 <= fall.interval.low <= fall.survival <= fall.interval.high <= 1.0


def test_a_curve_that_doesnt_fall_so_far_has_no_median() -> None:
    assert survival_quantile(kaplan_meier([1.0, 2.0, 3.0], [1, 0, 0])) == math.inf


def test_log_rank_is_symmetrical() -> None:
    draw = np.random.default_rng(2)
    first, second = draw.exponential(1.0, 20), draw.exponential(3.0, 15)
    one = log_rank(first, np.ones(20), second, np.ones(15))
    other = log_rank(second, np.ones(15), first, np.ones(20))

    assert one.chi_square == pytest.approx(other.chi_square, rel=1e-10)
    assert one.observed + other.observed == pytest.approx(one.expected + other.expected, rel=1e-12)
    assert log_rank(first, np.ones(20), first, np.ones(20)).chi_square == pytest.approx(0.0, abs=1e-20)


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="no unit failed"):
        kaplan_meier([1.0, 2.0], [0, 0])
    with pytest.raises(BadReadings, match="0 or more"):
        kaplan_meier([-1.0], [1])
    with pytest.raises(BadReadings, match="1 times and 2"):
        kaplan_meier([1.0], [1, 0])
    with pytest.raises(BadReadings, match="reading 0 is nan"):
        kaplan_meier([math.nan], [1])
    with pytest.raises(NotEnoughReadings, match="both groups were watched"):
        log_rank([1.0], [0], [2.0], [1])
