"""Switching rules: each transition, both editions, and what can't happen."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.sampling import Edition, SinglePlan, single_plan
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.switching import Inspected, Stage, State, after, resumed


def plan_for(state: State, *, aql: float = 1.0) -> SinglePlan:
    severity = state.stage.value
    if state.edition == "ISO 2859-1:1999" and severity == "reduced":
        # what a user with the standard at hand would type in
        normal = single_plan(1000, aql_percent=aql, edition=state.edition)
        return replace(normal, severity="reduced", sample=32, ac=1, re=2)
    return single_plan(1000, aql_percent=aql, edition=state.edition, severity=severity)  # type: ignore[arg-type]


def fed(state: State, good: str, **lot: object) -> State:
    """The state after lots accepted without (+) or with all (-) nonconforming."""
    for mark in good:
        plan = plan_for(state, aql=lot.get("aql", 1.0))  # type: ignore[arg-type]
        found = 0 if mark == "+" else plan.sample
        more = {key: value for key, value in lot.items() if key != "aql"}
        state = after(state, Inspected(plan, found, **more))  # type: ignore[arg-type]
    return state


EDITIONS: tuple[Edition, ...] = ("MIL-STD-105E", "ISO 2859-1:1999")


@pytest.mark.parametrize("edition", EDITIONS)
@pytest.mark.parametrize(
    ("lots", "stage"),
    [
        ("-", Stage.NORMAL),
        ("--", Stage.TIGHTENED),
        ("-+++-", Stage.TIGHTENED),
        ("-++++-", Stage.NORMAL),
        ("--+++++", Stage.NORMAL),
        ("--++++", Stage.TIGHTENED),
        ("--++++-+++++", Stage.NORMAL),
        ("------", Stage.TIGHTENED),
        ("-------", Stage.DISCONTINUED),
        ("--++-++-++-++-++-", Stage.DISCONTINUED),
        # back on normal the count of lots that failed on tightened starts anew
        ("------+++++------", Stage.TIGHTENED),
    ],
)
def test_normal_tightened_discontinued(edition: Edition, lots: str, stage: Stage) -> None:
    assert fed(State(edition), lots).stage is stage


def test_reduced_by_the_limit_number() -> None:
    start = State("MIL-STD-105E")

    assert fed(start, "+" * 10, reduction_wanted=True, limit_number=2).stage is Stage.REDUCED
    assert fed(start, "+" * 9, reduction_wanted=True, limit_number=2).stage is Stage.NORMAL
    assert fed(start, "+" * 20, reduction_wanted=True).stage is Stage.NORMAL
    assert fed(start, "+" * 20, reduction_wanted=True, limit_number=2, steady=False).stage is Stage.NORMAL
    assert fed(start, "+" * 20, limit_number=2).stage is Stage.NORMAL
    nearly = fed(start, "+" * 9, limit_number=0)
    one_found = Inspected(plan_for(nearly), 1, reduction_wanted=True, limit_number=0)
    assert after(nearly, one_found).stage is Stage.NORMAL


def test_reduced_by_the_score() -> None:
    """Ac = 2 at AQL 1.0: three a lot, so ten lots; Ac = 1 at 0.65 (letter J, n = 80): two a lot, so fifteen."""
    start = State("ISO 2859-1:1999")

    assert fed(start, "+" * 9, reduction_wanted=True).score == 27
    assert fed(start, "+" * 10, reduction_wanted=True).stage is Stage.REDUCED
    assert fed(start, "+" * 14, reduction_wanted=True, aql=0.65).score == 28
    assert fed(start, "+" * 15, reduction_wanted=True, aql=0.65).stage is Stage.REDUCED
    # accepted, but not at an AQL one step tighter (Ac = 1): the score starts anew
    nine = fed(start, "+" * 9)
    assert after(nine, Inspected(plan_for(nine), 2)).score == 0
    assert after(nine, Inspected(plan_for(nine), 1)).score == 30


@pytest.mark.parametrize("edition", EDITIONS)
def test_reduced_ends(edition: Edition) -> None:
    reduced = State(edition, Stage.REDUCED)

    assert fed(reduced, "+++").stage is Stage.REDUCED
    assert fed(reduced, "++-").stage is Stage.NORMAL
    assert fed(reduced, "+", steady=False).stage is Stage.NORMAL


def test_a_count_between_ac_and_re_is_accepted_and_ends_reduced_inspection() -> None:
    reduced = State("MIL-STD-105E", Stage.REDUCED)
    plan = plan_for(reduced)

    assert (plan.ac, plan.re) == (1, 3)
    assert plan.accepts(2)
    assert after(reduced, Inspected(plan, 1)).stage is Stage.REDUCED
    assert after(reduced, Inspected(plan, 2)).stage is Stage.NORMAL


def test_after_discontinuing_it_resumes_tightened() -> None:
    stopped = fed(State("MIL-STD-105E"), "-" * 7)

    assert resumed(stopped) == State("MIL-STD-105E", Stage.TIGHTENED)
    with pytest.raises(BadReadings, match="discontinued; the supplier acts first"):
        after(stopped, Inspected(single_plan(1000, aql_percent=1.0, edition="MIL-STD-105E"), 0))


@given(st.lists(st.booleans(), max_size=60))
def test_no_jumps(lots: list[bool]) -> None:
    """Tightened and reduced are next to normal alone; discontinued comes from tightened alone."""
    allowed = {
        (Stage.NORMAL, Stage.TIGHTENED),
        (Stage.NORMAL, Stage.REDUCED),
        (Stage.TIGHTENED, Stage.NORMAL),
        (Stage.TIGHTENED, Stage.DISCONTINUED),
        (Stage.REDUCED, Stage.NORMAL),
    }
    state = State("ISO 2859-1:1999")
    for good in lots:
        if state.stage is Stage.DISCONTINUED:
            break
        following = fed(state, "+" if good else "-", reduction_wanted=True)
        assert following.stage is state.stage or (state.stage, following.stage) in allowed
        state = following


def test_refusals() -> None:
    start = State("MIL-STD-105E")
    with pytest.raises(BadReadings, match="tightened plan of MIL-STD-105E"):
        after(start, Inspected(single_plan(1000, aql_percent=1.0, edition="MIL-STD-105E", severity="tightened"), 0))
    with pytest.raises(BadReadings, match="ISO 2859-1:1999"):
        after(start, Inspected(single_plan(1000, aql_percent=1.0, edition="ISO 2859-1:1999"), 0))
    with pytest.raises(BadReadings, match="81 nonconforming in a sample of 80"):
        after(start, Inspected(plan_for(start), 81))
    with pytest.raises(BadReadings, match="nothing to resume"):
        resumed(start)
