"""Readings of another machine: the same figures as by hand, the same record and report, and every mistake told."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import csv
import io
import json
import random
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.errors import BadInput
from stepwitness.metrology.positioning import positioning
from stepwitness.plan.description import Plan
from stepwitness.plan.model import parse_plan
from stepwitness.records.manifest import open_record, verify
from stepwitness.records.readings_file import OVER, read_stops, record_readings
from stepwitness.records.record import reevaluate

BENCH = """\
name: their-rig
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: theirs}
gauge: {part: theirs, range: 65 mm, resolution: 0.1 um, calibration: {certificate: T-1, expires: 2027-03-01, U: 1 um}}
envelope: {travel: 0 mm to 60 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
"""
PLAN = """\
purpose: incoming
bench: their.bench.yaml
procedures:
  - repeatability:
      limits: {bidirectional_repeatability: 20 um, mean_reversal: 15 um, bidirectional_accuracy: 40 um}
      columns:
        target: {column: Target, unit: mm}
        run: {column: Cycle}
        direction: {column: Dir, up: "+", down: "-"}
        deviation: {column: Dev, unit: um}
"""
HEADINGS = ["Cycle", "Dir", "Target", "Dev", "Remark"]


def deviation_um(target: int, run: int, up: bool) -> float:
    draw = random.Random(100 * target + 10 * run + up)
    return round((-4.0 if up else 4.0) + 0.3 * target + draw.gauss(0.0, 0.5), 3)


def lines(
    change: Callable[[dict[str, str]], dict[str, str] | None] = lambda row: row, *, targets: int = 6, runs: int = 5
) -> str:
    """The file, each line changed by `change`; None leaves it out."""
    text = io.StringIO()
    writer = csv.DictWriter(text, HEADINGS, lineterminator="\n")
    writer.writeheader()
    for run in range(1, runs + 1):
        for up in (True, False):
            for at in range(targets) if up else reversed(range(targets)):
                row = {
                    "Cycle": str(run),
                    "Dir": "+" if up else "-",
                    "Target": str(10 * at + 1),
                    "Dev": str(deviation_um(at, run, up)),
                    "Remark": "",
                }
                changed = change(row)
                if changed is not None:
                    writer.writerow(changed)
    return text.getvalue()


@pytest.fixture
def their_bench() -> BenchDescription:
    return parse_bench(BENCH, "their.bench.yaml")


@pytest.fixture
def their_plan(their_bench: BenchDescription) -> Plan:
    return parse_plan(PLAN, "their.plan.yaml", their_bench)


@pytest.fixture
def recorded(tmp_path: Path, their_plan: Plan, their_bench: BenchDescription) -> Callable[..., Path]:
    def record(text: str, plan: Plan = their_plan, bench: BenchDescription = their_bench) -> Path:
        file = tmp_path / "readings.csv"
        file.write_text(text, encoding="utf-8")
        now = datetime(2026, 11, 25, 2, 10, tzinfo=UTC)
        return record_readings(plan, bench, file, tmp_path / "run", now=now).parent

    return record


def test_figures_are_those_of_the_same_deviations_by_hand(recorded: Any) -> None:
    directory = recorded(lines())
    by_way = [[[deviation_um(at, run, up) for run in range(1, 6)] for at in range(6)] for up in (True, False)]
    due = positioning(*by_way)
    estimates = {item["name"]: item for item in open_record(directory).sections["procedures"][0]["estimates"]}

    for name, figure in (
        ("bidirectional_repeatability", "R"),
        ("mean_reversal", "B_mean"),
        ("bidirectional_accuracy", "A"),
    ):
        assert estimates[name]["value"] * 1e6 == pytest.approx(getattr(due, figure), rel=1e-9), name
    assert estimates["motor_side_repeatability"]["reason"].startswith("no encoder counter")
    assert estimates["start_drift"]["reason"] == "the start was never read again"
    assert "not a test to ISO" not in estimates["bidirectional_repeatability"]["statement"]


def test_a_test_smaller_than_the_standards_is_a_deviation_from_the_method(recorded: Any) -> None:
    sections = open_record(recorded(lines(targets=4, runs=4))).sections
    (told,) = (item["told"] for item in sections["report"]["items"] if item["item"] == "deviations from the method")
    by_name = {item["name"]: item["deviations"] for item in sections["procedures"][0]["estimates"]}

    assert "repeatability falls short of its standard: 4 targets where 5 are the least (ISO 230-2); " in told
    assert "; 4 runs each way where 5 are the least (ISO 230-2)" in told
    assert len(by_name["bidirectional_accuracy"]) == 2
    assert by_name["start_drift"] == []  # a figure of our own, of which the standard asks nothing


def test_a_test_as_large_as_the_standards_has_none(recorded: Any) -> None:
    sections = open_record(recorded(lines())).sections
    (told,) = (item["told"] for item in sections["report"]["items"] if item["item"] == "deviations from the method")

    assert "falls short" not in (told or "")


def test_the_record_is_whole_says_where_it_came_from_and_judges_again_alike(recorded: Any) -> None:
    directory = recorded(lines())
    sections = open_record(directory).sections

    assert verify(directory) == []
    assert reevaluate(directory).same
    assert (sections["run"]["over"], sections["run"]["simulated"], sections["run"]["partial"]) == (OVER, False, False)
    assert sections["run"]["verdict"] == "PASS"
    assert sections["bench"]["identities"]["readings"].startswith("readings.csv, SHA-256 ")
    header = json.loads((directory / "repeatability.journal.jsonl").read_text().splitlines()[0])["header"]
    assert header["file"] == "readings.csv"


def test_the_same_report_is_made_of_it(recorded: Any) -> None:
    from stepwitness_reports.html import render

    page = render(recorded(lines())).read_text()
    assert "readings that another machine took, from a file" in page
    assert "SIMULATED" not in page


def test_the_order_of_lines_and_another_delimiter_change_nothing(recorded: Any, tmp_path: Path) -> None:
    plain = open_record(recorded(lines())).sections["findings"]
    head, *rest = lines().splitlines()
    random.Random(3).shuffle(rest)
    (tmp_path / "run").rename(tmp_path / "before")
    shuffled = "\ufeff" + "\n".join([head, *rest, "", ""]).replace(",", ";")
    other = open_record(recorded(shuffled)).sections["findings"]

    assert [item["shown"] for item in other] == [item["shown"] for item in plain]


def test_positions_in_millimetres_are_the_same_readings_as_deviations(
    their_bench: BenchDescription, recorded: Any
) -> None:
    plan = parse_plan(
        PLAN.replace("deviation: {column: Dev, unit: um}", "gauge: {column: Dev, unit: mm}"), "p.plan.yaml", their_bench
    )

    def as_position(row: dict[str, str]) -> dict[str, str]:
        return {**row, "Dev": f"{float(row['Target']) + float(row['Dev']) * 1e-3:.7f}"}

    found = open_record(recorded(lines(as_position), plan)).sections["findings"]
    assert found[0]["value"] == pytest.approx(positioning(
        *[[[deviation_um(at, run, up) for run in range(1, 6)] for at in range(6)] for up in (True, False)]
    ).R * 1e-6, rel=1e-6)  # fmt: skip


def test_fewer_runs_are_computed_and_said_not_to_conform(recorded: Any) -> None:
    estimates = open_record(recorded(lines(runs=2, targets=3))).sections["procedures"][0]["estimates"]

    assert "3 targets where 5 are the least; 2 runs each way where 5 are the least" in estimates[0]["statement"]


def test_a_single_target_has_a_stated_meaning(recorded: Any) -> None:
    estimates = {
        item["name"]: item for item in open_record(recorded(lines(targets=1))).sections["procedures"][0]["estimates"]
    }

    # one target: E is |B| there
    reversal = estimates["reversal_value"]["value"]
    assert estimates["bidirectional_systematic_deviation"]["value"] == pytest.approx(reversal)


def test_reversals_by_file(their_bench: BenchDescription, recorded: Any) -> None:
    text = PLAN.replace("- repeatability:", "- backlash:").replace(
        "{bidirectional_repeatability: 20 um, mean_reversal: 15 um, bidirectional_accuracy: 40 um}",
        "{reversal_value: 15 um}",
    )
    finding = open_record(recorded(lines(), parse_plan(text, "p.plan.yaml", their_bench))).sections["findings"][0]

    assert finding["verdict"] == "PASS"
    assert 7e-6 < finding["value"] < 10e-6


def swapped(row: dict[str, str]) -> dict[str, str]:
    return {**row, "Dir": "-" if row["Dir"] == "+" else "+"}


def at_first_stop(**change: str) -> Callable[[dict[str, str]], dict[str, str]]:
    """Changes line 2 alone."""
    return lambda row: {**row, **change} if (row["Cycle"], row["Dir"], row["Target"]) == ("1", "+", "1") else row


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (lines(at_first_stop(Dev="nan")), "readings.csv:2 Dev: not a reading; found 'nan'"),
        (lines(at_first_stop(Dev="inf")), "readings.csv:2 Dev: not a reading; found 'inf'"),
        (lines(at_first_stop(Dev="")), "readings.csv:2 Dev: a reading is missing"),
        (lines(at_first_stop(Dev="3.1 um")), "readings.csv:2 Dev: not a number; found '3.1 um'"),
        (lines(at_first_stop(Dev="3,1")), "write decimals with a point"),
        (lines(at_first_stop(Dir="up")), "readings.csv:2 Dir: neither up nor down; found 'up'; allowed: +, -"),
        (lines(at_first_stop(Cycle="1.5")), "readings.csv:2 Cycle: the number of a run isn't whole; found 1.5"),
        (lines(at_first_stop(Cycle="2")), "the same target, run and direction stands twice; found a reading as on line 2"),
        (lines(lambda row: None if row["Target"] == "11" and row["Cycle"] == "3" and row["Dir"] == "-" else row),
         "runs that don't match; found 4 at 11 mm down, 5 elsewhere"),
        (lines(lambda row: None if row["Dir"] == "-" else row), "runs that don't match; found 0 at 1 mm down, 5 elsewhere"),
        (lines(runs=1), "one run each way, which has no scatter; allowed: 2 runs or more"),
        (lines(swapped), "approaches upwards come in falling order"),
        (lines(lambda row: {**row, "Dev": str(1000 * float(row["Dev"]))}), "are the units in the plan those of the file?"),
        (lines().replace("Dev", "Devi", 1), "readings.csv:1: there is no column 'Dev'; found Cycle, Dir, Target, Devi, Remark; did you mean 'Devi'?"),
        (lines().replace("Remark", "Dev", 1), "the column 'Dev' stands twice"),
        (lines().replace("1,+,1,", "1,+,1,9,", 1), "a line of another length than the headings; found 6 cells; allowed: 5"),
        (",".join(HEADINGS) + "\n", "no readings stand below the headings"),
        ("", "readings.csv: the file is empty"),
    ],
)  # fmt: skip
def test_each_mistake_in_the_file_is_told_in_one_line(recorded: Any, tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BadInput) as caught:
        recorded(text)

    message = str(caught.value)
    assert said in message
    assert "\n" not in message
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("        deviation: {column: Dev, unit: um}\n", "", "the bench has a gauge, and no column holds its readings"),
        ("unit: um}", "unit: um}\n        gauge: {column: Dev, unit: um}", "the gauge's readings are named twice"),
        ("unit: um}", "unit: um}\n        counted: {column: Dev, unit: um}", "a column for a counter on the motor that the bench hasn't got"),
        ("unit: um}", "unit: um}\n        drag: {column: Dev, unit: N}", "repeatability knows no drag"),
        ("unit: um}", "unit: A}", "a unit that doesn't measure travel"),
    ],
)  # fmt: skip
def test_columns_that_dont_fit_the_bench(
    their_bench: BenchDescription, recorded: Any, old: str, new: str, said: str
) -> None:
    assert PLAN.count(old) == 1
    with pytest.raises(BadInput, match=said):
        recorded(lines(), parse_plan(PLAN.replace(old, new), "p.plan.yaml", their_bench))


def test_a_plan_that_names_no_columns_or_two(their_bench: BenchDescription, tmp_path: Path, recorded: Any) -> None:
    head, _ = PLAN.split("      columns:\n")
    with pytest.raises(BadInput, match="names no columns"):
        recorded(lines(), parse_plan(head, "p.plan.yaml", their_bench))
    second = PLAN.split("procedures:\n")[1].replace("- repeatability:\n", "- repeatability:\n      id: again\n")
    twice = parse_plan(PLAN + second, "p.plan.yaml", their_bench)
    with pytest.raises(BadInput, match="isn't plain; found repeatability, again"):
        recorded(lines(), twice)
    file = tmp_path / "readings.csv"
    with pytest.raises(BadInput, match="no columns for 'agin'; allowed: repeatability, again; did you mean 'again'"):
        record_readings(twice, their_bench, file, tmp_path / "run", procedure_id="agin")
    record = record_readings(twice, their_bench, file, tmp_path / "run", procedure_id="again")
    assert open_record(record.parent).sections["run"]["partial"] is True


def test_scaling_of_the_unit_gives_the_same_stops(their_bench: BenchDescription, their_plan: Plan) -> None:
    in_um = read_stops(lines(), "f.csv", their_plan.procedures[0], their_bench)
    nanometres = parse_plan(PLAN.replace("unit: um", "unit: nm"), "p.plan.yaml", their_bench).procedures[0]
    in_nm = read_stops(
        lines(lambda row: {**row, "Dev": str(1000 * float(row["Dev"]))}), "f.csv", nanometres, their_bench
    )

    assert [stop.gauge_m for stop in in_nm] == pytest.approx([stop.gauge_m for stop in in_um], rel=1e-12)
