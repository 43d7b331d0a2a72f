"""Decision rules at their edges, probability of conformity, and global risks by simulation."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology.decision import (
    Bell,
    Decision,
    Rule,
    Sampled,
    conformity,
    decide,
    global_risks,
    guard_factor,
)

A, R, N = Decision.ACCEPTED, Decision.REJECTED, Decision.NEITHER


@pytest.mark.parametrize(
    ("margin", "simple", "guarded", "rejection"),
    [(4.5, A, A, A), (4.0, A, A, A), (3.5, A, N, A), (0.0, A, N, A), (-0.5, R, N, A), (-4.0, R, N, A), (-4.5, R, R, R)],
)
def test_rules_at_their_edges(margin: float, simple: Decision, guarded: Decision, rejection: Decision) -> None:
    found = [decide(rule, margin, 4.0) for rule in (Rule.SIMPLE, Rule.GUARDED, Rule.GUARDED_REJECTION)]

    assert found == [simple, guarded, rejection]


@pytest.mark.parametrize(("p", "due"), [(0.951, A), (0.95, A), (0.949, N), (0.051, N), (0.05, R), (0.0, R)])
def test_a_stated_risk_at_its_edges(p: float, due: Decision) -> None:
    assert decide(Rule.STATED_RISK, 0.0, 0.0, probability=p, maximum_risk=0.05) is due


def test_a_stated_risk_needs_a_probability() -> None:
    with pytest.raises(ValueError, match="probability of conformity"):
        decide(Rule.STATED_RISK, 1.0, 1.0)


def test_students_t_is_less_sure_than_the_normal() -> None:
    assert conformity(Bell(0.0, 1.0, 4), upper=2.0) == pytest.approx(stats.t.cdf(2.0, 4))
    assert conformity(Bell(0.0, 1.0, 4), upper=2.0) < conformity(Bell(0.0, 1.0), upper=2.0)


@given(value=st.floats(-10, 10), u=st.floats(0.01, 10), low=st.floats(-10, 10), width=st.floats(0, 10))
def test_both_sides_of_a_limit_make_one(value: float, u: float, low: float, width: float) -> None:
    known, high = Bell(value, u), low + width
    inside = conformity(known, lower=low, upper=high)

    outside = (1 - conformity(known, lower=low)) + (1 - conformity(known, upper=high))
    assert inside + outside == pytest.approx(1.0, abs=1e-9)
    assert 0.0 <= inside < 1.0


@given(value=st.floats(-10, 10), u=st.floats(0.01, 10), limit=st.floats(-10, 10), scale=st.floats(1e-6, 1e6))
def test_a_change_of_unit_and_a_mirror_change_no_probability(
    value: float, u: float, limit: float, scale: float
) -> None:
    plain = conformity(Bell(value, u), upper=limit)

    assert conformity(Bell(value * scale, u * scale), upper=limit * scale) == pytest.approx(plain, rel=1e-6, abs=1e-12)
    assert conformity(Bell(-value, u), lower=-limit) == pytest.approx(plain, rel=1e-9, abs=1e-12)


def test_without_uncertainty_the_value_decides() -> None:
    assert conformity(Bell(2.0, 0.0), upper=2.0) == conformity(Bell(-2.0, 0.0), lower=-2.0, upper=2.0) == 1.0
    assert conformity(Bell(2.1, 0.0), upper=2.0) == 0.0


def test_with_uncertainty_nothing_is_certain() -> None:
    assert 0.0 < conformity(Bell(0.0, 1.0), lower=50.0) < conformity(Bell(0.0, 1.0), upper=50.0) < 1.0


def test_sampled_values_rise_from_the_first_to_the_last() -> None:
    known = Sampled((0.0, 1.0, 2.0, 3.0))

    assert [known.within(-math.inf, bound) for bound in (-1.0, 0.5, 1.0, 2.5, 9.0)] == pytest.approx(
        [0.125, 0.25, 0.375, 0.75, 0.875]
    )
    assert known.within(-math.inf, math.inf) == 1.0
    assert Sampled((0.0, 1.0, 1.0, 2.0)).within(-math.inf, 1.0) == pytest.approx(0.5)
    assert Sampled((1.0, 1.0, 1.0)).within(-math.inf, 1.0) == 1.0
    assert Sampled((1.0, 1.0, 1.0)).within(-math.inf, 0.9) == 0.0


def test_beyond_all_values_a_probability_is_small_and_not_nothing() -> None:
    known = Sampled((-46.0, -45.5, -45.0))
    assert known.within(-15.0, 15.0) == pytest.approx(1 / 6)
    assert known.within(-60.0, 15.0) == pytest.approx(4 / 6)
    assert known.within(-math.inf, math.inf) == 1.0


def test_sampled_agrees_with_what_was_sampled() -> None:
    known = Sampled(tuple(stats.norm.ppf((np.arange(999) + 0.5) / 999)))

    for bound in (-1.5, 0.0, 0.3, 2.0):
        assert known.within(-math.inf, bound) == pytest.approx(stats.norm.cdf(bound), abs=0.001)


def test_limits_are_needed() -> None:
    with pytest.raises(ValueError, match="neither a lower"):
        conformity(Bell(0.0, 1.0))


def test_guarding_by_its_factor_gives_the_risk() -> None:
    for risk in (0.01, 0.05, 0.2):
        assert conformity(Bell(10 - guard_factor(risk) * 0.5, 0.5), upper=10.0) == pytest.approx(1 - risk)


@pytest.mark.parametrize(
    ("lower", "upper", "guard"), [(None, 1.0, 0.0), (-1.0, 1.5, 0.0), (-1.0, 1.5, 0.4), (-1.0, 1.5, -0.4)]
)
def test_global_risks_by_simulation(lower: float | None, upper: float, guard: float) -> None:
    rng = np.random.default_rng(106)
    true = 0.1 + 0.6 * rng.standard_normal(2_000_000)
    read = true + 0.2 * rng.standard_normal(2_000_000)
    low = -math.inf if lower is None else lower
    good = (true >= low) & (true <= upper)
    taken = (read >= low + guard) & (read <= upper - guard)
    found = global_risks(mean=0.1, spread=0.6, uncertainty=0.2, lower=lower, upper=upper, guard=guard)

    assert found.consumer == pytest.approx(float(np.mean(~good & taken)), abs=4e-4)
    assert found.producer == pytest.approx(float(np.mean(good & ~taken)), abs=6e-4)
    assert found.nonconforming == pytest.approx(float(np.mean(~good)), abs=6e-4)
    assert found.accepted == pytest.approx(float(np.mean(taken)), abs=8e-4)


@given(guard=st.floats(0.0, 0.5))
@example(guard=1e-14)
def test_a_guard_band_moves_risk_from_the_consumer_to_the_producer(guard: float) -> None:
    facts: dict[str, Any] = {"mean": 0.0, "spread": 0.5, "uncertainty": 0.1, "lower": -1.0, "upper": 1.0}
    plain, guarded = global_risks(**facts), global_risks(**facts, guard=guard)

    assert guarded.consumer <= plain.consumer + 1e-12
    assert guarded.producer >= plain.producer - 1e-12


@pytest.mark.parametrize(
    ("change", "said"),
    [({"spread": 0.0}, "positive"), ({"uncertainty": -1.0}, "positive"), ({"guard": 1.0}, "nothing to accept")],
)
def test_global_risks_refuse(change: dict[str, float], said: str) -> None:
    facts: dict[str, Any] = {"mean": 0.0, "spread": 1.0, "uncertainty": 0.1, "lower": -1.0, "upper": 1.0}
    with pytest.raises(ValueError, match=said):
        global_risks(**{**facts, **change})


def test_a_risk_is_a_probability() -> None:
    with pytest.raises(ValueError, match="a risk of 0"):
        guard_factor(0.0)
