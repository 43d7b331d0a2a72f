"""The table of findings on a terminal: one line each where it fits, and the interval that decided below its value.

1. Heading and value share a room, headings at its left and values at its right: a long value beside a short heading
   costs the others nothing.
2. Where the room is too small, a heading goes on below itself, indented; where hardly any is left for one, each stands
   on a line of its own.
"""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest

WIDTH = 80
GAP = "  "
_LEAST_HEADING = 18


@dataclass(frozen=True)
class Row:
    """A line's texts; `interval` and `coverage` stand below value and factor, and are empty where U decided."""

    heading: str
    value: str
    factor: str
    limit: str
    verdict: str
    interval: str = ""
    coverage: str = ""


HEAD = Row("characteristic", "value ± U", "k", "limit", "verdict")


@dataclass(frozen=True)
class TableLine:
    """A line of the table, and the position of its row; `goes_on` marks those below a row's numbers."""

    text: str
    row: int
    goes_on: bool = False


def columns(text: str) -> int:
    """Columns that `text` takes on a terminal: a mark that combines with the letter before it takes none."""
    return sum(not unicodedata.combining(letter) for letter in text)


def left(text: str, width: int) -> str:
    """`text` at the left of `width` columns."""
    return text + " " * (width - columns(text))


def right(text: str, width: int) -> str:
    """`text` at the right of `width` columns."""
    return " " * (width - columns(text)) + text


def table(rows: Sequence[Row]) -> Iterator[TableLine]:
    """The lines of a table, its head the first of `rows`; no line is wider than `WIDTH` as far as the numbers allow."""
    factor = max(max(columns(row.factor), columns(row.coverage)) for row in rows)
    limit = max(columns(row.limit) for row in rows)
    verdict = max(columns(row.verdict) for row in rows)
    numbers = [max(columns(row.value), columns(row.interval)) for row in rows]
    left_over = WIDTH - 4 * len(GAP) - factor - limit - verdict
    rooms = [left_over - len(GAP) - number for number in numbers]
    alone = any(columns(row.heading) > room < _LEAST_HEADING for row, room in zip(rows, rooms, strict=True))
    widest = max(columns(row.heading) + len(GAP) + number for row, number in zip(rows, numbers, strict=True))
    shared = left_over if alone else min(left_over, widest)
    for at, (row, room) in enumerate(zip(rows, rooms, strict=True)):
        end = f"{GAP}{right(row.factor, factor)}{GAP}{right(row.limit, limit)}{GAP}{row.verdict}".rstrip()
        first, *rest = [""] if alone else textwrap.wrap(row.heading, room)
        if alone:
            yield from (TableLine(f"{GAP}{line}", at) for line in textwrap.wrap(row.heading, WIDTH - len(GAP)))
        yield TableLine(f"{GAP}{first}{right(row.value, shared - columns(first))}{end}", at)
        below = [row.interval] if row.interval else []
        for more, interval in zip_longest(rest, below, fillvalue=""):
            told = f"{GAP}{more}" if more else ""
            number = right(interval, shared - columns(told)) if interval else ""
            coverage = f"{GAP}{right(row.coverage, factor)}" if interval else ""
            yield TableLine(f"{GAP}{told}{number}{coverage}", at, goes_on=True)
