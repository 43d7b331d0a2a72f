"""Sampling by variables: against simulation, agreement of one and two limits, plans, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from stepwitness.metrology import variables_sampling as variables
from stepwitness.metrology.operating_characteristic import quality_accepted
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def test_one_limit_by_simulation() -> None:
    draw = np.random.default_rng(3)
    values = draw.standard_normal((40_000, 8))
    limit = -float(special.ndtri(0.03))
    accepted = (limit - values.mean(axis=1)) / values.std(axis=1, ddof=1) >= 1.5

    assert np.mean(accepted) == pytest.approx(variables.accept_one_limit(8, 1.5, 0.03), abs=0.011)


@pytest.mark.parametrize(
    ("n", "below", "above"), [(10, 0.02, 0.02), (10, 0.1, 0.05), (5, 0.005, 0.03), (30, 0.04, 0.02)]
)
def test_two_limits_by_simulation(n: int, below: float, above: float) -> None:
    draw = np.random.default_rng(n)
    low, high = float(special.ndtri(below)), -float(special.ndtri(above))
    accepted = [
        variables.judge(row, k=1.5, figure="reading", lower=low, upper=high).accepted
        for row in draw.standard_normal((6000, n))
    ]

    stated = variables.accept_two_limits(n, 1.5, fraction_lower=below, fraction_upper=above)
    assert np.mean(accepted) == pytest.approx(stated, abs=0.03)


@pytest.mark.parametrize("n", [5, 20, 100])
def test_two_limits_come_down_to_one(n: int) -> None:
    """With hardly anything beyond the lower limit the upper one decides alone."""
    both = variables.accept_two_limits(n, 1.5, fraction_lower=1e-12, fraction_upper=0.02)

    assert both == pytest.approx(variables.accept_one_limit(n, 1.5, 0.02), abs=1e-7)


@settings(max_examples=15)
@given(st.integers(5, 60), st.floats(0.5, 1.7))
def test_the_curve_falls(n: int, k: float) -> None:
    one = [variables.accept_one_limit(n, k, p) for p in (0.001, 0.01, 0.05, 0.2)]
    two = [variables.accept_two_limits(n, k, fraction_lower=p / 3, fraction_upper=p) for p in (0.001, 0.01, 0.05, 0.2)]

    assert one == sorted(one, reverse=True)
    assert two == sorted(two, reverse=True)


def test_the_estimated_fraction_is_unbiased() -> None:
    values = np.random.default_rng(1).standard_normal((20_000, 6))
    index = (1.5 - values.mean(axis=1)) / values.std(axis=1, ddof=1)
    estimates = [variables.estimated_fraction(q, 6) for q in index]

    assert np.mean(estimates) == pytest.approx(float(special.ndtr(-1.5)), abs=0.0025)
    assert variables.estimated_fraction(math.inf, 6) == 0.0
    assert variables.estimated_fraction(0.0, 6) == pytest.approx(0.5)


def test_one_limit_has_the_same_verdict_either_way() -> None:
    """Q ≥ k and estimated ≤ p* are one rule with one limit."""
    for row in np.random.default_rng(2).standard_normal((300, 7)):
        judged = variables.judge(row, k=1.2, figure="mean", upper=2.0)
        assert judged.accepted == (judged.estimated <= judged.allowed) == (judged.index_upper >= 1.2)


@pytest.mark.parametrize(("good", "bad"), [(0.01, 0.08), (0.001, 0.01)])
def test_two_point_plans(good: float, bad: float) -> None:
    plan = variables.two_point_plan(good=good, bad=bad)

    assert plan.producer_risk <= 0.05
    assert variables.accept_one_limit(plan.n, plan.k, bad) == pytest.approx(0.10, abs=1e-9)
    fewer = variables.constant_for(plan.n - 1, fraction=bad, probability_of_acceptance=0.10)
    assert 1.0 - variables.accept_one_limit(plan.n - 1, fewer, good) > 0.05


def test_a_matched_plan_takes_fewer_readings_for_the_same_risks() -> None:
    plan = variables.matched_plan(80, 2)

    assert plan.n < 80
    good = quality_accepted(80, 2, probability_of_acceptance=0.95)
    assert variables.accept_one_limit(plan.n, plan.k, good) >= 0.95


def test_a_constant_for_two_limits_holds_for_every_sharing() -> None:
    k = variables.two_limit_constant(20, fraction=0.01, probability_of_acceptance=0.95)

    chances = [
        variables.accept_two_limits(20, k, fraction_lower=share * 0.01, fraction_upper=(1 - share) * 0.01)
        for share in (1e-6, 0.05, 0.25, 0.5)
    ]
    assert min(chances) >= 0.95 - 1e-4
    assert k <= variables.constant_for(20, fraction=0.01, probability_of_acceptance=0.95) + 1e-7


@given(st.lists(st.integers(-20, 20), min_size=5, max_size=9).filter(lambda v: len(set(v)) > 1), st.integers(-50, 50))
def test_shift_unit_and_mirror(values: list[int], shift: int) -> None:
    plain = variables.judge(values, k=1.0, figure="reading", lower=-30.0, upper=25.0)
    moved = variables.judge(
        [0.5 * (value + shift) for value in values],
        k=1.0,
        figure="reading",
        lower=0.5 * (shift - 30),
        upper=0.5 * (shift + 25),
    )
    mirrored = variables.judge([-value for value in values], k=1.0, figure="reading", lower=-25.0, upper=30.0)

    assert moved.estimated == pytest.approx(plain.estimated, abs=1e-12)
    assert mirrored.estimated == pytest.approx(plain.estimated, abs=1e-12)
    assert mirrored.index_lower == pytest.approx(plain.index_upper, rel=1e-12)


@pytest.mark.parametrize("figure", ["spread", "extreme"])
def test_a_figure_that_is_a_spread_is_refused(figure: variables.Figure) -> None:
    with pytest.raises(BadReadings, match="sample by attributes instead"):
        variables.judge([1.0, 2.0, 3.0], k=1.0, figure=figure, upper=9.0)


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="two limits take a sample of 5, found 4"):
        variables.judge([1.0, 2.0, 3.0, 4.0], k=1.0, figure="reading", lower=0.0, upper=9.0)
    with pytest.raises(NotEnoughReadings, match="no spread"):
        variables.judge([1.0, 1.0, 1.0], k=1.0, figure="reading", upper=9.0)
    with pytest.raises(BadReadings, match="acceptability constant: reading 0 is nan"):
        variables.judge([1.0, 2.0, 3.0], k=math.nan, figure="reading", upper=9.0)
    with pytest.raises(BadReadings, match="nothing between the limits"):
        variables.accept_two_limits(9, 1.0, fraction_lower=0.6, fraction_upper=0.5)
    with pytest.raises(BadReadings, match="allows nothing"):
        variables.accept_two_limits(5, 3.0, fraction_lower=0.01, fraction_upper=0.01)
    with pytest.raises(BadReadings, match="isn't below"):
        variables.two_point_plan(good=0.1, bad=0.01)
    with pytest.raises(BadReadings, match="the quality index"):
        variables.estimated_fraction(math.nan, 5)
