"""Runs for an uncertainty and for a shift, and what a bench can see: by hand and by simulation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology.design import (
    even_axis,
    power_of_runs,
    runs_for_shift,
    runs_for_uncertainty,
    smallest_defect,
)
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.uncertainty import combine, positioning_budgets


def test_mean_reversal_by_hand() -> None:
    # U = 2 √(2 s² / (n m)): 0.4 with s = 1, m = 10 takes n = 5
    found = runs_for_uncertainty("B_mean", 0.4, scatter=1.0, targets=10)

    assert (found.runs, found.reached, found.floor) == (5, pytest.approx(0.4), pytest.approx(0.0, abs=1e-5))
    assert found.time_s(60.0) == 300.0


@given(wanted=st.floats(0.2, 5.0), figure=st.sampled_from(["B", "R", "E", "A", "R_up", "M"]))
def test_one_run_less_isnt_enough(wanted: float, figure: str) -> None:
    found = runs_for_uncertainty(figure, wanted, scatter=1.0, targets=5)

    assert found.runs is not None
    assert found.reached <= wanted
    if found.runs > 2:
        less = positioning_budgets(even_axis(5, found.runs - 1, scatter=1.0), resolution_m=0.0)[figure]
        assert 2 * combine(less) > wanted


def test_what_instruments_leave_no_number_of_runs_lessens() -> None:
    found = runs_for_uncertainty("E", 1.0, scatter=0.1, targets=5, calibration_u=0.6)

    assert found.runs is None
    assert found.floor == pytest.approx(2 * math.sqrt(2) * 0.6, rel=1e-6)
    assert found.reached > found.floor
    assert found.time_s(10.0) == math.inf


def test_power_by_simulation() -> None:
    rng = np.random.default_rng(1)
    n, shift, trials = 6, 1.5, 20_000
    first, second = rng.standard_normal((2, trials, n))
    seen = stats.ttest_ind(first, second + shift, axis=1).pvalue < 0.05
    alone = stats.ttest_1samp(first, shift, axis=1).pvalue < 0.05

    assert power_of_runs(n, shift, scatter=1.0) == pytest.approx(seen.mean(), abs=0.012)
    assert power_of_runs(n, shift, scatter=1.0, against_known=True) == pytest.approx(alone.mean(), abs=0.012)


def test_without_a_shift_the_power_is_the_false_alarm() -> None:
    assert power_of_runs(5, 0.0, scatter=1.0, false_alarm=0.01) == pytest.approx(0.01)


def test_known_sample_sizes() -> None:
    # d = 0.5, two-sided 5 %, power 80 %: 64 in each of two groups, 34 in one (J. Cohen, Statistical Power Analysis
    # for the Behavioral Sciences, 2nd ed., tables; from memory)
    assert runs_for_shift(0.5, scatter=1.0, power=0.8).runs == 64
    assert runs_for_shift(-0.5, scatter=1.0, power=0.8, against_known=True).runs == 34


def test_a_shift_too_small_to_see() -> None:
    found = runs_for_shift(0.001, scatter=1.0)

    assert found.runs is None
    assert found.reached < 0.1


def test_smallest_defect_is_u_of_the_budget() -> None:
    assert smallest_defect([0.3, 0.4]) == pytest.approx(1.0)
    assert smallest_defect([]) == 0.0


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: runs_for_uncertainty("Z", 1.0, scatter=1.0, targets=5), "'Z' has no budget"),
        (lambda: runs_for_uncertainty("R", 0.0, scatter=1.0, targets=5), "uncertainty wanted"),
        (lambda: runs_for_uncertainty("R", 1.0, scatter=math.nan, targets=5), "a scatter of nan"),
        (lambda: runs_for_uncertainty("R", 1.0, scatter=1.0, targets=0), "targets is 0"),
        (lambda: runs_for_shift(0.0, scatter=1.0), "the shift is 0"),
        (lambda: runs_for_shift(1.0, scatter=0.0), "the scatter is 0"),
        (lambda: runs_for_shift(1.0, scatter=1.0, power=1.0), "the power is 1"),
        (lambda: power_of_runs(1, 1.0, scatter=1.0), "from 2 on"),
    ],
)
def test_refusals(make: Any, said: str) -> None:
    with pytest.raises(BadReadings, match=said):
        make()
