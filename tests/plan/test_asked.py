"""A test's own words as a plan: what comes back is what it asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.bench.model import parse_bench
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Sense
from stepwitness.plan.asked import Asked, asked_plan, limit_asserted
from stepwitness.plan.description import Plan
from stepwitness.plan.model import limit_from, parse_plan, setting_text, settings_from
from stepwitness.procedures.procedure import Procedure
from stepwitness.quantities import Kind, si, si_text

RIG = parse_bench(
    """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 600 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
""",
    "doser.bench.yaml",
)
ERROR = Characteristic("error", "error", Kind.TRAVEL, "um", "own", "own", "E")
LEAST = Characteristic("force", "force", Kind.FORCE, "N", "own", "own", "F", sense=Sense.AT_LEAST)
LOST = Characteristic("lost", "lost", Kind.COUNT, "", "own", "own")


@pytest.mark.parametrize(
    ("of", "comparison", "bound", "text"),
    [
        (ERROR, "<=", "1 step", "1 step"),
        (ERROR, "<=", 25e-6, "25 um"),
        (ERROR, "<=", 0.1 + 0.2, "0.30000000000000004 m"),
        (ERROR, "<=", float("inf"), ""),
        (ERROR, "<=", 1e-310, ""),
        (ERROR, ">=", "1 um", ""),
        (ERROR, "==", 0, ""),
        (LEAST, ">=", 5, "5 N"),
        (LEAST, "<=", 5, ""),
        (LOST, "==", 0, "0"),
        (LOST, "==", "0", "0"),
        (LOST, "==", 1, ""),
        (LOST, "<=", 3, "3"),
    ],
)
def test_a_limit_is_asserted_where_a_plan_can_say_it(
    of: Characteristic, comparison: str, bound: Any, text: str
) -> None:
    assert limit_asserted(of, comparison, bound) == text


@given(st.floats(min_value=1e-12, max_value=1e6), st.sampled_from(list(Kind)))
def test_a_number_in_si_reads_back_to_the_bit(value: float, kind: Kind) -> None:
    assert si(si_text(value, kind), kind) == value


@given(st.floats(min_value=1e-15, max_value=1e3))
def test_a_bound_in_si_is_the_same_limit(bound: float) -> None:
    text = limit_asserted(ERROR, "<=", bound)
    assert limit_from(ERROR, text, RIG.axis).bound == bound


def planned(known: Mapping[str, Procedure], *asked: Asked) -> Plan:
    of = {"name": "test_it-1", "path": "tests/test_it.py", "node_id": "tests/test_it.py::test_it"}
    return asked_plan(asked, **of, bench=RIG, known=known)


def test_the_plan_is_what_was_asked_for_with_the_strictest_limits(known: Mapping[str, Procedure]) -> None:
    given = {"drags": ["0 N", "5 N"], "places": [1, 2], "by_hand": True, "remark": 'a "b": # c\\', "share": "12.5 %"}
    bounds = {"reversal_value": ["30 um", "1 step", "25 um"], "latency": ["20 ms"]}
    plan = planned(known, Asked("backlash", "backlash", written(given), bounds), Asked("backlash-2", "backlash"))
    assert (plan.name, [one.id for one in plan.procedures]) == ("test_it-1", ["backlash", "backlash-2"])
    assert [[limit.text for limit in one.limits] for one in plan.procedures] == [["1 step", "20 ms"], []]
    settings = plan.procedures[0].settings
    assert settings == settings_from(known["backlash"], given, RIG.axis, Place("test_it.py"))
    assert (settings.drags_n, settings.remark, settings.by_hand) == ((0.0, 5.0), given["remark"], True)


def written(given: Mapping[str, Any]) -> dict[str, Any]:
    return {key: setting_text(value) for key, value in given.items()}


def test_a_plan_file_still_needs_its_limits(known: Mapping[str, Procedure]) -> None:
    text = planned(known, Asked("backlash", "backlash")).text
    with pytest.raises(BadInput, match="has no limits"):
        parse_plan(text, "nightly.plan.yaml", RIG, known)


def test_what_this_version_doesnt_know_is_refused(known: Mapping[str, Procedure]) -> None:
    with pytest.raises(BadInput, match="an unknown procedure 'bcklash'"):
        planned(known, Asked("bcklash", "bcklash"))
    with pytest.raises(BadInput, match="'wrong' isn't a characteristic of backlash"):
        planned(known, Asked("backlash", "backlash", {}, {"wrong": ["1 um"]}))
