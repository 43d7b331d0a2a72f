"""The sheet of a lot: what stands on it, and that it says nothing which its document doesn't."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from stepwitness.errors import StepwitnessError
from stepwitness.inspection.supply import LOT_SCHEMA
from stepwitness.records.sealed import write_sealed
from stepwitness_reports.lot import render


def finding(value_um: float | None, verdict: str, *, name: str = "offset") -> dict[str, Any]:
    shown = {"text": f"{value_um} µm ± 2.0 µm" if value_um is not None else "—", "limit": "≤ 25 µm"}
    return {
        "procedure": "sway",
        "characteristic": name,
        "title": name,
        "symbol": "O",
        "value": None if value_um is None else value_um * 1e-6,
        "U": 2e-6,
        "limit": 25e-6,
        "sense": "at most",
        "verdict": verdict,
        "reason": "no gauge on the load" if value_um is None else "",
        "shown": shown,
    }


def attempt(number: int, verdict: str | None, **more: Any) -> dict[str, Any]:
    return {
        "number": number,
        "begun": "2026-11-25T10:00:00+00:00",
        "operator": "",
        "reason": "",
        "retest": False,
        "folder": f"incoming-rig-1/2026-11-25T100{number}",
        "record": f"abc-{number}" if verdict else None,
        "verdict": verdict,
        "statement": "nothing was acquired before the process died",
        **more,
    }


def unit(serial: str, outcome: str, findings: list[dict[str, Any]], *attempts: dict[str, Any]) -> dict[str, Any]:
    decided = attempts[-1]["number"] if outcome != "open" and attempts else None
    return {
        "serial": serial,
        "outcome": outcome,
        "decided_by": decided,
        "attempts": list(attempts),
        "findings": findings,
    }


UNITS = (
    unit(
        "TX-1", "conforming", [finding(10.0, "PASS")], attempt(1, None), attempt(2, "PASS", reason="undecided before")
    ),
    unit("TX-2", "nonconforming", [finding(41.0, "FAIL")], attempt(1, "FAIL", operator="AB")),
    unit("TX-3", "open", [finding(None, "NOT OBSERVABLE")], attempt(1, "NOT OBSERVABLE")),
    unit("TX-<4>", "open", []),
)


def document(units: tuple[dict[str, Any], ...] = UNITS, **sentence: Any) -> dict[str, Any]:
    return {
        "lot": {
            "supplier": "Fennick <Screws>",
            "part": "FS-2040-B",
            "lot": "2026-117",
            "quantity": 25,
            "resubmits": "",
            "file": "doser.lot.yaml",
            "text": "supplier: Fennick <Screws>\n",
        },
        "plan": {"name": "doser", "file": "doser.plan.yaml", "text": "purpose: incoming\n"},
        "bench": {"name": "incoming-rig-1"},
        "axis": {"name": "doser"},
        "sampling": {
            "aql_percent": 4.0,
            "sample": 4,
            "attributes_sample": 4,
            "ac": 0,
            "re": 1,
            "k": None,
            "inconclusive": "nonconforming",
            "statement": "ISO 2859-1:1999, level II",
        },
        "draw": {"seed": 7, "method": "by digests", "serials": [one["serial"] for one in units]},
        "units": list(units),
        "refusals": [{"at": "2026-11-25T10:05:00+00:00", "scanned": "TB-9", "problem": "isn't a unit of this lot"}],
        "sentence": {
            "sentence": "not accepted",
            "statement": "lot 2026-117 of FS-2040-B from Fennick <Screws>: NOT ACCEPTED. 1 of 4 units.",
            "criteria": [],
            "at": "2026-11-25T11:00:00+00:00",
            "operator": "AB",
            "note": "",
            "simulated": True,
            **sentence,
        },
        "switching": {"number": 3, "follows": "f" * 64, "statement": "Inspection stays normal."},
        "software": {"stepwitness": "0.1.0"},
    }


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "reports" / "lots-simulated" / "Fennick" / "FS-2040-B" / "2026-117"
    made.mkdir(parents=True)
    return made


def page(folder: Path, sections: dict[str, Any]) -> str:
    write_sealed(folder / "lot.json", LOT_SCHEMA, sections)
    return render(folder).read_text(encoding="utf-8")


class Words(HTMLParser):
    """The page as read aloud: its text, without the style."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.parts: list[str] = []
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: Any) -> None:  # noqa: ARG002
        self._inside = tag

    def handle_data(self, data: str) -> None:
        if self._inside != "style" and data.strip():
            self.parts.append(data.strip())

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.parts))


