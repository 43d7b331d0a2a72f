"""Long recordings to short lines: nothing seen is lost but time between."""

from __future__ import annotations

import tracemalloc

from hypothesis import given
from hypothesis import strategies as st

from stepwitness_reports.series import Line


def line_of(readings: list[tuple[float, float | None]], bins: int) -> Line:
    line = Line(bins=bins)
    for t, value in readings:
        line.add(t, value)
    return line


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=400), st.integers(2, 20), st.floats(1e-4, 10.0))
def test_extremes_survive_and_the_line_stays_short(values: list[float], bins: int, period_s: float) -> None:
    line = line_of([(index * period_s, value) for index, value in enumerate(values)], bins)
    kept = line.points
    assert len(kept) <= 2 * bins
    assert min(line.values) == min(values)
    assert max(line.values) == max(values)
    assert [t for t, _ in kept] == sorted(t for t, _ in kept)
    assert all((t, value) in {(index * period_s, held) for index, held in enumerate(values)} for t, value in kept)


def test_few_readings_are_all_kept() -> None:
    readings: list[tuple[float, float | None]] = [(index * 0.01, float(index % 7)) for index in range(50)]
    assert line_of(readings, 1000).points == readings


def test_a_stretch_without_a_value_breaks_the_line() -> None:
    line = line_of([(0.0, 1.0), (0.1, None), (0.2, 2.0)], 1000)
    assert [value for _, value in line.points] == [1.0, None, 2.0]


def test_memory_does_not_grow_with_the_recording() -> None:
    def peak(readings: int) -> int:
        line = Line(bins=100)
        tracemalloc.start()
        for index in range(readings):
            line.add(index * 1e-3, float(index % 13))
        held = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return held

    assert peak(40_000) < 2 * peak(4_000)
