"""The report as a file: whole, self-contained, and saying what the record says."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from stepwitness.display import THIN
from stepwitness.errors import StepwitnessError
from stepwitness.records.sealed import read_sealed
from stepwitness.records.signature import make_key, sign
from stepwitness_reports.html import render

_VOID = {"meta", "br", "link", "img", "input", "hr"}
_LOADS = {"src", "href", "srcset", "data", "action", "poster", "background"}


class Reader(HTMLParser):
    """Reads a page strictly: every tag closed in its turn; keeps text, ids, and whatever could load something."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.loads: list[str] = []
        self.styles: list[str] = []
        self.words: list[str] = []
        self.cells: list[str] = []
        self.feed(page)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in _VOID:
            self.open.append(tag)
        if tag in ("td", "th"):
            self.cells.append("")
        self.take(attrs)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.take(attrs)

    def take(self, attrs: list[tuple[str, str | None]]) -> None:
        for name, value in attrs:
            if name == "id":
                self.ids.append(value or "")
            if name in _LOADS or name.startswith("on"):
                self.loads.append(f"{name}={value}")

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "style":
            self.styles.append(data)
            return
        self.words.append(data)
        if "td" in self.open or "th" in self.open:
            self.cells[-1] += data

    @property
    def text(self) -> str:
        return "".join(self.words)


def read(directory: Path) -> Reader:
    return Reader(render(directory).read_text(encoding="utf-8"))


def test_it_is_one_valid_file_that_loads_nothing(make_run: Any) -> None:
    page = read(make_run.write())
    assert page.loads == []
    assert not {"script", "link", "iframe", "img", "object", "embed", "base"} & set(page.tags)
    css = "".join(page.styles)
    assert "url(" not in css
    assert "@import" not in css
    assert "http" not in css + page.text


def test_ids_are_unique_and_every_hatch_is_defined(make_run: Any) -> None:
    path = render(make_run.write())
    page = Reader(path.read_text(encoding="utf-8"))
    assert len(page.ids) == len(set(page.ids))
    used = set(re.findall(r'(?:url\(#|labelledby=")([\w-]+)', path.read_text(encoding="utf-8")))
    assert used
    assert used <= set(page.ids)


