"""What a nightly plan says of history, warm-up and settling, and what it can't say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.errors import BadInput
from stepwitness.plan.description import HistoryPolicy, OnChange, Plan
from stepwitness.plan.model import parse_plan
from stepwitness.plan.preview import preview
from stepwitness.procedures.preparation import Preparation, Strokes
from stepwitness.procedures.procedure import Procedure

Known = Mapping[str, Procedure]

BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, hold_delay: 100 ms}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 600 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
"""


@pytest.fixture
def bench() -> BenchDescription:
    return parse_bench(BENCH, "doser.bench.yaml")


def plan(bench: BenchDescription, known: Known, *lines: str, purpose: str = "nightly") -> Plan:
    text = "\n".join(
        [
            f"purpose: {purpose}",
            "bench: doser.bench.yaml",
            *lines,
            "procedures:",
            "  - backlash: {limits: {reversal_value: 25 um}}",
        ]
    )
    return parse_plan(text, "nightly.plan.yaml", bench, known)


def refusal(bench: BenchDescription, known: Known, *lines: str, purpose: str = "nightly") -> str:
    with pytest.raises(BadInput) as refused:
        plan(bench, known, *lines, purpose=purpose)
    return str(refused.value)


def test_a_plan_that_says_nothing_warns(bench: BenchDescription, known: Known) -> None:
    found = plan(bench, known)

    assert found.history == HistoryPolicy()
    assert found.history.on_check_standard is OnChange.FAIL
    assert found.preparation(first=True, new_unit=True) == Preparation()
    assert bench.motor.hold_delay_s == pytest.approx(0.1)


def test_all_of_it(bench: BenchDescription, known: Known) -> None:
    found = plan(
        bench,
        known,
        "history: {baseline: 30 runs, since: 2026-11-01, on_drift: fail, on_step: fail, on_check_standard: warn,"
        " on_flaky: fail}",
        "run_in: {strokes: 500}",
        "warm_up: {time: 10 min}",
        "settling: 500 ms",
    )

    fail, warn = OnChange.FAIL, OnChange.WARN
    assert found.history == HistoryPolicy(30, date(2026, 11, 1), fail, fail, warn, fail)
    run_in, warm_up = Strokes(strokes=500), Strokes(time_s=600.0)
    assert found.preparation(first=True, new_unit=True) == Preparation(run_in, warm_up, 0.5)
    assert found.preparation(first=True, new_unit=False) == Preparation(None, warm_up, 0.5)
    assert found.preparation(first=False, new_unit=True) == Preparation(None, None, 0.5)


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("history: {baseline: 3 runs}", "nightly.plan.yaml:3 history.baseline: too few runs for a baseline"),
        ("history: {baseline: month}", "not a number of runs; found 'month'; allowed: such as 20 runs"),
        ("history: {on_drift: stop}", "not one of its words; found 'stop'; allowed: warn, fail"),
        ("history: {on_drfit: fail}", "did you mean 'on_drift'?"),
        ("warm_up: {}", "strokes are given by number or by time"),
        ("warm_up: {strokes: 3, time: 1 min}", "strokes are given by number or by time"),
        ("warm_up: {strokes: 0}", "too small"),
        ("settling: 2 h", "too large"),
    ],
)
def test_a_mistake_is_told(bench: BenchDescription, known: Known, line: str, message: str) -> None:
    assert message in refusal(bench, known, line)


def test_only_a_nightly_plan_has_a_history(bench: BenchDescription, known: Known) -> None:
    told = refusal(bench, known, "history: {baseline: 30 runs}", purpose="incoming")

    assert "a history in a plan for incoming" in told
    assert "allowed: purpose: nightly" in told


def test_a_check_standard_comes_first(bench: BenchDescription, known: Known) -> None:
    guarding = {**known, "travel_time": replace(known["travel_time"], guards=True)}
    first = "procedures:\n  - travel_time: {speed: 5 mm/s, limits: {latency: 20 ms}}\n"
    second = "  - backlash: {limits: {reversal_value: 25 um}}\n"
    head = "purpose: nightly\nbench: doser.bench.yaml\n"

    parse_plan(head + first + second, "nightly.plan.yaml", bench, guarding)
    with pytest.raises(
        BadInput, match=r"nightly.plan.yaml:5 .*'travel_time' after what it is to guard.*write it first"
    ):
        parse_plan(
            head + "procedures:\n" + second + first.removeprefix("procedures:\n"), "nightly.plan.yaml", bench, guarding
        )


def test_the_preview_counts_the_warm_up(bench: BenchDescription, known: Known) -> None:
    lines = preview(plan(bench, known, "warm_up: {strokes: 10}"), bench, today=date(2026, 11, 25))
    told = [" ".join(line.replace("\u2009", " ").split()) for line in lines]

    assert "warm-up 10 strokes 1 to 59 mm 40 s" in told
    assert any(line.startswith("in all") and line.endswith("52 s") for line in told)
