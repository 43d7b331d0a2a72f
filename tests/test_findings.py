"""Verdicts: the decision rule at its edges, margins, and the worst of many."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.findings import (
    MAXIMUM_RISK,
    Characteristic,
    Contribution,
    DecisionRule,
    Estimate,
    Finding,
    Limit,
    Range,
    Sense,
    Verdict,
    aborted,
    coverage_factor,
    judge,
    worst,
)
from stepwitness.metrology.decision import Sampled
from stepwitness.quantities import Kind

GUARDED, SIMPLE = DecisionRule.GUARDED, DecisionRule.SIMPLE
AT_MOST = Characteristic("reversal", "reversal value", Kind.TRAVEL, "um", "", "", "B")
MAGNITUDE = Characteristic("mean_reversal", "mean reversal value", Kind.TRAVEL, "um", "", "", magnitude=True)
AT_LEAST = Characteristic("torque", "torque left", Kind.TORQUE, "N*m", "", "", sense=Sense.AT_LEAST)


def verdict(
    value: float, u: float, bound: float, *, rule: DecisionRule = GUARDED, of: Characteristic = AT_MOST
) -> Verdict:
    return judge("backlash", Limit(of, bound, of.unit, ""), Estimate(of.name, value, u), rule).verdict


# u = 2, so U = 4 with k = 2; numbers that binary floating point holds exactly
@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (15.75, Verdict.PASS),
        (16.0, Verdict.PASS),
        (16.25, Verdict.INCONCLUSIVE),
        (20.0, Verdict.INCONCLUSIVE),
        (24.0, Verdict.INCONCLUSIVE),
        (24.25, Verdict.FAIL),
    ],
)
def test_guarded_acceptance_at_its_edges(value: float, expected: Verdict) -> None:
    assert verdict(value, 2.0, 20.0) is expected


@pytest.mark.parametrize(("value", "expected"), [(20.0, Verdict.PASS), (20.25, Verdict.FAIL)])
def test_simple_acceptance_looks_at_the_value_alone(value: float, expected: Verdict) -> None:
    assert verdict(value, 2.0, 20.0, rule=SIMPLE) is expected


@pytest.mark.parametrize("rule", DecisionRule)
@pytest.mark.parametrize(("value", "expected"), [(0.0, Verdict.PASS), (1.0, Verdict.FAIL)])
def test_a_count_without_uncertainty_is_never_inconclusive(value: float, expected: Verdict, rule: DecisionRule) -> None:
    assert verdict(value, 0.0, 0.0, rule=rule) is expected


@pytest.mark.parametrize(
    ("value", "expected"), [(24.25, Verdict.PASS), (20.0, Verdict.INCONCLUSIVE), (15.75, Verdict.FAIL)]
)
def test_at_least_turns_the_sides(value: float, expected: Verdict) -> None:
    assert verdict(value, 2.0, 20.0, of=AT_LEAST) is expected


@pytest.mark.parametrize("value", [15.0, -15.0])
def test_a_magnitude_is_limited_on_both_sides(value: float) -> None:
    assert verdict(value, 0.0, 10.0, of=MAGNITUDE) is Verdict.FAIL
    assert verdict(-15.0, 0.0, 10.0) is Verdict.PASS


finite = st.floats(-1e3, 1e3)


@given(value=finite, bound=finite, u=st.floats(0.0, 100.0))
def test_guarded_never_contradicts_simple(value: float, bound: float, u: float) -> None:
    guarded, simple = verdict(value, u, bound), verdict(value, u, bound, rule=SIMPLE)

    assert guarded in (simple, Verdict.INCONCLUSIVE)
    if u == 0.0:
        assert guarded is simple


@given(value=finite, bound=finite, u=st.floats(0.0, 100.0), more=st.floats(0.0, 100.0))
def test_more_uncertainty_never_makes_a_verdict(value: float, bound: float, u: float, more: float) -> None:
    less_sure, surer = verdict(value, u + more, bound), verdict(value, u, bound)

    assert less_sure in (surer, Verdict.INCONCLUSIVE)


def test_what_cant_be_observed_keeps_its_reason() -> None:
    limit = Limit(AT_MOST, 20.0, "um", "20 um")
    finding = judge("backlash", limit, Estimate("reversal", None, reason="no gauge on the load"), GUARDED)

    assert (finding.verdict, finding.reason, finding.margin) == (
        Verdict.NOT_OBSERVABLE,
        "no gauge on the load",
        None,
    )


def test_a_failure_says_what_the_witnesses_saw_and_a_pass_needs_no_reason() -> None:
    limit = Limit(AT_MOST, 20.0, "um", "20 um")
    good, bad = (
        judge("backlash", limit, Estimate("reversal", value, statement="came up short"), GUARDED)
        for value in (1.0, 30.0)
    )

    assert (good.reason, bad.reason) == ("", "came up short")


def test_aborted_has_no_number_and_a_cause() -> None:
    finding = aborted("backlash", Limit(AT_MOST, 20.0, "um", "20 um"), GUARDED, "the stop circuit opened")

    assert (finding.verdict, finding.estimate.value, finding.margin) == (Verdict.ABORTED, None, None)
    assert finding.reason == finding.estimate.reason == "the stop circuit opened"


@pytest.mark.parametrize(
    ("of", "value", "margin"), [(AT_MOST, 15.0, 5.0), (MAGNITUDE, -25.0, -5.0), (AT_LEAST, 25.0, 5.0)]
)
def test_margin_is_positive_inside(of: Characteristic, value: float, margin: float) -> None:
    assert judge("x", Limit(of, 20.0, of.unit, ""), Estimate(of.name, value), SIMPLE).margin == margin


def test_the_order_of_verdicts() -> None:
    order = [Verdict.PASS, Verdict.NOT_OBSERVABLE, Verdict.INCONCLUSIVE, Verdict.ABORTED, Verdict.FAIL]

    for better, poorer in itertools.pairwise(order):
        assert worst([poorer, better]) is worst([better, poorer]) is poorer
    assert worst([]) is Verdict.NOT_OBSERVABLE
    assert len(order) == len(Verdict)


def test_expanded_uncertainty_is_twice_the_standard_one() -> None:
    estimate = Estimate("x", 1.0, math.sqrt(2), (Contribution("scatter", math.sqrt(2), "A"),))

    assert estimate.expanded_uncertainty == 2 * math.sqrt(2)


def test_headings_and_signs() -> None:
    assert (AT_MOST.heading, MAGNITUDE.heading) == ("reversal value B", "mean reversal value")
    assert (Sense.AT_MOST.sign, Sense.AT_LEAST.sign) == ("≤", "≥")


# u = 2, so U = 4 with k = 2
@pytest.mark.parametrize(("value", "expected"), [(16.25, Verdict.PASS), (24.0, Verdict.PASS), (24.25, Verdict.FAIL)])
def test_guarded_rejection_fails_only_what_lies_outside_for_sure(value: float, expected: Verdict) -> None:
    assert verdict(value, 2.0, 20.0, rule=DecisionRule.GUARDED_REJECTION) is expected


# 1.645 u is the guard band of a risk of 5 % (ISO 14253-1, from memory)
@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (20 - 3.30, Verdict.PASS),
        (20 - 3.28, Verdict.INCONCLUSIVE),
        (20 + 3.28, Verdict.INCONCLUSIVE),
        (20 + 3.30, Verdict.FAIL),
    ],
)
def test_a_stated_risk_guards_by_its_own_band(value: float, expected: Verdict) -> None:
    assert verdict(value, 2.0, 20.0, rule=DecisionRule.STATED_RISK) is expected
    assert MAXIMUM_RISK == 0.05


def of_value(value: float, *, of: Characteristic = AT_MOST, **more: Any) -> Finding:
    """With u = 2, against a limit of 20."""
    return judge("backlash", Limit(of, 20.0, of.unit, ""), Estimate(of.name, value, 2.0, **more), GUARDED)


def test_every_finding_with_a_value_carries_its_probability_and_risks() -> None:
    finding = of_value(18.0)

    assert finding.probability == pytest.approx(0.841345, abs=1e-6)  # Φ(1)
    assert finding.consumer_risk == pytest.approx(1 - 0.841345, abs=1e-6)
    assert finding.producer_risk == finding.probability
    assert of_value(22.0, of=AT_LEAST).probability == pytest.approx(0.841345, abs=1e-6)
    assert of_value(-18.0, of=MAGNITUDE).probability == pytest.approx(of_value(18.0, of=MAGNITUDE).probability)
    missing = judge("x", Limit(AT_MOST, 1.0, "um", ""), Estimate("x", None, reason="none"), GUARDED)
    assert (missing.probability, missing.consumer_risk) == (None, None)


def test_few_readings_make_a_probability_less_sure() -> None:
    finding = of_value(16.0, budget=(Contribution("scatter", 2.0, "A", 4.0, "t"),))

    assert finding.estimate.degrees_of_freedom == pytest.approx(4.0)
    assert finding.probability == pytest.approx(0.941942, abs=1e-5)  # t = 2 at 4 degrees of freedom
    # Student's t for 95.45 % at 4 degrees of freedom (JCGM 100:2008, table G.2: 2.87), so U = 5.74 and no longer 4
    assert finding.estimate.coverage_factor == pytest.approx(2.87, abs=0.005)
    assert finding.verdict is Verdict.INCONCLUSIVE
    assert of_value(14.2, budget=finding.estimate.budget).verdict is Verdict.PASS


@pytest.mark.parametrize(("dof", "factor"), [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)])
def test_coverage_factors_are_those_of_the_published_table(dof: float, factor: float) -> None:
    """JCGM 100:2008, table G.2, column 95.45 %."""
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)
    assert coverage_factor(dof + 0.9) == coverage_factor(dof)  # truncated, G.4.1
    assert coverage_factor(dof * (1 - 1e-14)) == coverage_factor(dof)  # but not for what rounding took


def test_endless_degrees_of_freedom_an_interval_or_an_old_record_have_2() -> None:
    few = Estimate("x", 1.0, 1.0, (Contribution("scatter", 1.0, "A", 3.0, "t"),))

    assert Estimate("x", 1.0, 1.0, (Contribution("resolution", 1.0),)).coverage_factor == 2.0
    assert few.coverage_factor == pytest.approx(3.31, abs=0.005)
    assert replace(few, interval=Range(0.0, 2.0, 0.95, "x")).coverage_factor == 2.0
    assert replace(few, stated_factor=2.0).expanded_uncertainty == 2.0


def test_what_an_evaluation_knows_beyond_value_and_uncertainty_is_asked_first() -> None:
    assert of_value(18.0, known=Sampled((1.0, 2.0, 30.0, 40.0))).probability == pytest.approx(0.536, abs=0.001)


def test_effective_degrees_of_freedom_are_endless_without_a_type_a_line() -> None:
    assert math.isinf(Estimate("x", 1.0, 1.0, (Contribution("resolution", 1.0, "B"),)).degrees_of_freedom)
    assert math.isinf(Estimate("x", 1.0).degrees_of_freedom)


# value 10, U = 6: an interval that lies elsewhere than value ± U tells which of the two decided
@pytest.mark.parametrize(
    ("rule", "low", "high", "bound", "expected"),
    [
        (GUARDED, 9.0, 13.0, 13.0, Verdict.PASS),
        (GUARDED, 9.0, 13.0, 12.5, Verdict.INCONCLUSIVE),
        (GUARDED, 9.0, 13.0, 9.0, Verdict.INCONCLUSIVE),
        (GUARDED, 9.0, 13.0, 8.5, Verdict.FAIL),
        (GUARDED, 9.0, 20.0, 18.0, Verdict.INCONCLUSIVE),
        (DecisionRule.GUARDED_REJECTION, 9.0, 13.0, 9.0, Verdict.PASS),
        (DecisionRule.GUARDED_REJECTION, 9.0, 13.0, 8.5, Verdict.FAIL),
        (SIMPLE, 9.0, 13.0, 10.0, Verdict.PASS),
        (SIMPLE, 9.0, 13.0, 9.5, Verdict.FAIL),
    ],
)
def test_an_interval_of_proved_coverage_decides_in_place_of_u(
    rule: DecisionRule, low: float, high: float, bound: float, expected: Verdict
) -> None:
    held = Range(low, high, 0.95, "the mean of many tests")
    finding = judge("x", Limit(AT_MOST, bound, "um", ""), Estimate("reversal", 10.0, 3.0, interval=held), rule)

    assert finding.verdict is expected
    assert finding.interval == (None if rule is SIMPLE else held)


@pytest.mark.parametrize(
    ("low", "high", "ends"),
    [(2.0, 5.0, (2.0, 5.0)), (-5.0, -2.0, (2.0, 5.0)), (-1.0, 5.0, (0.0, 5.0)), (-5.0, 1.0, (0.0, 5.0))],
)
def test_a_limit_of_the_magnitude_holds_the_interval_of_the_magnitude(
    low: float, high: float, ends: tuple[float, float]
) -> None:
    estimate = Estimate("mean_reversal", (low + high) / 2, 3.0, interval=Range(low, high, 0.95, "x"))
    finding = judge("x", Limit(MAGNITUDE, 5.0, "um", ""), estimate, GUARDED)

    assert finding.interval is not None
    assert (finding.interval.low, finding.interval.high) == ends
    assert finding.verdict is Verdict.PASS
    assert judge("x", Limit(MAGNITUDE, 4.5, "um", ""), estimate, GUARDED).verdict is Verdict.INCONCLUSIVE


def test_a_least_limit_holds_the_lower_end_of_the_interval() -> None:
    estimate = Estimate("torque", 10.0, 3.0, interval=Range(9.0, 13.0, 0.95, "x"))
    verdicts = [judge("x", Limit(AT_LEAST, bound, "", ""), estimate, GUARDED).verdict for bound in (9.0, 9.5, 13.5)]

    assert verdicts == [Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL]


@given(bound=st.floats(-3.0, 3.0))
def test_probability_and_guarded_verdict_go_together_where_an_interval_decides(bound: float) -> None:
    """Accepted is what has 97.5 % or more, rejected what has 2.5 % or less: the tails of the interval of 95 %."""
    values = tuple((at + 0.5) / 1000 for at in range(1000))
    estimate = Estimate("reversal", 0.5, 0.1, interval=Range(0.025, 0.975, 0.95, "x"), known=Sampled(values))
    finding = judge("x", Limit(AT_MOST, bound, "um", ""), estimate, GUARDED)

    assert finding.probability is not None
    if finding.verdict is Verdict.PASS:
        assert finding.probability >= 0.975 - 1e-9
    elif finding.verdict is Verdict.FAIL:
        assert finding.probability <= 0.025 + 1e-9
    else:
        assert 0.025 - 1e-9 <= finding.probability <= 0.975 + 1e-9
