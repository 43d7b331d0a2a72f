"""What the pictures say: their words agree with the record's, and each defect shows where it must."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import load_bench
from stepwitness.display import THIN
from stepwitness.procedures import screw_errors, thermal_drift
from stepwitness_reports.html import render
from stepwitness_reports.pictures import Source, figures


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


# -- scale, closure, current -----------------------------------------------------------------------------------


def picture_of(page: str, title: str) -> str:
    return page[page.index(f"<title>{title}") :].split("</svg>")[0]


def test_counter_less_gauge_is_drawn_by_direction(make_run: Any) -> None:
    picture = picture_of(page_of(make_run), "Counter less gauge along the travel")
    assert picture.count('class="filled"') == picture.count('class="open"') == 11
    assert "up, mean</text>" in picture
    assert "down, mean</text>" in picture


def test_closure_shows_both_witnesses_from_the_first_reading_on(make_run: Any) -> None:
    page = page_of(make_run)
    picture = picture_of(page, "Closure at the start, by counter and gauge")
    assert picture.count("<circle") == picture.count("<rect") == make_run.runs + 1
    assert "One count is" in page


def test_a_bench_without_a_gauge_has_no_scale_to_draw_and_closes_by_counts_alone(gaugeless_run: Any) -> None:
    page = page_of(gaugeless_run)
    assert "Counter less gauge" not in page
    assert "gauge</text>" not in picture_of(page, "Closure at the start, by counter and gauge")


def test_the_current_at_rest_stands_beside_what_the_drive_was_told(make_run: Any) -> None:
    page = page_of(make_run)
    picture = picture_of(page, "Current at rest, metered and set")
    assert picture.count("<circle") == 5
    assert "drive was told</text>" in picture
    assert "as metered in 5 readings" in page


# -- screw and warm-up, from readings made up here ---------------------------------------------------------------


class Held:
    """Readings in memory."""

    def __init__(self, **tables: list[dict[str, Any]]) -> None:
        self.tables = tables

    def rows(self, table: str) -> Iterator[dict[str, Any]]:
        yield from self.tables.get(table, [])


@pytest.fixture(scope="module")
def doser() -> BenchDescription:
    return load_bench(Path(__file__).parents[2] / "benches" / "tarnbrook" / "doser.bench.yaml")


def drawn(procedure: str, readings: Held, bench: BenchDescription, settings: Any) -> list[str]:
    source = Source("x", readings, bench, settings, {}, {})  # type: ignore[arg-type]
    return [str(one.drawing) for one in figures(procedure, source)]


def steps(bench: BenchDescription, settings: screw_errors.Settings) -> list[dict[str, Any]]:
    return [
        {"stretch": stretch, "index": index, "target_m": at, "run": run, "up": up, "counted_m": at, "gauge_m": at}
        for stretch, targets in enumerate(screw_errors.stretches_m(bench, settings))
        for run in range(settings.runs)
        for up in (True, False)
        for index, at in enumerate(targets)
    ]


def test_each_stretch_of_a_screw_has_its_frame_of_deviation_and_of_hysteresis(doser: BenchDescription) -> None:
    settings = screw_errors.Settings(places=4)
    waves, curves = drawn("screw_errors", Held(steps=steps(doser, settings)), doser, settings)
    for one in (waves, curves):
        assert one.count("from ") == 4
        assert one.count("<polyline") == 4
    assert "up less down / µm" in curves


def test_a_stretch_that_broke_off_isnt_drawn_and_the_whole_ones_are(doser: BenchDescription) -> None:
    settings = screw_errors.Settings(places=2)
    rows = steps(doser, settings)[:-7]
    waves, _ = drawn("screw_errors", Held(steps=rows), doser, settings)
    assert waves.count("<polyline") == 1
    assert drawn("screw_errors", Held(), doser, settings) == []
    assert drawn("screw_errors", Held(steps=rows), replace(doser, gauge=None), settings) == []


def test_both_places_of_a_warm_up_are_drawn_with_what_was_fitted(doser: BenchDescription) -> None:
    def looks(number: int) -> Held:
        return Held(
            looks=[
                {"look": look, "place_index": place, "place_m": at, "t_s": 60.0 * look, "claim_m": at}
                | {"gauge_m": at + 1e-5 * (place + 1) * (1 - 0.9**look), "counted_m": at}
                for look in range(number)
                for place, at in enumerate((0.002, 0.058))
            ]
        )

    (drawing,) = drawn("thermal_drift", looks(20), doser, thermal_drift.Settings())
    assert drawing.count("<polyline") == 2
    assert drawing.count("<circle") == drawing.count("<rect") == 20
    assert f"at 58.0{THIN}mm</text>" in drawing
    assert drawn("thermal_drift", looks(3), doser, thermal_drift.Settings()) == []
