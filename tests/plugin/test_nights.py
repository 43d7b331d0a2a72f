"""Night after night: what isn't what it was is told, in every place, and fails where the plan says so."""

from __future__ import annotations

import json
import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from stepwitness.cli import main
from stepwitness.records.manifest import verify, write_record

HEAD = "purpose: nightly\nbench: doser.bench.yaml\n"
SWAY = "procedures:\n  - sway: {limits: {offset: 25 um}}\n"
GUARDED = "procedures:\n  - standard: {limits: {offset: 25 um}}\n  - sway: {limits: {offset: 25 um}}\n"


def planned(lab: Any, history: str = "", procedures: str = SWAY) -> None:
    lab.write("nightly.plan.yaml", HEAD + history + procedures)


def nights_before(lab: Any, number: int, *, moved: dict[str, float] | None = None) -> None:
    """So many nights before the first run that is there, each as it was but for a scatter of 1 µm; `moved` by
    procedure adds to that run's values, in metres, what the nights before were less."""
    (path,) = lab.folder.glob("reports/*/*/record.json")
    text = path.read_text(encoding="utf-8")
    draw = np.random.default_rng(3)
    for back in range(number, 0, -1):
        sections = json.loads(text)["sections"]
        sections.pop("history")
        started = datetime.now(UTC) - timedelta(days=back)
        sections["run"] |= {"id": f"before-{back}", "started": started.isoformat(timespec="seconds")}
        for entry in sections["procedures"]:
            for estimate in entry["estimates"]:
                if estimate["name"] == "offset":
                    estimate["value"] += 1e-6 * draw.normal() + (moved or {}).get(entry["id"], 0.0)
        folder = path.parents[1] / f"{started:%Y-%m-%dT%H%M}"
        folder.mkdir()
        for journal in path.parent.glob("*.jsonl"):
            shutil.copy(journal, folder)
        write_record(folder, sections)
    # the run that they were made from is another night's too, or it would be tonight's first attempt
    for left in path.parent.iterdir():
        left.unlink()
    path.parent.rmdir()


@pytest.fixture(autouse=True)
def without_a_store(lab: Any) -> None:
    """Folders are the past here, but where a test says otherwise: filing thirty nights takes its time."""
    lab.write("pytest.ini", "[pytest]\nstepwitness_store = off\n")


@pytest.fixture
def lived(lab: Any) -> Any:
    """A plan with thirty nights behind it."""
    planned(lab)
    lab.run()
    nights_before(lab, 30)
    return lab


def properties(path: Path) -> list[dict[str, str]]:
    cases = ElementTree.parse(path).iter("testcase")
    return [{one.get("name", ""): one.get("value", "") for one in case.iter("property")} for case in cases]


def tonight(lab: Any) -> dict[str, Any]:
    return max(lab.records, key=lambda sections: sections["run"]["started"])


def test_a_first_night_is_new_and_says_nothing(lab: Any) -> None:
    planned(lab)
    result = lab.run()

    result.assert_outcomes(passed=1)
    assert [one["status"] for one in lab.record["history"]["characteristics"]] == ["new"]
    assert "history" not in result.stdout.str()


def test_a_night_like_those_before_is_the_same_and_says_nothing(lived: Any) -> None:
    result = lived.run("--junitxml", "j.xml")

    assert tonight(lived)["history"]["characteristics"][0]["words"] == "same as 30 runs before"
    assert properties(lived.folder / "j.xml")[0]["history"] == "same"
    assert "runs before" not in result.stdout.str()


