"""Simulated budgets against closed forms, and digits that come again."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st

from stepwitness.findings import COVERAGE_PROBABILITY, Contribution, Estimate
from stepwitness.simulation import simulated


def one(u: float, distribution: str = "normal", dof: float = math.inf) -> Contribution:
    return Contribution("x", u, "B", dof, distribution)


@pytest.mark.parametrize(
    ("budget", "over_u"),
    [
        ((one(1.0),), 2.0),
        ((one(1.0, "rectangular"),), COVERAGE_PROBABILITY * math.sqrt(3)),
        ((one(1.0, "triangular"),), math.sqrt(6) * (1 - math.sqrt(1 - COVERAGE_PROBABILITY))),
        ((one(1.0, "arcsine"),), math.sqrt(2) * math.sin(math.pi / 2 * COVERAGE_PROBABILITY)),
        ((one(1.0, "t", 4.0),), 2.87),  # JCGM 100:2008, table G.2
        ((one(0.6), one(0.8)), 2.0),
    ],
    ids=["normal", "rectangular", "triangular", "arcsine", "t", "two"],
)
def test_against_closed_forms(budget: tuple[Contribution, ...], over_u: float) -> None:
    found = simulated(budget, over_u, "record", "name")
    assert found is not None
    assert found.stable
    assert found.expanded == pytest.approx(over_u, rel=0.03)
    assert found.agrees


def test_where_the_law_of_propagation_supposes_too_much_it_says_so() -> None:
    """U of one rounding is 2u by the law, and 1.65u by its distribution."""
    budget = (one(1.0, "rectangular"),)
    found = simulated(budget, Estimate("x", 0.0, 1.0, budget).expanded_uncertainty, "record")
    assert found is not None
    assert not found.agrees


def test_the_law_and_the_simulation_agree_on_a_budget_as_it_comes_from_a_bench() -> None:
    """Five reversals, both witnesses rounded: k by Welch–Satterthwaite is what the simulation needs too."""
    budget = (Contribution("scatter", 1.0, "A", 6.0, "t"), one(0.5, "triangular"), one(0.4, "triangular"))
    estimate = Estimate("x", 0.0, math.hypot(1.0, 0.5, 0.4), budget)
    found = simulated(budget, estimate.expanded_uncertainty, "record")
    assert found is not None
    assert found.agrees
    assert abs(found.expanded - 2 * estimate.standard_uncertainty) > 0.1, "k = 2 would have been too little"


def test_the_same_names_give_the_same_digits() -> None:
    budget = (one(1.0, "t", 5.0), one(0.5, "rectangular"))
    assert simulated(budget, 2.0, "a", "b") == simulated(budget, 2.0, "a", "b")
    assert simulated(budget, 2.0, "a", "b") != simulated(budget, 2.0, "a", "c")


@profile(max_examples=20)
@given(scale=st.floats(1e-9, 1e9))
def test_it_scales_with_its_unit(scale: float) -> None:
    plain = simulated((one(1.0, "rectangular"), one(0.5)), 2.0, "a")
    scaled = simulated((one(scale, "rectangular"), one(0.5 * scale)), 2.0 * scale, "a")
    assert plain is not None
    assert scaled is not None
    # the digit of u that has to be right may fall elsewhere, and with it the number of trials
    assert scaled.expanded == pytest.approx(scale * plain.expanded, rel=0.04)


def test_two_readings_never_settle_and_nothing_is_claimed_of_them() -> None:
    found = simulated((one(1.0, "t", 1.0),), 13.97, "a")
    assert found is not None
    assert not found.stable
    assert not found.agrees
    assert simulated((one(1.0, "t", 3.0),), 3.31, "a").stable  # type: ignore[union-attr]


@pytest.mark.parametrize("budget", [(), (one(0.0),), (one(1.0, "lognormal"),)])
def test_what_cant_be_drawn_isnt(budget: tuple[Contribution, ...]) -> None:
    assert simulated(budget, 1.0, "a") is None
