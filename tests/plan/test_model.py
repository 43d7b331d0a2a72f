"""*.plan.yaml: what a healthy file gives, and the one line that each mistake gives."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.errors import BadInput, Place
from stepwitness.findings import DecisionRule
from stepwitness.plan.description import OnInconclusive, Plan, Purpose
from stepwitness.plan.model import load_plan, load_plan_and_bench, parse_plan, plan_schema, settings_from
from stepwitness.procedures.procedure import Procedure

Known = Mapping[str, Procedure]

BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 600 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
"""

PLAN = """\
purpose: incoming
bench: doser.bench.yaml
procedures:
  - backlash:
      runs: 3
      window: 2 steps
      drags: [1 N, 2 N]
      loop: drive
      by_hand: yes
      limits:
        reversal_value: 2.5 steps
        false_alarms: 0
        mean_reversal: 15 um
  - travel_time: {id: slow, speed: 5 mm/s, limits: {latency: 20 ms}}
  - travel_time: {speed: 10 mm/s, limits: {scale: 200 ppm, mean_reversal: 0}}
"""


@pytest.fixture
def bench() -> BenchDescription:
    return parse_bench(BENCH, "doser.bench.yaml")


def changed(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def refusal(text: str, bench: BenchDescription, known: Known, path: str = "nightly.plan.yaml") -> str:
    with pytest.raises(BadInput) as caught:
        parse_plan(text, path, bench, known)
    message = str(caught.value)
    assert "\n" not in message
    return message


class TestHealthyPlan:
    @pytest.fixture
    def plan(self, bench: BenchDescription, known: Known) -> Plan:
        return parse_plan(PLAN, "plans/nightly.plan.yaml", bench, known)

    def test_head(self, plan: Plan) -> None:
        assert (plan.name, plan.path, plan.text) == ("nightly", "plans/nightly.plan.yaml", PLAN)
        assert (plan.purpose, plan.bench) == (Purpose.INCOMING, "doser.bench.yaml")
        assert (plan.rule, plan.on_inconclusive) == (DecisionRule.GUARDED, OnInconclusive.FAIL)

    def test_choices_of_the_head(self, bench: BenchDescription, known: Known) -> None:
        text = changed(PLAN, "purpose: incoming", "purpose: nightly\ndecision_rule: simple\ninconclusive: show")
        plan = parse_plan(text, "n.plan.yaml", bench, known)
        assert (plan.purpose, plan.rule, plan.on_inconclusive) == (
            Purpose.NIGHTLY,
            DecisionRule.SIMPLE,
            OnInconclusive.SHOW,
        )

    def test_ids_and_places(self, plan: Plan) -> None:
        assert [one.id for one in plan.procedures] == ["backlash", "slow", "travel_time"]
        assert [one.procedure.name for one in plan.procedures] == ["backlash", "travel_time", "travel_time"]
        assert [one.place.line for one in plan.procedures] == [4, 14, 15]

    def test_settings_are_converted_and_the_rest_keeps_its_default(self, plan: Plan) -> None:
        held = plan.procedures[0].settings
        assert (held.runs, held.window_m, held.drags_n) == (3, 2e-5, (1.0, 2.0))
        assert (held.loop, held.by_hand) == ("drive", True)
        assert (held.current_a, held.places, held.remark, held.share, held.copy) == (0.05, (1,), "", 0.5, 1)
        assert plan.procedures[1].settings.speed_m_per_s == 0.005

    def test_limits_stand_in_the_order_of_the_file_with_the_unit_that_was_typed(self, plan: Plan) -> None:
        first, second, third = plan.procedures[0].limits
        assert (first.characteristic.name, first.bound, first.unit, first.text) == (
            "reversal_value",
            2.5e-5,
            "step",
            "2.5 steps",
        )
        assert first.place == Place("plans/nightly.plan.yaml", 11, "procedures.backlash.limits.reversal_value")
        assert (second.characteristic.name, second.bound, second.unit, second.text) == ("false_alarms", 0.0, "", "0")
        assert (third.characteristic.name, third.bound, third.unit) == ("mean_reversal", 1.5e-5, "um")

    def test_a_bare_zero_is_shown_in_the_characteristic_s_unit(self, plan: Plan) -> None:
        scale, mean = plan.procedures[2].limits
        assert (scale.bound, scale.unit) == (2e-4, "ppm")
        assert (mean.bound, mean.unit, mean.text) == (0.0, "um", "0")

    @pytest.mark.parametrize(
        ("typed", "bound", "unit"),
        [
            ("1 step", 1e-5, "step"),
            ("3 counts", 3e-6, "count"),
            ("16 microsteps", 1e-5, "microstep"),
            ("1/8 in", 3.175e-3, "in"),
            ("2 µm", 2e-6, "µm"),
        ],
    )
    def test_travel_limits_in_any_unit(
        self, bench: BenchDescription, known: Known, typed: str, bound: float, unit: str
    ) -> None:
        text = f"purpose: nightly\nbench: b\nprocedures: [backlash: {{limits: {{mean_reversal: {typed}}}}}]\n"
        (limit,) = parse_plan(text, "n.plan.yaml", bench, known).procedures[0].limits
        assert (limit.bound, limit.unit, limit.text) == (pytest.approx(bound, rel=1e-15), unit, typed)

    def test_one_value_may_stand_for_a_list(self, bench: BenchDescription, known: Known) -> None:
        text = changed(PLAN, "drags: [1 N, 2 N]", "drags: 4 N\n      places: [2, 3]")
        held = parse_plan(text, "n.plan.yaml", bench, known).procedures[0].settings
        assert (held.drags_n, held.places) == ((4.0,), (2, 3))


MISTAKES = [
    # head
    ("purpose: incoming", "purpose: nighly", "nightly.plan.yaml:1 purpose: not one of its words; found 'nighly'; allowed: nightly, incoming, qualification; did you mean 'nightly'?"),
    ("purpose: incoming", "purpos: incoming", "nightly.plan.yaml:1 purpos: an unknown key 'purpos'; allowed: purpose, decision_rule, maximum_risk, inform_only, inconclusive, history, run_in, warm_up, settling, site; did you mean 'purpose'?"),
    ("purpose: incoming\n", "", "nightly.plan.yaml:1 purpose: the key 'purpose' is missing; allowed: nightly, incoming, qualification"),
    ("bench: doser.bench.yaml", "bench: doser.bench.yaml\ndecision_rule: gaurded", "nightly.plan.yaml:3 decision_rule: not one of its words; found 'gaurded'; allowed: guarded, simple, guarded-rejection, stated-risk; did you mean 'guarded'?"),
    ("bench: doser.bench.yaml", "bench: doser.bench.yaml\ninconclusive: skip", "nightly.plan.yaml:3 inconclusive: not one of its words; found 'skip'; allowed: fail, show"),
    ("bench: doser.bench.yaml", "bench: doser.bench.yaml\nbench: other.yaml", "nightly.plan.yaml:3 bench: the key 'bench' stands twice; keep one; the first is on line 2"),
    # procedures
    ("  - backlash:", "  - backlsh:", "nightly.plan.yaml:4 procedures.backlsh: an unknown procedure 'backlsh'; allowed: backlash, travel_time; did you mean 'backlash'?"),
    ("  - backlash:", "  - backlash\n  - backlash:", "nightly.plan.yaml:4 procedures: the procedure 'backlash' has no limits; allowed: reversal_value, mean_reversal, false_alarms, scale, latency; write such as backlash: {limits: {reversal_value: 2 um}}"),
    ("  - backlash:", "  - backlash:\n  - backlash:", "nightly.plan.yaml:4 procedures.backlash: the procedure 'backlash' has no limits; allowed: reversal_value, mean_reversal, false_alarms, scale, latency; write such as backlash: {limits: {reversal_value: 2 um}}"),
    ("  - backlash:", "  - backlash: 5\n  - backlash:", "nightly.plan.yaml:4 procedures.backlash: a text where settings and limits belong"),
    ("  - backlash:", "  - [backlash]\n  - backlash:", "nightly.plan.yaml:4 procedures: a list where a procedure belongs; allowed: backlash, travel_time"),
    ("  - backlash:", "  - {}\n  - backlash:", "nightly.plan.yaml:4 procedures: a list item without a key; allowed: one procedure a list item"),
    ("  - backlash:", "  - backlash:\n    limits: {}\n  - backlash:", "nightly.plan.yaml:4 procedures: a list item with more than one key; found backlash, limits; allowed: one procedure a list item; indent its settings below 'backlash:'"),
    ("id: slow", "id: backlash", "nightly.plan.yaml:14 procedures.travel_time: the id 'backlash' stands twice; give one an 'id' of its own; the first is on line 4"),
    ("id: slow, ", "", "nightly.plan.yaml:15 procedures.travel_time: the id 'travel_time' stands twice; give one an 'id' of its own; the first is on line 14"),
    ("id: slow", "id: slow motion", "nightly.plan.yaml:14 procedures.travel_time.id: not a name; found 'slow motion'; allowed: letters A-Z a-z, digits, _ and -"),
    # settings
    ("      runs: 3", "      rnus: 3", "nightly.plan.yaml:5 procedures.backlash.rnus: an unknown key 'rnus'; allowed: runs, stall_current, places, remark, share, copy, id; did you mean 'runs'?"),
    ("runs: 3", "runs: 3.5", "nightly.plan.yaml:5 procedures.backlash.runs: not a whole number; found '3.5'; allowed: such as 3"),
    ("runs: 3", "runs: three", "nightly.plan.yaml:5 procedures.backlash.runs: not a whole number; found 'three'; allowed: such as 3"),
    ("runs: 3", "runs: 1", "nightly.plan.yaml:5 procedures.backlash.runs: too small; found '1'; allowed: at least 2"),
    ("runs: 3", "runs: 51", "nightly.plan.yaml:5 procedures.backlash.runs: too large; found '51'; allowed: at most 50"),
    ("runs: 3", "runs: [3]", "nightly.plan.yaml:5 procedures.backlash.runs: a list where a value belongs; allowed: such as 3"),
    ("runs: 3", "runs:", "nightly.plan.yaml:5 procedures.backlash.runs: nothing stands after the key; allowed: such as 3"),
    ("window: 2 steps", "window: 2 stps", "nightly.plan.yaml:6 procedures.backlash.window: an unknown unit; found 'stps'; allowed: a quantity such as 2 mm, 15 um, 1/8 in; did you mean 'steps'?"),
    ("window: 2 steps", "window: 2", "nightly.plan.yaml:6 procedures.backlash.window: a number without a unit; found '2'; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("window: 2 steps", "window: 2 s", "nightly.plan.yaml:6 procedures.backlash.window: a unit that doesn't measure travel; found 's'; allowed: a quantity such as 2 mm, 15 um, 1/8 in"),
    ("window: 2 steps", "window: 0.9 um", "nightly.plan.yaml:6 procedures.backlash.window: too small; found '0.9 um'; allowed: at least 0.001 mm"),
    ("drags: [1 N, 2 N]", "drags:\n      - 1 N\n      - 2 A", "nightly.plan.yaml:9 procedures.backlash.drags: a unit that doesn't measure force; found 'A'; allowed: a quantity such as 5 N"),
    ("drags: [1 N, 2 N]", "drags: [1 N, [2 N]]", "nightly.plan.yaml:7 procedures.backlash.drags: a list where a value belongs; allowed: such as 5 N"),
    ("drags: [1 N, 2 N]", "drags: {low: 1 N}", "nightly.plan.yaml:7 procedures.backlash.drags: a section of keys where a list belongs"),
    ("loop: drive", "loop: drvie", "nightly.plan.yaml:8 procedures.backlash.loop: not one of its words; found 'drvie'; allowed: harness, drive; did you mean 'drive'?"),
    ("by_hand: yes", "by_hand: maybe", "nightly.plan.yaml:9 procedures.backlash.by_hand: neither yes nor no; found 'maybe'; allowed: yes, no"),
    ("by_hand: yes", "share: 150 %", "nightly.plan.yaml:9 procedures.backlash.share: too large; found '150 %'; allowed: at most 1"),
    ("speed: 5 mm/s, ", "", "nightly.plan.yaml:14 procedures.travel_time.speed: the key 'speed' is missing; allowed: such as 30 mm/s"),
    ("speed: 5 mm/s, ", "sped: 5 mm/s, ", "nightly.plan.yaml:14 procedures.travel_time.sped: an unknown key 'sped'; allowed: speed; did you mean 'speed'?"),
    # limits
    ("reversal_value: 2.5 steps", "reversal_valeu: 2.5 steps", "nightly.plan.yaml:11 procedures.backlash.limits.reversal_valeu: an unknown key 'reversal_valeu'; allowed: reversal_value, scale, latency; did you mean 'reversal_value'?"),
    ("reversal_value: 2.5 steps", "reversal_value: 20 ms", "nightly.plan.yaml:11 procedures.backlash.limits.reversal_value: a unit that doesn't measure travel; found 'ms'; allowed: a quantity such as 2 mm, 15 um, 1/8 in"),
    ("reversal_value: 2.5 steps", "reversal_value: -2.5 steps", "nightly.plan.yaml:11 procedures.backlash.limits.reversal_value: a negative limit on a magnitude; found '-2.5 steps'; allowed: 0 or more"),
    ("reversal_value: 2.5 steps", "reversal_value: 25", "nightly.plan.yaml:11 procedures.backlash.limits.reversal_value: a number without a unit; found '25'; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("reversal_value: 2.5 steps", "reversal_value: [25 um]", "nightly.plan.yaml:11 procedures.backlash.limits.reversal_value: a list where a value belongs; allowed: such as 2 mm, 15 um, 1/8 in, 1 step"),
    ("reversal_value: 2.5 steps", "reversal_value:", "nightly.plan.yaml:11 procedures.backlash.limits.reversal_value: nothing stands after the key; allowed: such as 2 mm, 15 um, 1/8 in, 1 step"),
    ("false_alarms: 0", "false_alarms: 0 alarms", "nightly.plan.yaml:12 procedures.backlash.limits.false_alarms: a unit where a bare number belongs; found '0 alarms'; allowed: such as 0, 3"),
    ("limits: {latency: 20 ms}", "limits: {}", "nightly.plan.yaml:14 procedures.travel_time.limits: no limit is set"),
    ("limits: {latency: 20 ms}", "limits: 20 ms", "nightly.plan.yaml:14 procedures.travel_time.limits: a text where keys and values belong; found '20 ms'; allowed: the keys reversal_value, mean_reversal, false_alarms, scale, latency"),
    (", limits: {latency: 20 ms}", "", "nightly.plan.yaml:14 procedures.travel_time: the procedure 'travel_time' has no limits; allowed: reversal_value, mean_reversal, false_alarms, scale, latency; write such as travel_time: {limits: {reversal_value: 2 um}}"),
    ("limits: {latency: 20 ms}", "limts: {latency: 20 ms}", "nightly.plan.yaml:14 procedures.travel_time.limts: an unknown key 'limts'; allowed: limits; did you mean 'limits'?"),
    # what the bench can't do
    ("by_hand: yes", "stall_current: 1.6 A", "nightly.plan.yaml:9 procedures.backlash.stall_current: a current beyond the envelope; found 1.6 A"),
    ("by_hand: yes", "copy: 13", "nightly.plan.yaml:4 procedures.backlash: no thirteenth; found 13"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES, ids=lambda text: re.sub(r"\W+", " ", text)[:40])
def test_a_mistake_is_told_in_one_line(bench: BenchDescription, known: Known, old: str, new: str, message: str) -> None:
    assert refusal(changed(PLAN, old, new), bench, known) == message


@pytest.mark.parametrize(
    ("listed", "message"),
    [
        ("[]", "nightly.plan.yaml:3 procedures: an empty list"),
        ("", "nightly.plan.yaml:3 procedures: nothing stands after the key; a list belongs here"),
        ("backlash", "nightly.plan.yaml:3 procedures: a text where a list belongs; found 'backlash'"),
        (
            "{backlash: {limits: {latency: 1 s}}}",
            "nightly.plan.yaml:3 procedures: a section of keys where a list belongs",
        ),
    ],
)
def test_procedures_that_are_no_list(bench: BenchDescription, known: Known, listed: str, message: str) -> None:
    assert refusal(f"purpose: nightly\nbench: b\nprocedures: {listed}\n", bench, known) == message


def test_a_limit_in_counts_needs_a_counter(known: Known) -> None:
    blind = parse_bench(
        changed(BENCH, "counter: {part: stand-in, lines: 500, decoding: X4, on: motor}\n", ""), "b.yaml"
    )
    text = changed(PLAN, "reversal_value: 2.5 steps", "reversal_value: 3 counts")
    assert refusal(text, blind, known) == (
        "nightly.plan.yaml:11 procedures.backlash.limits.reversal_value: axis 'doser' has no encoder; allowed: a 'counter' part in the bench file"
    )


@pytest.mark.parametrize("name", ["night run.plan.yaml", ".plan.yaml", "nächtlich.plan.yaml"])
def test_a_file_name_that_is_no_name(bench: BenchDescription, known: Known, name: str) -> None:
    assert refusal(PLAN, bench, known, path=f"plans/{name}").startswith(
        f"plans/{name}: a plan's file name is its name; found '"
    )


class TestOnDisk:
    def test_the_bench_stands_beside_the_plan(self, tmp_path: Path, known: Known) -> None:
        (tmp_path / "doser.bench.yaml").write_text(BENCH)
        path = tmp_path / "nightly.plan.yaml"
        path.write_text(PLAN)
        plan, bench = load_plan_and_bench(path, known)
        assert plan == load_plan(path, known)
        assert plan.bench == bench.path == str(tmp_path / "doser.bench.yaml")
        assert bench.text == BENCH

    def test_a_bench_in_another_folder(self, tmp_path: Path, known: Known) -> None:
        (tmp_path / "plans").mkdir()
        (tmp_path / "doser.bench.yaml").write_text(BENCH)
        path = tmp_path / "plans" / "nightly.plan.yaml"
        path.write_text(changed(PLAN, "bench: doser.bench.yaml", "bench: ../doser.bench.yaml"))
        assert load_plan(path, known).purpose is Purpose.INCOMING

    def test_a_bench_that_is_missing(self, tmp_path: Path, known: Known) -> None:
        (tmp_path / "doser-1.bench.yaml").write_text(BENCH)
        path = tmp_path / "nightly.plan.yaml"
        path.write_text(PLAN)
        with pytest.raises(BadInput) as caught:
            load_plan(path, known)
        assert str(caught.value) == (
            f"{path}:2 bench: there is no such bench file; found 'doser.bench.yaml'; allowed: a path relative to the plan's folder; did you mean 'doser-1.bench.yaml'?"
        )

    def test_a_bench_that_is_a_folder(self, tmp_path: Path, known: Known) -> None:
        (tmp_path / "doser.bench.yaml").mkdir()
        path = tmp_path / "nightly.plan.yaml"
        path.write_text(PLAN)
        with pytest.raises(BadInput, match="a folder where a file belongs"):
            load_plan(path, known)

    def test_a_mistake_in_the_bench_is_told_at_its_place_in_the_bench(self, tmp_path: Path, known: Known) -> None:
        (tmp_path / "doser.bench.yaml").write_text(changed(BENCH, "stroke: 60 mm", "stroke: 50 mm"))
        path = tmp_path / "nightly.plan.yaml"
        path.write_text(PLAN)
        with pytest.raises(BadInput) as caught:
            load_plan(path, known)
        assert str(caught.value).startswith(
            f"{tmp_path}/doser.bench.yaml:6 envelope.travel: an envelope beyond the stroke"
        )

    @pytest.mark.parametrize(
        ("content", "problem"),
        [
            (b"", "the file is empty"),
            (b"\x89PNG\r\n\x1a\n", "the file isn't UTF-8 text"),
            (b"\0\1\2", "not YAML"),
            (b"Dear colleague", "a text where keys and values belong"),
        ],
    )
    def test_what_is_no_plan_at_all(self, tmp_path: Path, known: Known, content: bytes, problem: str) -> None:
        path = tmp_path / "nightly.plan.yaml"
        path.write_bytes(content)
        with pytest.raises(BadInput, match=problem):
            load_plan(path, known)

    def test_a_plan_that_is_not_there(self, tmp_path: Path, known: Known) -> None:
        with pytest.raises(BadInput, match="there is no such file"):
            load_plan(tmp_path / "nightly.plan.yaml", known)

    @pytest.mark.parametrize(
        "path", sorted((Path(__file__).parents[2] / "benches").rglob("*.plan.yaml")), ids=lambda path: path.name
    )
    def test_the_plans_that_ship_are_read(self, path: Path) -> None:
        plan = load_plan(path)
        assert all(one.limits for one in plan.procedures)


class TestKeywordText:
    """`settings_from`: what a hand-written test gives to a procedure."""

    def settings(self, bench: BenchDescription, known: Known, **given: Any) -> Any:
        return settings_from(known["backlash"], given, bench.axis, Place("test_axis.py", 12, "backlash"))

    def test_text_numbers_and_sequences(self, bench: BenchDescription, known: Known) -> None:
        held = self.settings(
            bench,
            known,
            stall_current="0.04 A",
            runs=4,
            by_hand=True,
            drags=("1 N", "2 N"),
            window="1 step",
            share=0.25,
        )
        assert (held.current_a, held.runs, held.by_hand, held.drags_n, held.window_m, held.share) == (
            0.04,
            4,
            True,
            (1.0, 2.0),
            1e-5,
            0.25,
        )

    def test_nothing_is_all_defaults(self, bench: BenchDescription, known: Known) -> None:
        assert self.settings(bench, known) == known["backlash"].settings()

    @pytest.mark.parametrize(
        ("given", "message"),
        [
            ({"stall_currnt": "0.05 A"}, "test_axis.py:12 backlash.stall_currnt: an unknown key 'stall_currnt'; allowed: runs, window, stall_current, drags, places, loop, remark, by_hand, share, copy; did you mean 'stall_current'?"),
            ({"stall_current": 0.05}, "test_axis.py:12 backlash.stall_current: a number without a unit; found '0.05'; allowed: such as 1.2 A, 50 mA"),
            ({"stall_current": {"A": 1}}, "test_axis.py:12 backlash.stall_current: a section of keys where a value belongs; allowed: such as 1.2 A, 50 mA"),
            ({"runs": None}, "test_axis.py:12 backlash.runs: not a whole number; found 'None'; allowed: such as 3"),
            ({"limits": {}}, "test_axis.py:12 backlash.limits: an unknown key 'limits'; allowed: runs, window, stall_current, drags, places, loop, remark, by_hand, share, copy"),
        ],
    )  # fmt: skip
    def test_a_mistake_names_the_call(
        self, bench: BenchDescription, known: Known, given: dict[str, Any], message: str
    ) -> None:
        with pytest.raises(BadInput) as caught:
            self.settings(bench, known, **given)
        assert str(caught.value) == message

    def test_what_must_be_set(self, bench: BenchDescription, known: Known) -> None:
        with pytest.raises(BadInput, match=r"speed: the key 'speed' is missing; allowed: such as 30 mm/s"):
            settings_from(known["travel_time"], {}, bench.axis, Place())


class TestSchema:
    def test_every_procedure_with_its_settings_and_limits(self, known: Known) -> None:
        schema = json.loads(json.dumps(plan_schema(known)))
        assert schema["required"] == ["purpose", "bench", "procedures"]
        choices = schema["properties"]["procedures"]["items"]["oneOf"]
        assert [choice["required"] for choice in choices] == [["backlash"], ["travel_time"]]
        section = schema["$defs"]["backlash"]
        assert set(section["properties"]) == {
            "runs",
            "window",
            "stall_current",
            "drags",
            "places",
            "loop",
            "remark",
            "by_hand",
            "share",
            "copy",
            "id",
            "limits",
        }
        assert section["required"] == ["limits"]
        assert section["additionalProperties"] is False
        assert section["properties"]["runs"]["description"] == "passes"
        assert section["properties"]["loop"]["enum"] == ["harness", "drive"]
        assert schema["$defs"]["travel_time"]["required"] == ["speed", "limits"]
        limits = schema["$defs"]["backlash_limits"]
        assert set(limits["properties"]) == {"reversal_value", "mean_reversal", "false_alarms", "scale", "latency"}
        assert limits["minProperties"] == 1
        assert limits["properties"]["reversal_value"]["description"] == "reversal value B (at most): d."

    def test_every_reference_leads_somewhere(self, known: Known) -> None:
        schema = plan_schema(known)
        referred = re.findall(r'"\$ref": "#/\$defs/([^"]+)"', json.dumps(schema))
        assert referred
        assert set(referred) <= set(schema["$defs"])

    def test_of_the_installed_procedures(self) -> None:
        assert {"repeatability", "backlash", "stall_recovery"} <= set(plan_schema()["$defs"])


PIECES = [
    "runs: 3",
    "window: 1 step",
    "limits: {latency: 1 s}",
    "limits: {}",
    "id: x",
    "drags: [1 N]",
    "loop: x",
    "stall_current: 2 A",
    "limits: [1]",
    "runs",
    ": 1",
    "copy: 1e5",
]


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(["backlash", "travel_time", "x"]), pieces=st.lists(st.sampled_from(PIECES), max_size=5))
def test_any_heap_of_settings_is_a_plan_or_a_refusal(
    bench: BenchDescription, known: Known, name: str, pieces: list[str]
) -> None:
    text = "purpose: nightly\nbench: b\nprocedures:\n - " + name + ": {" + ", ".join(pieces) + "}\n"
    try:
        message = parse_plan(text, "n.plan.yaml", bench, known).path
    except BadInput as err:
        message = str(err)
    assert message.startswith("n.plan.yaml")
    assert "\n" not in message
