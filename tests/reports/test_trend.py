"""The picture of a trend, as the elements that a reader would look for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from xml.etree import ElementTree

import pytest

from stepwitness.history.series import Series, Shown
from stepwitness_reports.style import LIGHT
from stepwitness_reports.trend import draw

FIRST = datetime(2026, 9, 1, 2, 10, tzinfo=UTC)
SVG = "{http://www.w3.org/2000/svg}"


def night(
    number: int, value: float, verdict: str = "PASS", limits: tuple[float, ...] = (25.0,), **more: object
) -> Shown:
    told = f"{limits[-1]:g} µm" if limits else ""
    return Shown(FIRST + timedelta(days=number), value, 1.5, limits, told, verdict, **more)  # type: ignore[arg-type]


def series(points: Sequence[Shown], *, at_least: bool = False, simulated: bool = False) -> Series:
    subject = "doser, serial TB-0417 on doser-rig-1, plan nightly"
    return Series("backlash: reversal value B", "µm", subject, simulated, at_least, tuple(points))


def texts(drawing: str) -> list[str]:
    return ["".join(one.itertext()) for one in ElementTree.fromstring(drawing).iter(f"{SVG}text")]


def drawn(drawing: str, name: str, css: str = "") -> list[dict[str, str]]:
    return [
        one.attrib
        for one in ElementTree.fromstring(drawing).iter(f"{SVG}{name}")
        if not css or css in one.get("class", "").split()
    ]


def test_it_says_what_whose_and_when() -> None:
    told = texts(draw([series([night(n, 18 + n / 10) for n in range(30)], simulated=True)]))
    assert {"Backlash: reversal value B", "doser, serial TB-0417 on doser-rig-1, plan nightly"} < set(told)
    assert {"Reversal value B / µm", "date, UTC", "2026-09-14", "limit 25 µm", "SIMULATED", "PASS"} < set(told)


def test_a_bar_is_as_long_as_twice_the_uncertainty_on_the_scale() -> None:
    drawing = draw([series([night(n, value) for n, value in enumerate((10.0, 20.0))])])
    low, high = (float(mark["cy"]) for mark in drawn(drawing, "circle", "filled")[:2])
    bars = [abs(float(one["y1"]) - float(one["y2"])) for one in drawn(drawing, "line", "whisker")[:2]]
    per_um = (low - high) / 10
    assert bars == pytest.approx([2 * 1.5 * per_um] * 2, abs=0.03)


def test_each_verdict_has_its_mark_and_only_those_that_are_there_are_explained() -> None:
    told = [night(0, 10), night(1, 24, "INCONCLUSIVE"), night(2, 30, "FAIL"), night(3, 12, "", ())]
    drawing = draw([series(told)])
    assert {"PASS", "INCONCLUSIVE", "FAIL", "without a limit"} < set(texts(drawing))
    assert len(drawn(drawing, "path", "broken")) == 2, "its cross and that of the key"
    assert "FAIL" not in texts(draw([series(told[:2])]))


def test_a_history_that_splits_breaks_its_line_and_names_what_changed() -> None:
    told = [night(n, 18, changed=("a calibration changed", "the plan was revised") if n == 3 else ()) for n in range(6)]
    drawing = draw([series(told)])
    assert len(drawn(drawing, "polyline", "leader")) == 2
    assert len(drawn(drawing, "line", "split")) == 1
    assert "1: since 2026-09-04 02:10: a calibration changed; the plan was revised" in texts(drawing)


def test_a_limit_stands_over_the_records_that_had_it() -> None:
    told = [night(n, 20, limits=(30.0,) if n < 10 else (25.0,)) for n in range(20)]
    drawing = draw([series(told)])
    before, after = drawn(drawing, "line", "edge")
    assert float(before["x2"]) == float(after["x1"])
    assert float(before["y1"]) < float(after["y1"]), "30 is above 25"
    assert {"limit 30 µm", "limit 25 µm"} < set(texts(drawing))


@pytest.mark.parametrize(("at_least", "limits", "below", "above"), [(False, (25.0,), 0, 1), (True, (15.0,), 1, 0)])
def test_the_hatch_is_where_no_value_may_lie(at_least: bool, limits: tuple[float, ...], below: int, above: int) -> None:
    drawing = draw([series([night(n, 20, limits=limits) for n in range(4)], at_least=at_least)])
    edge = float(drawn(drawing, "line", "edge")[0]["y1"])
    hatches = [one for one in drawn(drawing, "rect") if one["fill"].startswith("url")]
    ends = [(float(one["y"]), float(one["y"]) + float(one["height"])) for one in hatches]
    assert sum(top == pytest.approx(edge, abs=0.02) for top, _ in ends) == below
    assert sum(bottom == pytest.approx(edge, abs=0.02) for _, bottom in ends) == above


def test_a_magnitude_has_a_limit_on_either_side() -> None:
    drawing = draw([series([night(n, (-1.0) ** n, limits=(-6.0, 6.0)) for n in range(4)])])
    assert {"limit 6 µm", "limit \N{MINUS SIGN}6 µm"} < set(texts(drawing))


def test_a_limit_that_would_flatten_the_rest_is_told_in_words() -> None:
    drawing = draw([series([night(n, 20 + n / 100, limits=(2000.0,)) for n in range(4)])])
    assert "Outside the picture: limit 2000 µm." in texts(drawing)
    assert not drawn(drawing, "line", "edge")


@pytest.mark.parametrize("value", [0.0, 3.0])
def test_one_value_alone_has_a_range_of_its_size(value: float) -> None:
    only = Shown(FIRST, value, 0.0, (), "", "")
    numbers = [
        float(one.replace("\N{MINUS SIGN}", "-"))
        for one in texts(draw([series([only])]))
        if one[-1:].isdigit() and ":" not in one
    ]
    assert len(numbers) > 1
    assert max(abs(one - value) for one in numbers) <= 1


def test_panels_stand_below_one_another_over_the_same_time() -> None:
    early, late = [night(n, 18) for n in range(5)], [night(n, 19) for n in range(20, 25)]
    drawing = draw([series(early), series(late)])
    groups = drawn(drawing, "g")
    assert len({one["transform"] for one in groups if "transform" in one}) == 2
    assert len({one["id"] for one in drawn(drawing, "pattern")}) == 2
    xs = [float(one["cx"]) for one in drawn(drawing, "circle", "filled") if float(one["cx"]) > 10]
    assert max(xs[:5]) < min(xs[5:])


def test_it_needs_no_variables_and_nothing_from_elsewhere() -> None:
    drawing = draw([series([night(n, 18) for n in range(5)])])
    assert "var(" not in drawing
    assert LIGHT.background in drawing
    assert "http" not in drawing.replace("http://www.w3.org/2000/svg", "")


def test_text_from_a_record_is_escaped() -> None:
    hostile = Series("<script>: a & b", "µm", '"<b>"', False, False, (night(0, 1, changed=("<x>",)),))
    assert "<script>" not in draw([hostile])
    assert '"<b>" ' not in texts(draw([hostile]))
