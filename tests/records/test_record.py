"""A record says all of a run, and judges again to the same verdicts and digits."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput
from stepwitness.findings import Contribution, Estimate, Range, Verdict
from stepwitness.plan.description import Plan
from stepwitness.plan.model import parse_plan
from stepwitness.procedures.procedure import Procedure
from stepwitness.records.journal import JournalReadings
from stepwitness.records.manifest import FILE, open_record, verify, write_record
from stepwitness.records.record import RunFacts, reevaluate, seal_record
from stepwitness.records.sealed import RecordError, canonical

Acquired = Callable[..., Path]
THIN = "\u2009"


@pytest.fixture
def whole(folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired) -> Path:
    """A run of both procedures, sealed; the folder."""
    acquired("offset", (46.0, 47.0), alarms=1)
    acquired("play-at-end")
    seal_record(folder, plan, bench, run)
    return folder


def test_what_a_record_says_of_the_run(whole: Path) -> None:
    sections = open_record(whole).sections

    assert sections["run"] == {
        "id": "doser-rig-1/2026-11-25T0210",
        "started": "2026-11-25T02:10:00Z",
        "ended": "2026-11-25T02:14:30Z",
        "simulated": True,
        "over": "process",
        "partial": False,
        "partial_reason": "",
        "verdict": "FAIL",
        "worst": "FAIL",
        "attempt": 1,
        "previous": None,
        "reason": "",
        "statement": f"doser, serial TB-0417: FAIL. Mean offset O is 46.5{THIN}µm ± 1.0{THIN}µm (k = 2); "
        f"the limit is 25{THIN}µm.",
    }
    assert sections["axis"] == {"name": "doser", "serial": "TB-0417"}
    assert sections["not_acquired"] == []
    assert set(sections["software"]) == {"stepwitness", "python", "numpy", "scipy", "platform"}


def test_what_a_record_says_of_plan_and_bench(whole: Path, plan: Plan, bench: BenchDescription) -> None:
    sections = open_record(whole).sections

    assert (sections["plan"]["name"], sections["plan"]["purpose"], sections["plan"]["rule"]) == (
        "nightly",
        "nightly",
        "guarded",
    )
    assert (sections["plan"]["text"], sections["bench"]["text"]) == (plan.text, bench.text)
    assert sections["bench"]["identities"] == {"drive": "Tarnbrook D1 17", "counter": "Tarnbrook C1"}


def test_what_a_record_says_of_a_procedure(whole: Path) -> None:
    record = open_record(whole)
    first, second = record.sections["procedures"]

    assert (first["id"], first["procedure"], first["evaluator"]) == ("offset", "offset", "3")
    assert (second["id"], second["procedure"]) == ("play-at-end", "play")
    assert (first["journal"], first["outcome"], first["cause"]) == ("offset.journal.jsonl", "done", "")
    assert (first["started_s"], first["ended_s"]) == (0.5, 8.75)
    assert tuple(first["batches"]) == record.journal("offset").digests
    mean, alarms, clearance, least = first["estimates"]
    assert (mean["value"], mean["k"], mean["symbol"], mean["unit"]) == (pytest.approx(46.5e-6), 2.0, "O", "um")
    assert pytest.approx(2 * mean["u"]) == mean["U"]
    assert mean["budget"] == [{"source": "scatter", "u": mean["u"], "type": "A", "dof": None, "distribution": "normal"}]
    assert (mean["dof"], mean["interval"]) == (None, None)
    assert (alarms["value"], alarms["shown"]["text"]) == (1.0, "1")
    assert (clearance["value"], clearance["u"], clearance["U"]) == (None, None, None)
    assert clearance["reason"] == "no gauge on the load"
    assert least["shown"]["text"] == f"1.23{THIN}µm"


def test_what_a_record_says_of_a_finding(whole: Path) -> None:
    finding = open_record(whole).sections["findings"][0]

    assert finding["value"] == pytest.approx(46.5e-6)
    assert finding["margin"] == pytest.approx(-21.5e-6)
    assert (finding["limit"], finding["sense"], finding["unit"], finding["limit_text"]) == (
        25e-6,
        "at most",
        "um",
        "25 um",
    )
    assert (finding["procedure"], finding["characteristic"], finding["verdict"], finding["rule"]) == (
        "offset",
        "mean_offset",
        "FAIL",
        "guarded",
    )
    assert finding["statement"] == finding["reason"] == "the load came up short"
    assert finding["shown"] == {
        "value": "46.5",
        "U": "1.0",
        "unit": "µm",
        "text": f"46.5{THIN}µm ± 1.0{THIN}µm",
        "limit": f"≤ 25{THIN}µm",
    }
    steps = next(f for f in open_record(whole).sections["findings"] if f["unit"] == "step")
    assert (steps["verdict"], steps["shown"]["text"], steps["shown"]["limit"]) == (
        "NOT OBSERVABLE",
        "—",
        f"≤ 1{THIN}step",
    )


def test_the_file_is_canonical_json_with_floats_that_come_back(whole: Path) -> None:
    data = (whole / "record.json").read_bytes()
    parsed = json.loads(data)

    assert data == canonical(parsed) + b"\n"
    assert parsed["schema"] == "stepwitness-record/2"
    value = parsed["sections"]["findings"][0]["value"]
    assert value == (46.0 * 1e-6 + (47.0 * 1e-6 - 46.0 * 1e-6) / 2)
    assert canonical(value) in data


def test_nothing_is_replaced(whole: Path, plan: Plan, bench: BenchDescription, run: RunFacts) -> None:
    before = (whole / "record.json").read_bytes()
    with pytest.raises(RecordError, match="never replaced"):
        seal_record(whole, plan, bench, replace(run, attempt=2))

    assert (whole / "record.json").read_bytes() == before
    assert sorted(path.name for path in whole.iterdir()) == [
        "offset.journal.jsonl",
        "play-at-end.journal.jsonl",
        "record.json",
    ]


def test_an_attempt_names_the_one_before(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    seal_record(folder, plan, bench, replace(run, attempt=2, previous="doser-rig-1/2026-11-24T0210"))

    section = open_record(folder).sections["run"]
    assert (section["attempt"], section["previous"]) == (2, "doser-rig-1/2026-11-24T0210")


# -- runs that aren't whole ----------------------------------------------------------------------------------


def test_a_procedure_without_a_journal_makes_the_run_partial(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset", (46.0, 47.0))
    seal_record(folder, plan, bench, run)
    sections = open_record(folder).sections

    assert sections["not_acquired"] == [
        {"procedure": "play-at-end", "characteristic": "clearance"},
        {"procedure": "play-at-end", "characteristic": "mean_offset"},
    ]
    assert (sections["run"]["verdict"], sections["run"]["worst"]) == ("PARTIAL", "FAIL")
    assert sections["run"]["partial_reason"] == "not acquired: play-at-end"


def test_a_selection_is_partial_even_where_all_was_acquired(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    acquired("play-at-end")
    seal_record(folder, plan, bench, replace(run, partial=True, partial_reason="selected by -k"))
    section = open_record(folder).sections["run"]

    assert (section["verdict"], section["worst"], section["partial"]) == ("PARTIAL", "NOT OBSERVABLE", True)
    assert "PARTIAL, which sentences nothing" in section["statement"]
    assert "selected by -k" in section["statement"]


def test_a_partial_run_always_has_a_reason(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    acquired("play-at-end")
    seal_record(folder, plan, bench, replace(run, partial=True))

    assert open_record(folder).sections["run"]["partial_reason"] == "a selection of its tests"


def test_a_run_without_any_journal_is_a_record_too(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts
) -> None:
    seal_record(folder, plan, bench, run)
    sections = open_record(folder).sections

    assert (sections["procedures"], sections["findings"], len(sections["not_acquired"])) == ([], [], 4)
    assert sections["run"]["verdict"] == "PARTIAL"
    assert verify(folder) == []


def test_unfinished_and_unreadable_journals_are_aborted_and_the_record_stands(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    torn = acquired("offset", outcome=None)
    torn.write_bytes(torn.read_bytes() + b'{"n":3,"tab')
    broken = acquired("play-at-end")
    lines = broken.read_bytes().splitlines(keepends=True)
    broken.write_bytes(b"".join([lines[0], *lines[2:]]))
    seal_record(folder, plan, bench, run)
    sections = open_record(folder).sections
    first, second = sections["procedures"]

    assert {finding["verdict"] for finding in sections["findings"]} == {"ABORTED"}
    assert len(sections["findings"]) == 4
    assert (first["outcome"], len(first["batches"]), first["estimates"]) == ("unfinished", 3, [])
    assert (second["outcome"], second["batches"]) == ("unreadable", [])
    assert "play-at-end.journal.jsonl:2: line number 2 stands where 1 is due" in second["cause"]
    assert sections["run"]["verdict"] == "ABORTED"
    assert verify(folder) == []
    assert reevaluate_same(folder, plan)


def reevaluate_same(folder: Path, plan: Plan) -> bool:
    return reevaluate(folder, {item.procedure.name: item.procedure for item in plan.procedures}).same


def test_a_folder_that_cant_be_written(plan: Plan, bench: BenchDescription, run: RunFacts, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match=r"can't be written: No such file"):
        seal_record(tmp_path / "gone", plan, bench, run)


# -- judged again --------------------------------------------------------------------------------------------


def test_a_record_judges_again_to_the_same(whole: Path, known: dict[str, Procedure]) -> None:
    again = reevaluate(whole, known)
    sealed = open_record(whole).sections["findings"]

    assert again.same
    assert (again.differences, again.evaluators) == ((), ())
    assert [finding.verdict.value for finding in again.findings] == [entry["verdict"] for entry in sealed]
    assert [finding.estimate.value for finding in again.findings] == [entry["value"] for entry in sealed]


def test_a_record_from_before_a_coverage_was_stated_keeps_its_factor(
    whole: Path, known: dict[str, Procedure], procedure: Callable[..., Procedure]
) -> None:
    def few(*given: Any) -> tuple[Estimate, ...]:
        """The same with 3 degrees of freedom."""
        scatter = (Contribution("scatter", 1.0, "A", 3.0, "t"),)
        return tuple(replace(estimate, budget=scatter) for estimate in known["offset"].evaluate(*given))

    sections = json.loads(json.dumps(open_record(whole).sections))
    with_few = {**known, "offset": procedure("offset", evaluate=few)}

    def factors() -> set[float]:
        findings = reevaluate(whole, with_few).findings
        return {round(finding.estimate.coverage_factor, 2) for finding in findings if finding.procedure == "offset"}

    assert sections["plan"].pop("coverage") == pytest.approx(0.9545, abs=1e-5)
    assert factors() == {3.31}  # JCGM 100:2008, table G.2
    (whole / FILE).unlink()
    write_record(whole, sections)
    assert factors() == {2.0}


def test_a_record_from_before_intervals_decided_is_judged_by_value_and_u(
    whole: Path, known: dict[str, Procedure], procedure: Callable[..., Procedure]
) -> None:
    def with_interval(*given: Any) -> tuple[Estimate, ...]:
        """The same with an interval that reaches beyond every limit."""
        wide = Range(0.0, 1.0, 0.95, "x")
        return tuple(
            estimate if estimate.value is None else replace(estimate, interval=wide)
            for estimate in known["offset"].evaluate(*given)
        )

    sections = json.loads(json.dumps(open_record(whole).sections))
    with_one = {**known, "offset": procedure("offset", evaluate=with_interval)}

    def verdict() -> Verdict:
        return reevaluate(whole, with_one).findings[0].verdict

    assert verdict() is Verdict.INCONCLUSIVE
    del sections["plan"]["guard"]
    (whole / FILE).unlink()
    write_record(whole, sections)
    assert reevaluate(whole, with_one).same
    assert verdict() is Verdict.FAIL


def test_the_interval_that_decided_stands_in_the_finding_in_its_limits_unit(
    folder: Path,
    bench: BenchDescription,
    run: RunFacts,
    acquired: Acquired,
    known: dict[str, Procedure],
    procedure: Callable[..., Procedure],
    plan: Plan,
) -> None:
    def with_interval(*given: Any) -> tuple[Estimate, ...]:
        held = Range(-12e-6, -9e-6, 0.95, "x")
        return tuple(
            replace(estimate, interval=held) if estimate.name == "mean_offset" else estimate
            for estimate in known["offset"].evaluate(*given)
        )

    acquired("offset")
    of_interval = {**known, "offset": procedure("offset", evaluate=with_interval)}
    seal_record(folder, parse_plan(plan.text, plan.path, bench, of_interval), bench, run)
    sections = open_record(folder).sections
    offset, alarms = sections["findings"]

    assert (offset["decided_by"]["low"], offset["decided_by"]["high"]) == (-12e-6, -9e-6)
    assert offset["decided_by"]["shown"] == f"\N{MINUS SIGN}12.00 to \N{MINUS SIGN}9.00{THIN}µm"
    assert alarms["decided_by"] is None
    (rule,) = (item["told"] for item in sections["report"]["items"] if item["item"] == "decision rule")
    assert rule == f"guarded acceptance, 95{THIN}% interval"


def test_a_partial_record_judges_again_what_it_acquired(
    folder: Path,
    plan: Plan,
    bench: BenchDescription,
    run: RunFacts,
    acquired: Acquired,
    known: dict[str, Procedure],
) -> None:
    acquired("play-at-end")
    seal_record(folder, plan, bench, run)

    again = reevaluate(folder, known)
    assert again.same
    assert {finding.procedure for finding in again.findings} == {"play-at-end"}


def test_it_needs_nothing_but_the_folder(
    whole: Path, known: dict[str, Procedure], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    moved = tmp_path / "another machine" / "run"
    moved.parent.mkdir()
    whole.rename(moved)
    monkeypatch.chdir(moved.parent)

    assert verify(moved) == []
    assert reevaluate(moved, known).same


def test_another_evaluator_is_named_and_so_is_what_it_changes(
    whole: Path, known: dict[str, Procedure], procedure: Callable[..., Procedure]
) -> None:
    def doubled(*given: Any) -> tuple[Estimate, ...]:
        return tuple(
            replace(estimate, value=estimate.value / 2) if estimate.name == "mean_offset" else estimate
            for estimate in known["offset"].evaluate(*given)
        )

    again = reevaluate(whole, {**known, "offset": procedure("offset", version="4", evaluate=doubled)})

    assert not again.same
    assert again.evaluators == ("offset: judged by evaluator 3 then, by 4 now",)
    assert [text.replace(THIN, " ") for text in again.differences] == [
        "offset mean_offset: 46.5 µm ± 1.0 µm, ≤ 25 µm, FAIL then, 23.2 µm ± 1.0 µm, ≤ 25 µm, PASS now"
    ]


def test_digits_that_arent_reported_may_change(
    whole: Path, known: dict[str, Procedure], procedure: Callable[..., Procedure]
) -> None:
    def nearly(*given: Any) -> tuple[Estimate, ...]:
        return tuple(
            replace(estimate, value=estimate.value * (1 + 1e-12)) if estimate.value else estimate
            for estimate in known["offset"].evaluate(*given)
        )

    assert reevaluate(whole, {**known, "offset": procedure("offset", evaluate=nearly)}).same


def test_readings_that_were_changed_since_are_told(whole: Path, known: dict[str, Procedure]) -> None:
    path = whole / "offset.journal.jsonl"
    path.write_bytes(path.read_bytes()[:-5])

    again = reevaluate(whole, known)
    assert not again.same
    assert "ABORTED now" in again.differences[0]


def test_a_finding_that_the_record_lacks_is_told(whole: Path, known: dict[str, Procedure]) -> None:
    path = whole / "record.json"
    record = json.loads(path.read_text())
    del record["sections"]["findings"][1]
    path.write_text(json.dumps(record))

    assert reevaluate(whole, known).differences == ("offset alarms: not judged then, 1, ≤ 2, PASS now",)


def test_a_record_of_a_procedure_that_isnt_installed(whole: Path, known: dict[str, Procedure]) -> None:
    del known["play"]
    with pytest.raises(BadInput, match="unknown procedure 'play'"):
        reevaluate(whole, known)


def test_the_journal_of_a_record_opens(whole: Path) -> None:
    assert isinstance(open_record(whole).journal("offset"), JournalReadings)
    assert [row["alarm"] for row in open_record(whole).journal("offset").rows("stops")] == [True, False]
