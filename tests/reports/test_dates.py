"""Marks of an axis of time."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness_reports.dates import date_marks, time_title

DAY_S = 86400.0


def at(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        ("2026-11-25T02:10:00", "2026-11-25T02:10:20", ["02:10:00", "02:10:05", "02:10:10", "02:10:15", "02:10:20"]),
        ("2026-11-24T20:00:00", "2026-11-25T12:00:00", ["21:00", "00:00", "03:00", "06:00", "09:00", "12:00"]),
        ("2026-11-20T02:10:00", "2026-11-25T02:10:00", [f"2026-11-{day}" for day in (21, 22, 23, 24, 25)]),
        ("2026-11-01T00:00:00", "2026-11-30T00:00:00", [f"2026-11-{day:02}" for day in (2, 9, 16, 23, 30)]),
        ("2026-01-10T00:00:00", "2026-11-25T00:00:00", [f"2026-{month:02}" for month in (3, 5, 7, 9, 11)]),
        ("2022-03-01T00:00:00", "2026-11-25T00:00:00", ["2023", "2024", "2025", "2026"]),
    ],
)
def test_they_are_round_in_the_calendar(low: str, high: str, words: list[str]) -> None:
    assert [told for _, told in date_marks(at(low), at(high), about=6)] == words


@given(st.floats(min_value=at("1990-01-01"), max_value=at("2090-01-01")), st.floats(min_value=60, max_value=4e9))
def test_they_lie_inside_in_order_and_are_never_a_crowd(low_s: float, length_s: float) -> None:
    marks = date_marks(low_s, low_s + length_s, about=6)
    places = [place for place, _ in marks]
    assert places == sorted(set(places))
    assert all(low_s <= place <= low_s + length_s for place in places)
    assert 1 <= len(marks) <= 14


def test_an_axis_of_times_names_its_days() -> None:
    low = at("2026-11-24T20:00:00")
    assert time_title(low, low + 3600, about=6) == "time on 2026-11-24, UTC"
    assert time_title(low, low + 0.6 * DAY_S, about=6) == "time from 2026-11-24 to 2026-11-25, UTC"
    assert time_title(low, low + 30 * DAY_S, about=6) == "date, UTC"
