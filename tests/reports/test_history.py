"""The picture of a history: baseline, splits, limit, and what changed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any
from xml.etree import ElementTree

import pytest

from stepwitness_reports.history import figure, history_of

TONIGHT = datetime(2026, 11, 25, 2, 10, tzinfo=UTC)


def entry(runs: int = 30, **changes: Any) -> dict[str, Any]:
    """A reversal of 18 µm, a tenth up and down, with a limit of 25 µm."""
    points = [
        [(TONIGHT - timedelta(days=runs - 1 - index)).isoformat(), (18.0 + 0.1 * (-1) ** index) * 1e-6]
        for index in range(runs)
    ]
    return {
        "procedure": "backlash",
        "characteristic": "reversal_value",
        "title": "reversal value",
        "symbol": "B",
        "unit_text": "µm",
        "scale": 1e-6,
        "lower": None,
        "upper": 25e-6,
        "limit_text": "≤ 25\u2009µm",
        "status": "same",
        "changed": False,
        "words": f"same as {runs - 1} runs before",
        "points": points,
        "first": 0,
        "splits": [],
        "baseline": {"runs": 20, "complete": True, "centre": 18e-6, "spread": 1e-7, "half_width": 5e-7},
        "since": None,
        "slope_per_s": None,
        **changes,
    }


def section(*entries: dict[str, Any], **changes: Any) -> dict[str, Any]:
    empty = {"guard": None, "attempts": [], "flaky": False, "flaky_nights": 0, "nights": 1, "fails": []}
    return {**empty, "characteristics": list(entries), **changes}


def drawn(one: dict[str, Any]) -> ElementTree.Element:
    return ElementTree.fromstring(str(figure(one, TONIGHT.isoformat(), name="past").drawing))


def of_class(drawing: ElementTree.Element, name: str) -> list[ElementTree.Element]:
    return [element for element in drawing.iter() if name in element.get("class", "").split()]


def words(drawing: ElementTree.Element) -> list[str]:
    return [element.text or "" for element in drawing.iter("text")]


def test_runs_of_the_baseline_are_open_and_later_ones_filled() -> None:
    drawing = drawn(entry())

    assert len(of_class(drawing, "open")) == 20
    assert len(of_class(drawing, "filled")) == 10
    assert len(of_class(drawing, "baseline")) == 1
    assert "mean of 20 runs" in words(drawing)


def test_a_limit_that_is_near_is_hatched_and_a_far_one_is_told() -> None:
    near = figure(entry(upper=19e-6, limit_text="≤ 19 µm"), TONIGHT.isoformat(), name="past")
    far = figure(entry(), TONIGHT.isoformat(), name="past")

    assert "limit 19 µm" in words(ElementTree.fromstring(str(near.drawing)))
    assert "outside the picture" not in near.caption
    assert far.caption == (
        "Backlash: reversal value B: same as 29 runs before. The limit ≤ 25\u2009µm lies outside the picture."
    )


def test_both_ends_of_a_limit_on_a_magnitude_are_told_apart() -> None:
    both = drawn(entry(upper=18.8e-6, lower=-18.8e-6, limit_text="≤ 18.8 µm"))
    around = entry(upper=1e-6, lower=-1e-6, limit_text="≤ 1 µm")
    around["points"] = [[when, value - 18e-6] for when, value in around["points"]]
    around["baseline"] = {**around["baseline"], "centre": 0.0}

    assert [word for word in words(both) if "limit" in word] == ["limit 18.8 µm"]
    assert sorted(word for word in words(drawn(around)) if "limit" in word) == ["limit 1 µm", "limit −1 µm"]


def test_every_split_is_a_line_and_the_newest_is_told() -> None:
    splits = [{"at": 5, "changed": ["the bench file changed"]}, {"at": 25, "changed": ["the plan was revised"]}]
    drawing = drawn(entry(splits=splits, first=25, baseline=None))

    assert len(of_class(drawing, "split")) == 2
    assert "the plan was revised" in words(drawing)
    assert "the bench file changed" not in words(drawing)
    radii = [mark.get("r") for mark in drawing.iter("circle")]
    assert radii == ["1.8"] * 25 + ["3.2"] * 5
    assert len(of_class(drawing, "open")) == 5


def test_a_step_has_its_moment_and_a_ramp_its_line() -> None:
    step = drawn(entry(since=25, changed=True))
    ramp = drawn(entry(since=10, changed=True, slope_per_s=1e-7 / 86400))

    assert len(of_class(step, "moment")) == 1
    assert not of_class(step, "ramp")
    (line,) = of_class(ramp, "ramp")
    assert float(line.get("y1", "")) > float(line.get("y2", ""))


def test_what_changed_goes_before_what_did_not() -> None:
    found = history_of(
        section(entry(), entry(since=25, changed=True, status="step change", title="play")), TONIGHT.isoformat()
    )

    assert found is not None
    assert [one.caption[:14] for one in found.changed] == ["Backlash: play"]
    assert len(found.steady) == 1
    assert found.sentences == ()


def test_one_value_in_every_run_needs_no_picture() -> None:
    constant = entry(title="missed stalls", symbol="")
    constant["points"] = [[when, 0.0] for when, _ in constant["points"]]
    found = history_of(section(constant), TONIGHT.isoformat())

    assert found is not None
    assert found.constant == ("backlash: missed stalls",)
    assert found.steady == ()


@pytest.mark.parametrize("held", [None, {}, section(), section(entry(runs=1))])
def test_without_a_run_before_there_is_nothing(held: Any) -> None:
    assert history_of(held, TONIGHT.isoformat()) is None


def test_what_holds_for_the_night_is_told_even_on_the_first_one() -> None:
    guard = {"procedure": "check_standard", "holds": False, "reason": "it was not measured"}
    found = history_of(section(entry(runs=1), guard=guard), TONIGHT.isoformat())

    assert found is not None
    assert found.sentences[0].startswith("The check standard 'check_standard' isn't what it was (it was not measured)")
