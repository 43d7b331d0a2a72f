"""The table of findings: what stands in one line, what goes on below, and that nothing is wider than a terminal."""

from __future__ import annotations

import pytest

from stepwitness.findings_table import HEAD, WIDTH, Row, columns, table

LONG = Row("bidirectional repeatability R", "11.55 µm ± 0.46 µm", "2", "≤ 30 µm", "PASS", "11.35 to 11.79 µm", "95 %")
WIDE = Row("error at standstill", "0.050 steps ± 0.058 steps", "2.57", "≤ 1 step", "PASS")


def texts(*rows: Row) -> list[str]:
    return [line.text for line in table([HEAD, *rows])]


def test_a_wide_value_beside_a_short_heading_costs_a_long_heading_nothing() -> None:
    assert texts(LONG, WIDE) == [
        "  characteristic                          value ± U     k     limit  verdict",
        "  bidirectional repeatability R  11.55 µm ± 0.46 µm     2   ≤ 30 µm  PASS",
        "                                  11.35 to 11.79 µm  95 %",
        "  error at standstill     0.050 steps ± 0.058 steps  2.57  ≤ 1 step  PASS",
    ]


def test_a_heading_without_room_goes_on_below_beside_the_interval() -> None:
    inconclusive = Row(
        "a repeatability of both directions", *("x" * 25, "2", "≤ 3 counts", "INCONCLUSIVE", "1 to 2", "95 %")
    )
    _, first, second = texts(inconclusive)

    assert first.startswith("  a repeatability of")
    assert first.endswith("  ≤ 3 counts  INCONCLUSIVE")
    assert second.split() == ["both", "directions", "1", "to", "2", "95", "%"]
    assert second.index("1 to 2") + len("1 to 2") == first.index("x" * 25) + 25


def test_where_hardly_any_room_is_left_headings_stand_alone() -> None:
    lines = texts(Row("a heading of several words", "9" * 40, "2", "≤ 100 microsteps", "FAIL"))

    assert "  a heading of several words" in lines
    assert lines[-1].endswith(f"{'9' * 40}  2  ≤ 100 microsteps  FAIL")


@pytest.mark.parametrize("verdict", ["● PASS", "◐ INCONCLUSIVE", "○ NOT OBSERVABLE"])
def test_no_line_is_wider_than_the_terminal(verdict: str) -> None:
    heading = "mean reversal value B\u0304 " * 4
    row = Row(heading, "−10.68 µm ± 0.10 µm", "2.57", "≤ 500 ppm", verdict, "−10.72 to −10.64 µm", "95 %")

    assert all(columns(text) <= WIDTH for text in texts(row, LONG, WIDE))


def test_lines_tell_their_row_and_whether_they_go_on() -> None:
    assert [(line.row, line.goes_on) for line in table([HEAD, LONG, WIDE])] == [
        (0, False),
        (1, False),
        (1, True),
        (2, False),
    ]
