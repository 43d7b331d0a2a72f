"""Elements of the drawings: escaping, scales, ticks, labels."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness_reports.svg import Frame, Scale, span, spread, tag, text, ticks


def test_text_and_attributes_are_escaped() -> None:
    assert text(0, 0, "<b>&") == '<text x="0" y="0" text-anchor="start">&lt;b&gt;&amp;</text>'
    assert tag("g", class_='a"b') == '<g class="a&#34;b"/>'


def test_coordinates_are_short_and_never_minus_zero() -> None:
    assert tag("line", x1=-0.0001, x2=1 / 3) == '<line x1="0" x2="0.33"/>'


def test_a_scale_maps_its_ends_and_middle() -> None:
    scale = Scale(-1.0, 1.0, 100.0, 0.0)
    assert (scale(-1.0), scale(0.0), scale(1.0)) == (100.0, 50.0, 0.0)


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.integers(3, 10))
def test_ticks_lie_inside_and_are_neither_none_nor_many(low: float, width: float, about: int) -> None:
    high = low + width
    if high - low < 1e-9 * abs(low):
        return
    values, decimals = ticks(low, high, about=about)
    assert 1 <= len(values) <= about + 2
    assert all(low - width * 1e-6 <= value <= high + width * 1e-6 for value in values)
    assert decimals >= 0


@pytest.mark.parametrize(
    ("low", "high", "expected", "decimals"),
    [
        (0.0, 60.0, (0.0, 10.0, 20.0, 30.0, 40.0, 50.0, 60.0), 0),
        (-0.3, 0.3, (-0.2, 0.0, 0.2), 1),
    ],
)
def test_ticks_are_round_numbers(low: float, high: float, expected: tuple[float, ...], decimals: int) -> None:
    values, found = ticks(low, high, about=8 if high > 1 else 4)
    assert values == pytest.approx(expected)
    assert found == decimals


@given(st.lists(st.floats(0, 200), min_size=1, max_size=6))
def test_labels_keep_their_order_and_their_distance(wanted: list[float]) -> None:
    placed = spread(wanted, gap=15, low=0, high=200)
    order = sorted(range(len(wanted)), key=wanted.__getitem__)
    assert all(placed[after] - placed[before] >= 15 - 1e-6 for before, after in pairwise(order))
    assert all(-1e-6 <= place <= 200 + 1e-6 for place in placed)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1))
def test_a_span_holds_its_values_and_is_never_empty(values: list[float]) -> None:
    low, high = span(values)
    assert low < high
    assert low <= min(values)
    assert max(values) <= high


def test_a_path_breaks_where_nothing_was_read() -> None:
    frame = Frame.placed(left=0, top=0, right=100, bottom=100, x_range=(0, 4), y_range=(0, 1))
    drawn = frame.path([(0, 0.0), (1, 0.5), (2, None), (3, 0.5), (4, 1.0)], class_="error")
    assert drawn.count("<polyline") == 2
    assert "nan" not in drawn
    assert not math.isnan(frame.x(2))
