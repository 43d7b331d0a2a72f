"""A record in a comment: what isn't well first, short, and nothing that Markdown would take for itself."""

from __future__ import annotations

from typing import Any

import pytest

from stepwitness.history.notes import notes
from stepwitness.history.summary import LONGEST, MOST_ROWS, markdown


def finding(name: str, verdict: str = "PASS") -> dict[str, Any]:
    return {
        "procedure": "backlash",
        "characteristic": name,
        "title": name,
        "symbol": "",
        "verdict": verdict,
        "shown": {"text": "18.4 µm ± 2.2 µm", "limit": "≤ 25 µm"},
    }


def compared(name: str, *, status: str = "same", fails: bool = False, splits: Any = ()) -> dict[str, Any]:
    return {
        "procedure": "backlash",
        "characteristic": name,
        "title": name,
        "symbol": "",
        "status": status,
        "changed": status not in ("same", "new"),
        "fails": fails,
        "words": f"{status} indeed",
        "points": [["2026-11-24T02:10:00+00:00", 0.0], ["2026-11-25T02:10:00+00:00", 0.0]],
        "splits": list(splits),
    }


def past(*entries: dict[str, Any], **changes: Any) -> dict[str, Any]:
    empty = {"guard": None, "attempts": [], "flaky": False, "flaky_nights": 0, "nights": 1, "fails": []}
    return {**empty, "characteristics": list(entries), **changes}


def record(
    *findings: dict[str, Any], history: Any = None, verdict: str = "PASS", axis: str = "doser"
) -> dict[str, Any]:
    return {
        "run": {
            "id": "r-1",
            "verdict": verdict,
            "simulated": False,
            "started": "2026-11-25T02:10:00+00:00",
            "statement": f"{axis}, serial TB-0417: {verdict}. So it is.",
        },
        "plan": {"name": "nightly"},
        "bench": {"name": "doser-rig-1"},
        "axis": {"name": axis, "serial": "TB-0417"},
        "findings": list(findings),
        **({} if history is None else {"history": history}),
    }


def test_a_good_night_is_a_few_lines() -> None:
    told = markdown([record(finding("a"), finding("b"), history=past(compared("a"), compared("b")))])

    assert told.splitlines() == [
        "### PASS: doser, serial TB-0417 · nightly on doser-rig-1",
        "",
        "doser, serial TB-0417: PASS. So it is.",
        "",
        "2 of 2 limits hold.",
        "<sub>record r-1 · 2026-11-25T02:10:00+00:00</sub>",
    ]


def test_what_fails_and_what_changed_are_rows_and_the_rest_is_counted() -> None:
    history = past(compared("a"), compared("b", status="drifted"), compared("c", status="new"))
    told = markdown(
        [record(finding("a", "FAIL"), finding("b"), finding("c"), history=history, verdict="FAIL")],
        reports=["reports/x/report.html"],
    )

    assert "| **FAIL** | backlash: a | 18.4 µm ± 2.2 µm | ≤ 25 µm | same indeed |" in told
    assert "| PASS | backlash: b | 18.4 µm ± 2.2 µm | ≤ 25 µm | drifted indeed |" in told
    assert "backlash: c" not in told
    assert "1 of 3 limits hold and are what they were. Too short a history to be compared: 1." in told
    assert told.rstrip().endswith("· reports/x/report.html</sub>")


def test_a_run_that_its_policy_fails_says_so_in_its_heading() -> None:
    history = past(compared("a", status="step change", fails=True), fails=["backlash: a: step change"])
    told = markdown([record(finding("a"), history=history)])

    assert told.startswith("### PASS, but changed: doser")
    assert "**step change indeed**" in told


def test_markdown_leaves_texts_alone() -> None:
    told = markdown([record(finding("a|b_c*"), finding("x", "FAIL"), axis="do<b>ser", history=past())])

    assert "do\\<b\\>ser" in told
    assert "a|b_c*" not in told


def test_many_findings_are_counted_and_a_long_text_is_cut_at_a_line() -> None:
    many = [finding(f"c{number}", "FAIL") for number in range(MOST_ROWS + 6)]
    one = record(*many, verdict="FAIL")

    assert f"and {6} more like these" in markdown([one])
    assert len(markdown([one]).splitlines()) < 40
    told = markdown([one] * 60)
    assert len(told) <= LONGEST
    assert told.rstrip().endswith("The rest is left out here; it stands in the reports.")


def test_troubles_and_nothing_at_all() -> None:
    assert markdown([]) == "No record was made.\n"
    assert markdown([], troubles=["the safe state wasn't reached"]) == "- the safe state wasn't reached\n"


def test_notes_begin_with_what_holds_for_the_whole_night() -> None:
    split = {"at": 1, "changed": ["the plan was revised"]}
    history = past(
        compared("a", status="step change", fails=True, splits=[split]),
        guard={"procedure": "check_standard", "holds": False, "reason": "gauge is FAIL"},
        attempts=[{"id": "r-0", "verdict": "ABORTED"}, {"id": "r-1", "verdict": "PASS"}],
        flaky=True,
        flaky_nights=2,
        nights=30,
        fails=["the check standard 'check_standard' isn't what it was: gauge is FAIL", "backlash: a: step change"],
    )
    told = [note.told for note in notes(history)]

    assert told == [
        "the check standard 'check_standard' isn't what it was (gauge is FAIL): no other comparison of this run is "
        "sure; the plan fails the run for it",
        "flaky as in 2 of 30 nights: attempt 1 ABORTED (r-0), attempt 2 PASS",
        "a new history begins with this run: the plan was revised",
        "backlash: a: step change indeed; the plan fails the run for it",
    ]


@pytest.mark.parametrize("verdicts", [["PASS"], ["PASS", "PASS"]])
def test_attempts_that_were_all_good_are_not_worth_a_line(verdicts: list[str]) -> None:
    attempts = [{"id": f"r-{number}", "verdict": verdict} for number, verdict in enumerate(verdicts)]

    assert list(notes(past(attempts=attempts))) == []


def test_a_section_that_could_not_be_made_has_no_notes() -> None:
    assert list(notes({})) == []
