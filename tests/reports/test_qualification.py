"""The page of a qualification: what stands on it, and that it says nothing which its document doesn't."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from stepwitness.errors import StepwitnessError
from stepwitness.qualification.document import SCHEMA
from stepwitness.records.sealed import write_sealed
from stepwitness_reports.qualification import page_of, render

AT = "2026-11-25T10:00:00+00:00"


def act(text: str = "", *, by: str = "", about: str = "", rehearsed: bool = False) -> dict[str, Any]:
    return {"at": AT, "by": by, "text": text, "about": about, "rehearsed": rehearsed}


def attempt(number: int, verdict: str | None, **more: Any) -> dict[str, Any]:
    return {
        "clause": "4.1",
        "serial": "U1",
        "number": number,
        "begun": AT,
        "operator": "",
        "rerun": None,
        "reason": "",
        "folder": f"lab-rig-1/2026-11-25T100{number}",
        "ambient": None,
        "record": f"abc-{number}" if verdict else None,
        "seal": "00" if verdict else None,
        "verdict": verdict,
        "statement": "it was broken off",
        "findings": [],
        "earlier_plan": False,
        **more,
    }


def cell(serial: str, verdict: str | None, *attempts: dict[str, Any], counts: int | None = None) -> dict[str, Any]:
    return {
        "clause": "4.1",
        "serial": serial,
        "verdict": verdict,
        "counts": counts or (attempts[-1]["number"] if verdict else None),
        "because": "the first record that decided it" if verdict else "",
        "attempts": list(attempts),
    }


def sections(*cells: dict[str, Any], verdict: str = "FAIL", **more: Any) -> dict[str, Any]:
    return {
        "qualification": {
            "number": "TB-Q-1",
            "title": "doser <new>",
            "axis": "doser",
            "file": "doser.qualification.yaml",
            "sha256": "aa",
            "revision": {"mark": "B", "of": None, "changes": ""},
            "approval": None,
            "units": [one["serial"] for one in cells],
            "order": "by clause",
            "begun": AT,
        },
        "clauses": [
            {
                "number": "4.1",
                "title": "Sway",
                "plan": {"name": "sway", "file": "sway.plan.yaml", "sha256": "bb"},
                "bench": "lab-rig-1",
                "rule": "guarded",
                "criterion": "every unit passes",
                "counting_reruns": ["rework"],
                "verdict": None if verdict == "INCOMPLETE" else verdict,
                "statement": "what came out.",
                "numbers": {},
            }
        ],
        "matrix": list(cells),
        "other_attempts": [],
        "conditions": {
            "preconditions": [{"text": "run in", "confirmed": act(rehearsed=True)}],
            "required": [{"quantity": "temperature", "low": 20.0, "high": 26.0, "unit": "°C"}],
            "recorded": [{"at": AT, "by": "AB", "values": {"temperature": "22.4 °C"}}],
        },
        "hold_points": [
            {"id": "H1", "before": "4.1", "title": "reviewed", "by": "quality", "released": act("as expected")}
        ],
        "deviations": [act("fan broken", about="temperature", by="AB")],
        "changes": [{**act("one unit more"), "revision": "B", "as_deviation": False, "files": {"x.yaml": "cc"}}],
        "absent": ["approval of the qualification file"],
        "end": {
            "verdict": verdict,
            "statement": f"qualification TB-Q-1, revision B: {verdict}. The reason.",
            "at": AT,
            "operator": "AB",
            "authorised_by": "",
            "note": "",
            "simulated": True,
            "rehearsed": False,
        },
        "texts": {"in_force": {"doser.qualification.yaml": "aa"}, "by_sha256": {"aa": "number: 1\n", "dd": "old\n"}},
        "software": {"stepwitness": "0.1.0"},
        **more,
    }


@pytest.fixture
def drawn(tmp_path: Path):
    """The page of some sections, as text without tags, and as HTML."""

    def draw(told: dict[str, Any]) -> tuple[str, str]:
        folder = tmp_path / "reports" / "qualifications" / told["qualification"]["number"]
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "qualification.json").unlink(missing_ok=True)
        write_sealed(folder / "qualification.json", SCHEMA, told)
        html = render(folder).read_text(encoding="utf-8")
        body = re.sub(r"<style>.*?</style>", "", html, flags=re.DOTALL)
        return " ".join(re.sub(r"<[^>]+>", " ", body).split()), html

    return draw


def test_verdict_matrix_and_the_rest_in_their_order(drawn) -> None:
    first = attempt(1, "FAIL")
    again = attempt(2, "PASS", reason="rework: nut", operator="AB")
    text, html = drawn(sections(cell("U1", "FAIL", first, again, counts=1), cell("U2", "PASS", attempt(1, "PASS"))))
    order = [
        "SIMULATED",
        "qualification TB-Q-1, revision B: FAIL. The reason.",
        "Each clause on each unit",
        "4.1 Sway",
        "FAIL attempt 1 of 2",
        "what came out.",
        "Asked: Every unit passes.",
        "a re-run for rework counts in place of the first record",
        "4.1, U1, attempt 1",
        "counts, as the first record that decided it",
        "4.1, U1, attempt 2",
        "rework: nut; kept, doesn&#39;t count; by AB",
        "temperature: fan broken; by AB",
        "revision B, x.yaml changed: one unit more",
        "reviewed, quality; released 2026-11-25",
        "without initials: as expected",
        "run in: taken as met, in rehearsal",
        "20 to 26",
        "approval of the qualification file",
        "absent",
        "an earlier text, SHA-256 dd",
    ]
    at = -1
    for words in order:
        words_plain = words
        found = text.find(words_plain, at + 1)
        assert found > at, words
        at = found
    assert 'href="../../lab-rig-1/2026-11-25T1001/report.html"' in html
    assert "doser &lt;new&gt;" in html
    assert "<script" not in html
    assert "http" not in html.replace("http://www.w3.org", "")


def test_many_units_go_down_the_page(drawn, tmp_path: Path) -> None:
    cells = [cell(f"U{at}", "PASS", attempt(1, "PASS")) for at in range(1, 9)]
    drawn(sections(*cells, verdict="PASS"))
    page = page_of(tmp_path / "reports" / "qualifications" / "TB-Q-1")
    assert (page.corner, page.columns) == ("unit", ("clause 4.1",))
    assert [line.head for line in page.lines] == [f"U{at}" for at in range(1, 9)]


def test_what_is_open_and_what_left_no_record(drawn) -> None:
    text, _ = drawn(
        sections(
            cell("U1", None, attempt(1, None)),
            cell("U2", None),
            cell("U3", None, attempt(1, "ABORTED")),
            verdict="INCOMPLETE",
        )
    )
    assert "INCOMPLETE : this document sentences nothing" in text
    assert "open" in text
    assert "not tested" in text
    assert "4.1, U1, attempt 1 no record" in text
    assert "it was broken off" in text
    assert "ABORTED" in text


def test_an_altered_document_says_so(drawn, tmp_path: Path) -> None:
    drawn(sections(cell("U1", "FAIL", attempt(1, "FAIL"))))
    folder = tmp_path / "reports" / "qualifications" / "TB-Q-1"
    path = folder / "qualification.json"
    path.write_bytes(path.read_bytes().replace(b"The reason.", b"No reason!!"))
    assert "ALTERED" in render(folder).read_text(encoding="utf-8")


def test_the_same_document_gives_the_same_bytes(drawn) -> None:
    told = sections(cell("U1", "FAIL", attempt(1, "FAIL")))
    assert drawn(told)[1] == drawn(told)[1]


def test_a_folder_without_a_document_has_no_page(tmp_path: Path) -> None:
    with pytest.raises(StepwitnessError, match="can't be read"):
        render(tmp_path)
