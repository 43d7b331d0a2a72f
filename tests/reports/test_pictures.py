"""What the pictures say: their words agree with the record's, and each defect shows where it must."""

from __future__ import annotations

from typing import Any

from stepwitness.display import THIN
from stepwitness_reports.html import render


def page_of(run: Any) -> str:
    return render(run.write()).read_text(encoding="utf-8")


def test_the_worst_findings_picture_comes_first(make_run: Any) -> None:
    page = page_of(make_run)
    assert page.index("Why: backlash") < page.index("<h3>Repeatability") < page.index("<h3>Stall recovery")


def test_a_run_that_passes_explains_no_failure(make_run: Any) -> None:
    for held in make_run.findings:
        held["verdict"] = "PASS"
    make_run.run["verdict"] = "PASS"
    assert "Why:" not in page_of(make_run)


def test_the_moment_of_detection_carries_the_digits_of_the_record(make_run: Any) -> None:
    page = page_of(make_run)
    assert f"stall noticed after 9.4{THIN}ms" in page
    assert "Stall 1 of 3 that were provoked in motion, the one noticed last; the harness watches" in page


def test_a_stall_that_nobody_noticed_is_the_one_that_is_shown(make_run: Any) -> None:
    make_run.unnoticed = 2
    page = page_of(make_run)
    assert "Stall 2 of 3 that were provoked in motion, not noticed" in page
    assert "stall noticed after" not in page


def test_the_three_figures_of_the_claim_stand_side_by_side(make_run: Any) -> None:
    page = page_of(make_run)
    places = [page.index(words) for words in ("drive claims</text>", "counter saw</text>", "gauge saw</text>")]
    assert places == sorted(places)
    assert f"8.000{THIN}mm, 12{THIN}800{THIN}microsteps" in page
    assert f"0.001{THIN}mm, 1{THIN}count</text>" in page


def test_the_limit_is_hatched_and_named(make_run: Any) -> None:
    page = page_of(make_run)
    assert f"limit 25{THIN}µm</text>" in page
    assert 'fill="url(#hatch-backlash)"' in page
    assert f"R{THIN}={THIN}53.1{THIN}µm, limit 60{THIN}µm</text>" in page


def test_up_is_filled_and_down_is_open(make_run: Any) -> None:
    page = page_of(make_run)
    picture = page[page.index("Deviation against target") :].split("</svg>")[0]
    # 55 approaches each way, and one of each in the key
    assert picture.count('class="filled"') == picture.count('class="open"') == 56


def test_a_procedure_of_someone_else_has_no_picture_and_says_so(make_run: Any) -> None:
    make_run.renamed = {"backlash": "wobble"}
    page = page_of(make_run)
    assert "There is no picture of this procedure" in page
    assert "Reversal at each place" not in page


def test_a_limit_that_nobody_could_judge_is_not_drawn(gaugeless_run: Any) -> None:
    page = page_of(gaugeless_run)
    assert "counter, motor</text>" in page
    assert f"limit 25{THIN}µm</text>" not in page
    assert ">motor-side R</text>" in page


def test_a_stall_against_a_stop_shows_the_onset_before_the_first_sweep(make_run: Any) -> None:
    make_run.starved_first = True
    page = page_of(make_run)
    picture = page[page.index("about the detection of a stall") :].split("</svg>")[0]
    assert "current taken away</text>" in picture
