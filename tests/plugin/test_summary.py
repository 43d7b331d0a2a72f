from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from pytest_stepwitness.sealing import ProcedureLine, Sealed
from pytest_stepwitness.summary import WIDTH, block, columns

STARTED = Path("/rigs")
THIN = "\u2009"


def finding(title: str, value: str, limit: str, verdict: str, procedure: str = "backlash") -> dict[str, Any]:
    return {
        "procedure": procedure,
        "title": title,
        "symbol": "",
        "verdict": verdict,
        "u": 1e-6 if "±" in value else 0.0,
        "k": 2.0,
        "shown": {"text": value, "limit": limit},
    }


def sealed(*findings: dict[str, Any], verdict: str, statement: str, **more: Any) -> Sealed:
    run = {"simulated": True, "attempt": 1, "verdict": verdict, "statement": statement}
    sections = {
        "run": run | more.pop("run", {}),
        "plan": {"name": "nightly", "file": "/rigs/tarnbrook/nightly.plan.yaml"},
        "bench": {"name": "doser-rig-1"},
        "findings": list(findings),
    }
    lines = (
        ProcedureLine("repeatability", "11 targets × 5 runs × 2 directions", 161.0),
        ProcedureLine("stall_recovery", "provoked at 0.05 A", 31.0),
        ProcedureLine("backlash", "3 places, at two drags, five reversals each, up and down and up again", None),
    )
    report = Path("/rigs/reports/doser-rig-1/2026-11-25T0210/report.html")
    given: dict[str, Any] = {"procedures": lines, "report": report, "hand_written": False, "failed": False} | more
    return Sealed(directory=report.parent, sections=sections, **given)


PASSED = finding("bidirectional repeatability", f"18.4{THIN}µm ± 2.2{THIN}µm", f"≤ 30{THIN}µm", "PASS")
FAILED = finding("mean reversal value B̄", f"−46.2{THIN}µm ± 4.1{THIN}µm", f"≤ 25{THIN}µm", "FAIL")
WIDEST = finding(
    "a characteristic whose title is as long as an author could wish for",
    f"−12{THIN}345.678{THIN}steps ± 0.123{THIN}steps",
    f"≤ 100{THIN}microsteps",
    "NOT OBSERVABLE",
)
FAIL = "doser, serial TB-0417: FAIL. Mean reversal value is −46.2 µm ± 4.1 µm (k = 2); the limit is 25 µm."
PASS = "doser: PASS. 12 of 12 limits hold (guarded acceptance, k = 2)."


def texts(one: Sealed, *, ascii_only: bool = False) -> list[str]:
    return [line.text for line in block(one, STARTED, ascii_only=ascii_only)]


def test_the_picture_of_a_run_that_holds() -> None:
    lines = texts(sealed(PASSED, verdict="PASS", statement=PASS))
    assert lines[0] == "tarnbrook/nightly.plan.yaml on doser-rig-1" + "SIMULATED".rjust(38)
    assert lines[1].startswith("  repeatability   11 targets × 5 runs × 2 directions")
    assert lines[1].endswith(f"2{THIN}min 41{THIN}s on the axis")
    assert lines[2].startswith("  stall recovery  provoked at 0.05 A")
    assert lines[-2] == "PASS  12 of 12 limits hold (guarded acceptance, k = 2)"
    assert lines[-1] == "reports/doser-rig-1/2026-11-25T0210/report.html"


def test_a_failure_is_told_in_a_sentence_and_marked_by_word_shape_and_colour() -> None:
    lines = block(sealed(PASSED, FAILED, verdict="FAIL", statement=FAIL), STARTED, ascii_only=False)
    assert "FAIL  Mean reversal value is −46.2 µm ± 4.1 µm (k = 2); the limit is 25 µm" in [one.text for one in lines]
    (row,) = [one for one in lines if "mean reversal value B̄" in one.text]
    assert row.text.endswith("✕ FAIL")
    assert row.markup == {"red": True, "bold": True}


def test_values_and_limits_end_in_one_column_even_with_combining_marks() -> None:
    lines = texts(sealed(PASSED, FAILED, verdict="FAIL", statement=FAIL))
    rows = [line for line in lines if line.endswith(("PASS", "FAIL")) and "±" in line]
    assert len(rows) == 2
    assert len({columns(row.partition("≤")[0]) for row in rows}) == 1


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize(
    "one",
    [
        sealed(PASSED, FAILED, WIDEST, verdict="FAIL", statement=FAIL),
        sealed(WIDEST, verdict="PARTIAL", statement="doser: PARTIAL, which" + " sentences nothing." * 20),
        sealed(verdict="PARTIAL", statement="doser: PARTIAL, which sentences nothing.", run={"attempt": 12}),
    ],
)
def test_it_fits_80_columns(one: Sealed, ascii_only: bool) -> None:
    for line in texts(one, ascii_only=ascii_only):
        assert columns(line) <= WIDTH, line
        assert not ascii_only or line.isascii(), line


def test_without_unicode_the_same_words_stand() -> None:
    lines = texts(sealed(PASSED, verdict="PASS", statement=PASS), ascii_only=True)
    assert "  bidirectional repeatability  18.4 um +/- 2.2 um  2  <= 30 um  PASS" in lines


def test_headings_that_stand_twice_are_told_apart_by_their_procedure() -> None:
    twice = [finding("reversal value", "1 µm", "≤ 2 µm", "PASS", procedure) for procedure in ("near", "far")]
    lines = texts(sealed(*twice, verdict="PASS", statement=PASS))
    assert [line.split("  ")[1] for line in lines if "reversal value" in line] == [
        "near: reversal value",
        "far: reversal value",
    ]


def test_live_and_attempts_stand_in_the_first_line() -> None:
    one = sealed(verdict="PASS", statement=PASS, run={"simulated": False, "attempt": 3})
    assert texts(one)[0].endswith("attempt 3  LIVE")


def test_a_terminal_without_unicode_gets_ascii(lab, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTHONIOENCODING", "ascii")
    lab.plan("value: 46.2 um, limits: {offset: 25 um}")
    result = lab.run_apart("-rA")
    result.assert_outcomes(failed=1)
    assert result.stdout.str().isascii()
    result.stdout.fnmatch_lines(
        [
            "sway: FAIL. Offset at the load O is 46.2 um +/- 2.0 um (k = 2); the limit is 25 um.*",
            "  offset at the load O  46.2 um +/- 2.0 um  2  <= 25 um  FAIL",
        ]
    )


def test_the_progress_line_stands_where_somebody_watches(lab) -> None:
    lab.plan("limits: {offset: 25 um}")
    lab.run("-v").stdout.fnmatch_lines(["*sway: 1 sway each way, 3?s on the axis"])
    lab.run().stdout.no_fnmatch_line("*sway: 1 sway each way*")