def test_the_verdict_comes_first_then_findings_then_pictures(make_run: Any) -> None:
    run = make_run.write()
    text = read(run).text
    order = [
        make_run.run["statement"],
        "Findings, worst first",
        "What the witnesses saw",
        "What was tested",
        "Raw numbers",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_every_finding_stands_with_the_digits_of_the_record(make_run: Any) -> None:
    cells = read(make_run.write()).cells
    for held in make_run.findings:
        shown = held["shown"]
        unit = THIN + shown["unit"] if shown["unit"] else ""
        row = cells.index(held["verdict"], _row_of(cells, held["title"]) - 1)
        assert cells[row + 2] == shown["value"] + unit
        assert cells[row + 3] == (f"± {shown['U']}{unit}" if shown["U"] else "")
        assert cells[row + 4] == ("2" if shown["U"] else "")
        assert cells[row + 5] == shown["limit"]


def _row_of(cells: list[str], title: str) -> int:
    return next(index for index, cell in enumerate(cells) if cell.startswith(title))


def test_findings_stand_worst_first(make_run: Any) -> None:
    cells = read(make_run.write()).cells
    verdicts = [cell for cell in cells if cell in {"PASS", "FAIL", "INCONCLUSIVE", "NOT OBSERVABLE", "ABORTED"}]
    assert verdicts == ["FAIL", "PASS", "PASS", "PASS", "PASS"]
    # of those that pass, the one with the least share of its limit left comes first
    assert _row_of(cells, "bidirectional repeatability") < _row_of(cells, "mean reversal")


def test_margins_are_signed_and_in_the_unit_of_the_limit(make_run: Any) -> None:
    cells = read(make_run.write()).cells
    assert cells[_row_of(cells, "reversal value at the load") + 5] == f"−21.2{THIN}µm"
    assert cells[_row_of(cells, "stall detection latency") + 5] == f"10.6{THIN}ms"


def test_each_verdict_has_its_word_and_a_shape_of_its_own(make_run: Any) -> None:
    words = ["FAIL", "ABORTED", "INCONCLUSIVE", "NOT OBSERVABLE", "PASS"]
    for held, verdict in zip(make_run.findings, words, strict=True):
        held["verdict"] = verdict
    page = render(make_run.write()).read_text(encoding="utf-8")
    shapes = re.findall(r'<td><span class="verdict [\w-]+"><svg class="mark"[^>]*>(.*?)</svg>([A-Z ]+)</span>', page)
    assert [word for _, word in shapes] == words
    assert len({shape for shape, _ in shapes}) == 5


def test_simulated_is_a_band_and_stands_at_the_foot_of_each_printed_page(make_run: Any) -> None:
    page = read(make_run.write())
    assert page.words[page.words.index("SIMULATED")] == "SIMULATED"
    assert page.text.index("SIMULATED") < page.text.index(make_run.run["statement"])
    css = "".join(page.styles)
    assert re.search(r'@bottom-left \{ content: "SIMULATED · ', css)
    # the band is the header group of a page that prints as one table, so it is repeated on every sheet
    assert re.search(r"\.bands \{ display: table-header-group", css)


def test_a_real_run_carries_no_simulated(make_run: Any) -> None:
    make_run.run.update(simulated=False, over="live")
    page = read(make_run.write())
    assert "SIMULATED" not in page.text + "".join(page.styles)
    assert "real parts" in page.text


def test_a_partial_run_says_so_in_a_band_and_lists_what_was_not_acquired(make_run: Any) -> None:
    make_run.run.update(partial=True, partial_reason="not acquired: stall_recovery", verdict="PARTIAL")
    make_run.not_acquired = [{"procedure": "stall_recovery", "characteristic": "detection_latency"}]
    del make_run.estimates["stall_recovery"]
    make_run.findings = make_run.findings[:3]
    path = render(make_run.write())
    text = Reader(path.read_text(encoding="utf-8")).text
    heading = path.read_text(encoding="utf-8").split("<h1>")[1].split("</h1>")[0]
    assert "<svg" not in heading
    assert "PARTIAL: this run sentences nothing (not acquired: stall_recovery)" in text
    assert "stall_recovery: detection_latency" in text


def test_an_aborted_procedure_tells_its_cause_and_shows_what_was_read(make_run: Any) -> None:
    cause = "the stop circuit opened during a move"
    make_run.outcomes["backlash"] = ("aborted", cause)
    make_run.estimates["backlash"] = []
    held = make_run.findings[2]
    held.update(value=None, u=None, U=None, margin=None, verdict="ABORTED", statement="", reason=cause)
    held["shown"].update(value="—", U="", unit="", text="—")
    path = render(make_run.write())
    text = Reader(path.read_text(encoding="utf-8")).text
    assert f"reversal value at the load: {cause}." in text
    assert "Aborted: the stop circuit opened during a move." in text
    assert "Reversal at each place" in text


def test_the_last_exchanges_with_each_part_stand_with_an_aborted_procedure(make_run: Any) -> None:
    make_run.outcomes["backlash"] = ("aborted", "the drive didn't answer")
    asked = {"part": "drive", "asked_s": 1.0, "took_s": 0.0125, "answered": True}
    make_run.exchanges["backlash"] = [
        *({**asked, "sent": f"position? <{number}>", "heard": "3200"} for number in range(9)),
        {**asked, "sent": "status?", "heard": "", "answered": False, "took_s": 0.5},
        {**asked, "part": "gauge", "sent": "READ?", "heard": "+1.25E-3"},
    ]
    text = read(make_run.write()).text
    assert text.count("the last exchanges with each part") == 1
    assert "drive: position? <4> → 3200, 12.5 ms" in text
    assert "position? <3>" not in text
    assert "drive: status? → nothing, 500.0 ms (not answered)" in text
    assert "gauge: READ? → +1.25E-3, 12.5 ms" in text


def test_a_journal_without_any_reading_gives_no_picture_and_says_so(make_run: Any) -> None:
    make_run.outcomes["backlash"] = ("aborted", "Ctrl-C")
    make_run.runs = 0
    text = read(make_run.write()).text
    assert "Aborted: Ctrl-C." in text
    assert "Reversal at each place" not in text


def test_without_a_gauge_the_motor_side_is_drawn_and_named(gaugeless_run: Any) -> None:
    page = read(gaugeless_run.write())
    assert "says nothing of the load" in page.text
    assert "gauge read" not in page.text
    assert page.cells.count("no value") == 3
    assert "no displacement gauge on the load" in page.text


def test_a_reason_that_several_findings_share_stands_once(gaugeless_run: Any) -> None:
    page = read(gaugeless_run.write())
    titles = "bidirectional repeatability, mean reversal value, reversal value at the load"
    assert page.text.count(f"{titles}: no displacement gauge on the load") == 1


def test_texts_of_a_record_are_escaped(make_run: Any) -> None:
    attack = "<script>alert(1)</script><b title='\"'>&amp;"
    make_run.findings[2]["statement"] = attack
    make_run.run["statement"] = attack
    make_run.run["id"] = '"}</style><script>'
    make_run.identities["drive"] = attack
    make_run.estimates["repeatability"][0]["budget"][0]["source"] = attack
    make_run.bench_text = make_run.bench_text + "# " + attack + "\n"
    page = read(make_run.write())
    assert "script" not in page.tags
    assert page.text.count(attack) >= 5
    assert '"}' not in "".join(page.styles).split("@bottom-left")[1].split(";")[0]


def test_a_second_rendering_gives_the_same_bytes(make_run: Any) -> None:
    run = make_run.write()
    first = render(run).read_bytes()
    assert render(run).read_bytes() == first
    assert sorted(path.name for path in run.iterdir()) == [
        "backlash.journal.jsonl",
        "record.json",
        "repeatability.journal.jsonl",
        "report.html",
        "stall_recovery.journal.jsonl",
    ]


def test_a_changed_journal_is_told_in_a_band(make_run: Any) -> None:
    run = make_run.write()
    journal = run / "backlash.journal.jsonl"
    journal.write_text(journal.read_text(encoding="utf-8").replace("0.0155", "0.0156", 1), encoding="utf-8")
    text = read(run).text
    assert "ALTERED: the record isn't what was sealed: backlash.journal.jsonl:2" in text
    assert "The readings can't be shown" in text


def test_a_missing_journal_leaves_the_rest_of_the_page(make_run: Any) -> None:
    run = make_run.write()
    (run / "backlash.journal.jsonl").unlink()
    text = read(run).text
    assert "The readings can't be shown" in text
    assert "Deviation from the target" in text


def test_a_bench_that_cannot_be_read_any_more_is_told_and_its_text_stands(make_run: Any) -> None:
    make_run.bench_text = "name: doser-rig-1\naxis: {}\n"
    text = read(make_run.write()).text
    assert "This version can't read the bench file of the record any more" in text
    assert "axis: {}" in text
    assert f"46.2{THIN}µm" in text


def test_no_record_is_one_error_that_names_the_place(tmp_path: Path) -> None:
    with pytest.raises(StepwitnessError, match=r"record\.json"):
        render(tmp_path)


def test_bench_calibration_settings_and_seal_are_told(make_run: Any) -> None:
    run = make_run.write()
    page = read(run)
    seal = json.loads((run / "record.json").read_text(encoding="utf-8"))["seal"]["sha256"]
    assert seal in page.text
    assert f"certificate TB-0031, valid to 2027-03-01, U = 1.2{THIN}µm (k = 2)" in page.text
    assert f"25{THIN}µm (2.5{THIN}steps)" in page.text
    assert "Guarded acceptance" in page.text
    assert "expired" not in page.text


def test_an_expired_calibration_is_told(make_run: Any) -> None:
    make_run.bench_text = make_run.bench_text.replace("2027-03-01", "2026-11-20")
    assert "expired 5 days before this run" in read(make_run.write()).text


def test_a_long_run_keeps_the_page_small(make_run: Any) -> None:
    make_run.runs = 200
    page = read(make_run.write())
    assert "The first 400 of 4" + THIN + "400 rows" in page.text
    assert "the least and the greatest of each target and direction" in page.text
    assert len("".join(page.words)) < 200_000


def with_knowledge(make_run: Any) -> Any:
    """The run with what records hold since findings carry probabilities and estimates intervals."""
    estimate = make_run.estimates["repeatability"][0]
    estimate["budget"] = [
        {"source": "spread, from few runs", "u": 3e-6, "type": "A", "dof": 6.7, "distribution": "t"},
        {"source": "resolution, both readings", "u": 1e-6, "type": "B", "dof": None, "distribution": "triangular"},
    ]
    estimate["dof"] = 8.27
    estimate["interval"] = {
        "low": 5.0e-5,
        "high": 5.6e-5,
        "confidence": 0.95,
        "of": "the figure that this test would give on average",
        "shown": f"50.0 to 56.0{THIN}µm",
    }
    for finding, probability in zip(make_run.findings, (0.9871, 0.99999, 0.0, 1.0, 1.0), strict=True):
        finding["probability"] = probability
    return make_run


def test_each_finding_has_its_probability_of_conformity(make_run: Any) -> None:
    page = read(with_knowledge(make_run).write())
    cells = [cell.replace(THIN, " ") for cell in page.cells]

    assert "P(conform)" in cells
    told = ("98.7 %", "> 99.9 %", "0 %", "100 %")
    assert sorted(cell for cell in cells if cell in told) == sorted(("98.7 %", "> 99.9 %", "0 %", "100 %", "100 %"))


def test_the_interval_that_decided_stands_below_the_value_and_nowhere_else(make_run: Any) -> None:
    make_run.findings[0]["decided_by"] = {
        "low": 5.0e-5,
        "high": 5.6e-5,
        "confidence": 0.95,
        "shown": f"50.0 to 56.0{THIN}µm",
    }
    make_run.findings[1]["decided_by"] = None
    page = read(make_run.write())
    cells = [cell.replace(THIN, " ") for cell in page.cells if "95\u2009%" in cell]

    (cell,) = cells
    assert cell.endswith("95 %: 50.0 to 56.0 µm")
    assert cell.startswith(make_run.findings[0]["shown"]["value"])


def test_a_budget_is_a_table_and_a_bar_of_shares_with_the_figures_clause(make_run: Any) -> None:
    path = render(with_knowledge(make_run).write())
    page, text = path.read_text(encoding="utf-8"), Reader(path.read_text(encoding="utf-8")).text.replace(THIN, " ")

    assert "ISO 230-2:2014 3.19" in text
    assert "95 % interval 50.0 to 56.0 µm, of the figure that this test would give on average." in text
    start = page.index("spread, from few runs")
    table = page[start : page.index("combined standard uncertainty u", start)]
    widths = [float(width) for width in re.findall(r'<rect [^>]*width="([\d.]+)"', table)]
    cells = [re.sub(r"<[^>]+>", "", cell).replace(THIN, " ") for cell in re.findall(r"<td[^>]*>(.*?)</td>", table)]
    assert widths == [90.0, 10.0]
    assert cells == ["A", "t", "6", "3.0 µm", "90 %", "", "B", "triangular", "—", "1.0 µm", "10 %", ""]


@pytest.mark.parametrize(
    ("rule", "risk", "words"),
    [("guarded-rejection", None, "Guarded rejection: FAIL"), ("stated-risk", 0.025, "The plan allows at most 2.5 %.")],
)
def test_every_rule_is_told_in_words(make_run: Any, rule: str, risk: float | None, words: str) -> None:
    whole = make_run.sections

    def changed() -> dict[str, Any]:
        sections: dict[str, Any] = whole()
        sections["plan"] |= {"rule": rule, "maximum_risk": risk, "inform_only": True}
        return sections

    make_run.sections = changed
    text = read(make_run.write()).text.replace(THIN, " ")

    assert words in text
    assert "The plan only informs" in text


def test_a_budget_stands_beside_its_simulation(make_run: Any) -> None:
    """One normal and one triangular contribution: U = 2u by the law, a little less by its distribution."""
    path = render(with_knowledge(make_run).write())
    first = path.read_bytes()
    text = Reader(first.decode()).text.replace(THIN, " ")

    assert re.search(r"expanded uncertainty U, k = \d", text)
    assert re.search(r"U simulated, \d+ 000 trials[\s\n]*[\d.]+ µm", text)
    assert "JCGM 101, 7.9" in text
    assert render(path.parent).read_bytes() == first


def test_raw_numbers_and_what_has_no_limit_stay_off_paper(make_run: Any) -> None:
    """They are on the screen; on paper a sentence says where they stand."""
    page = render(make_run.write()).read_text(encoding="utf-8")
    raw = page[page.index('id="raw"') :].split("</section>")[0]
    assert raw.count("<details") == raw.count('<details class="on-screen">') > 0
    assert "They stand in the journals beside the record" in raw
    printed = page[page.index("@media print") :].split("@media screen")[0]
    assert ".on-screen { display: none; }" in printed


def test_what_a_standard_asks_is_listed_and_absent_items_are_told(make_run: Any) -> None:
    page = Path(render(make_run.write())).read_text(encoding="utf-8")

    assert "What ISO/IEC 17025:2017, 7.8 asks of a report" in page
    assert re.search(r"laboratory</th><td>Tarnbrook Dosing, test room 2", page)
    assert re.search(r'customer</th><td class="quiet">absent', page)
    assert re.search(r"operator</th><td>MK", page)
    assert "record 1 of doser-rig-1" in page


def test_a_seal_says_what_it_shows_and_who_signed(make_run: Any, tmp_path: Path) -> None:
    directory = make_run.write()
    assert "The seal isn&#39;t signed: it shows accident, not forgery." in render(directory).read_text("utf-8")

    key = tmp_path / "lab.pem"
    fingerprint = make_key(key)
    document = directory / "record.json"
    sign(document, read_sealed(document).seal["sha256"], key, passphrase=lambda: "")
    page = render(directory).read_text("utf-8")
    assert f"with the key whose SHA-256 begins with {fingerprint[:16]}." in page
    assert "isn&#39;t signed" not in page