def test_the_sentence_comes_first_then_how_inspection_goes_on_then_nonconforming_units(folder: Path) -> None:
    words = Words(page(folder, document())).text
    places = [
        words.index(text)
        for text in ("SIMULATED", "NOT ACCEPTED. 1 of 4", "Inspection stays normal.", "TX-2", "TX-3", "TX-1")
    ]
    assert places[1:] == sorted(places[1:])
    assert places[0] < places[2]


def test_each_record_is_linked_from_where_the_sheet_stands(folder: Path) -> None:
    text = page(folder, document())
    links = re.findall(r'href="([^"]+)"', text)
    reports = folder.parents[3]
    assert [(folder / link).resolve() for link in links] == [
        reports / f"incoming-rig-1/2026-11-25T100{number}/report.html" for number in (1, 1, 2)
    ]


def test_every_attempt_is_told_and_which_one_counts(folder: Path) -> None:
    words = Words(page(folder, document())).text
    assert "nothing was acquired before the process died" in words
    assert "undecided before; this one counts" in words
    assert "by AB" in words
    assert "not tested" in words
    assert "TB-9 isn't a unit of this lot" in words


def test_what_comes_from_files_is_escaped(folder: Path) -> None:
    text = page(folder, document())
    assert "<Screws>" not in text
    assert "TX-<4>" not in text


def test_a_value_stands_where_its_share_of_the_limit_is(folder: Path) -> None:
    """10 and 41 of 25: the crossed mark is beyond the limit's edge, the disc before it, in the same proportion."""
    text = page(folder, document())
    edge = float(re.search(r'<line x1="([\d.]+)"[^>]*class="edge"', text)[1])  # type: ignore[index]
    disc = float(re.search(r'<circle cx="([\d.]+)"[^>]*class="unit"', text)[1])  # type: ignore[index]
    cross = 4.0 + float(re.search(r'<path d="M([\d.]+) [^"]*" class="broken"', text)[1])  # type: ignore[index]
    left = 20.0
    assert (disc - left) / (edge - left) == pytest.approx(10 / 25, abs=2e-3)
    assert (cross - left) / (edge - left) == pytest.approx(41 / 25, abs=2e-3)


def test_a_sample_that_is_incomplete_says_so_in_a_band_and_why_it_was_closed(folder: Path) -> None:
    words = Words(page(folder, document(sentence="sample incomplete", note="the rig is away"))).text
    assert "SAMPLE INCOMPLETE : this lot has no sentence" in words
    assert "Closed before the sample was whole: the rig is away" in words


def test_a_document_that_was_changed_says_so(folder: Path) -> None:
    page(folder, document())
    path = folder / "lot.json"
    path.write_bytes(path.read_bytes().replace(b"not accepted", b"accepted"))
    words = Words(render(folder).read_text(encoding="utf-8")).text
    assert "ALTERED : the document isn't what was sealed: lot.json: sentence.sentence" in words


def test_the_same_document_gives_the_same_bytes(folder: Path) -> None:
    assert page(folder, document()) == render(folder).read_text(encoding="utf-8")


def test_without_a_document_there_is_no_sheet(folder: Path) -> None:
    with pytest.raises(StepwitnessError, match=r"lot\.json: can't be read"):
        render(folder)