def test_a_step_is_told_on_the_terminal_in_junit_and_in_the_summary(
    lived: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SWAY_MOVED", "12e-6")
    result = lived.run("--junitxml", "j.xml", "--stepwitness-summary", "out/s.md")

    result.assert_outcomes(passed=1)
    assert result.ret == 0
    result.stdout.fnmatch_lines(["  sway: offset at the load O: step change of +11.9?µm in this run"])
    told = properties(lived.folder / "j.xml")[0]
    assert told["history"] == "step change"
    assert told["history_says"].startswith("step change of +1")
    summary = (lived.folder / "out/s.md").read_text(encoding="utf-8").replace("\u2009", " ")
    assert "| PASS | sway: offset at the load O | 22.0 µm ± 2.0 µm | ≤ 25 µm | step change of +1" in summary
    assert len(summary.splitlines()) < 40


def test_commands_that_read_the_store_tell_it_too(
    lived: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    lived.write("pytest.ini", "[pytest]\n")
    monkeypatch.setenv("SWAY_MOVED", "12e-6")
    lived.run().assert_outcomes(passed=1)
    monkeypatch.chdir(lived.folder)

    def said(*arguments: str) -> str:
        capsys.readouterr()
        assert main(arguments) == 0
        return capsys.readouterr().out.replace("\u2009", " ")

    assert (
        said("trend", "sway.offset", "--svg", "trend.svg")
        .splitlines()[-2]
        .startswith("  the newest run: step change of +1")
    )
    assert "The newest run: step change of +1" in Path("trend.svg").read_text(encoding="utf-8")
    newest = tonight(lived)["run"]["id"]
    assert "\nsway: offset at the load O: step change of +1" in said("show", newest)


def test_the_policy_fails_the_test_though_its_limit_holds(lab: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lab, "history: {on_step: fail}\n")
    lab.run()
    nights_before(lab, 30)
    monkeypatch.setenv("SWAY_MOVED", "12e-6")
    result = lab.run()

    result.assert_outcomes(failed=1)
    assert result.ret == 1
    result.stdout.fnmatch_lines(["*sway: PASS, but offset at the load O isn't what it was: step change of +1*"])
    assert tonight(lab)["history"]["fails"] == ["sway: offset at the load: step change"]
    assert tonight(lab)["run"]["verdict"] == "PASS"


def test_on_workers_the_policy_holds_too(lab: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lab, "history: {on_step: fail}\n")
    lab.run()
    nights_before(lab, 12)
    monkeypatch.setenv("SWAY_MOVED", "12e-6")
    result = lab.run_apart("-n", "2")

    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*offset at the load O isn't what it was*"])


def test_a_revised_plan_begins_a_new_history(lived: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lived, "inform_only: yes\n")  # which is what a measurement may depend on, unlike a comment
    monkeypatch.setenv("SWAY_MOVED", "12e-6")
    result = lived.run()

    result.stdout.fnmatch_lines(["  a new history begins with this run: the plan was revised"])
    (told,) = tonight(lived)["history"]["characteristics"]
    assert (told["status"], told["first"]) == ("new", 30)
    result = lived.run()
    assert "a new history" not in result.stdout.str()


def test_a_comment_and_another_policy_revise_nothing(lived: Any) -> None:
    planned(lived, "# looked at in November\nhistory: {on_step: fail}\n")
    result = lived.run()

    assert "a new history" not in result.stdout.str()
    assert tonight(lived)["history"]["characteristics"][0]["status"] == "same"


def test_a_check_standard_is_measured_first_whatever_the_order(lab: Any) -> None:
    planned(
        lab, procedures=GUARDED.replace("- sway: {", "- sway: {label: sway, ").replace("d: {", "d: {label: first, ")
    )
    lab.run("nightly.plan.yaml::doser::sway::offset")

    assert lab.motions == ["first", "sway"]
    assert lab.record["run"]["partial"]


def test_where_the_check_standard_moved_everything_else_fails(lab: Any) -> None:
    planned(lab, procedures=GUARDED)
    lab.run()
    nights_before(lab, 30, moved={"standard": -12e-6})
    result = lab.run("--stepwitness-summary", "s.md")

    result.assert_outcomes(failed=2)
    assert result.stdout.str().count("but the check standard 'standard' isn't what it was: offset at the load") == 2
    result.stdout.fnmatch_lines(["  the check standard 'standard' isn't what it was (*"])
    history = tonight(lab)["history"]
    assert not history["guard"]["holds"]
    assert history["characteristics"][1]["status"] == "same"
    assert "no other comparison of this run is sure" in (lab.folder / "s.md").read_text(encoding="utf-8")


def test_a_plan_may_only_warn_of_its_check_standard(lab: Any) -> None:
    planned(lab, "history: {on_check_standard: warn}\n", GUARDED)
    lab.run()
    nights_before(lab, 30, moved={"standard": -12e-6})
    result = lab.run()

    result.assert_outcomes(passed=2)
    assert result.ret == 0
    result.stdout.fnmatch_lines(["  the check standard 'standard' isn't what it was (*"])


def test_a_good_check_standard_says_nothing(lab: Any) -> None:
    planned(lab, procedures=GUARDED)
    lab.run().assert_outcomes(passed=2)

    assert lab.record["history"]["guard"] == {"procedure": "standard", "holds": True, "reason": ""}


def test_a_pass_at_the_second_attempt_shows_both_and_is_flaky(lab: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lab)
    monkeypatch.setenv("SWAY_MOVED", "30e-6")
    first = lab.run()
    monkeypatch.setenv("SWAY_MOVED", "0")
    second = lab.run()

    assert (first.ret, second.ret) == (1, 0)
    second.stdout.fnmatch_lines(["  flaky: attempt 1 FAIL (*-nightly), attempt 2 PASS"])
    latest = next(sections for sections in lab.records if sections["run"]["verdict"] == "PASS")
    assert [one["verdict"] for one in latest["history"]["attempts"]] == ["FAIL", "PASS"]
    assert latest["history"]["flaky"]


def test_a_rerun_in_one_run_is_an_attempt_of_its_own_and_shows_too(lab: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lab)
    monkeypatch.setenv("SWAY_MOVED", "30e-6,0")
    result = lab.run("-p", "rerunfailures", "--reruns", "1", "--stepwitness-new-attempt")

    assert result.ret == 0
    result.stdout.fnmatch_lines(["  flaky: attempt 1 FAIL (*-nightly), attempt 2 PASS"])
    assert sorted(sections["run"]["attempt"] for sections in lab.records) == [1, 2]


def test_a_flaky_pass_fails_where_the_plan_says_so(lab: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lab, "history: {on_flaky: fail}\n")
    monkeypatch.setenv("SWAY_MOVED", "30e-6")
    lab.run()
    monkeypatch.setenv("SWAY_MOVED", "0")
    result = lab.run()

    result.assert_outcomes(passed=1)
    assert result.ret == 1


def test_the_store_is_the_past_where_folders_are_gone(lab: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    planned(lab)
    lab.run()
    nights_before(lab, 12)
    store = ("--stepwitness-store", "s.sqlite")
    lab.run_apart(*store)
    shutil.rmtree(lab.folder / "reports")
    monkeypatch.setenv("SWAY_MOVED", "12e-6")
    lab.run_apart(*store)

    (told,) = tonight(lab)["history"]["characteristics"]
    assert told["status"] == "step change"
    assert told["runs"] == 14


def test_a_store_that_cannot_be_reached_leaves_the_folders(lived: Any) -> None:
    lived.run("--stepwitness-store", "postgresql+psycopg://rig@127.0.0.1:9/none")

    assert tonight(lived)["history"]["characteristics"][0]["words"] == "same as 30 runs before"


def test_a_past_that_cannot_be_compared_costs_no_record(lived: Any) -> None:
    broken = sorted(lived.folder.glob("reports/*/*/record.json"))[0]
    record = json.loads(broken.read_bytes())
    record["sections"]["run"]["started"] = "last night"
    broken.write_text(json.dumps(record), encoding="utf-8")
    result = lived.run()

    assert "not held against the runs before it" in result.stdout.str()
    assert result.ret == 1
    latest = max(lived.folder.glob("reports/*/*/record.json"), key=lambda path: path.stat().st_mtime)
    assert verify(latest.parent) == []


def test_warm_up_goes_before_the_first_procedure_alone(lab: Any) -> None:
    first = "procedures:\n  - sway: {id: one, limits: {offset: 25 um}}\n  - sway: {id: two, limits: {offset: 25 um}}\n"
    lab.write("nightly.plan.yaml", HEAD + "warm_up: {strokes: 2}\nsettling: 1 s\n" + first)
    lab.run().assert_outcomes(passed=2)

    written = {path.name: path.read_text(encoding="utf-8") for path in lab.folder.glob("reports/*/*/*.jsonl")}
    assert "warm_up" in written["one.journal.jsonl"]
    assert "warm_up" not in written["two.journal.jsonl"]


def test_a_unit_is_run_in_before_its_first_record_alone(lab: Any) -> None:
    planned(lab, "run_in: {strokes: 2}\n")
    lab.run()
    lab.run()
    journals = sorted(lab.folder.glob("reports/*/*/sway.journal.jsonl"), key=lambda path: path.stat().st_mtime)

    assert ["run_in" in path.read_text(encoding="utf-8") for path in journals] == [True, False]


def test_a_summary_that_cannot_be_written_is_told(lab: Any) -> None:
    planned(lab)
    (lab.folder / "taken").write_text("a file", encoding="utf-8")
    result = lab.run("--stepwitness-summary", os.path.join("taken", "s.md"))

    result.stdout.fnmatch_lines(["*taken*the summary can't be written*"])
    assert result.ret == 1
