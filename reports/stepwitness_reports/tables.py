"""Raw numbers of a run as tables, in the engineer's units; long ones are cut, and say so."""

from __future__ import annotations

from collections import defaultdict, deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import islice
from typing import Any

from stepwitness.display import NOTHING, number
from stepwitness.procedures.acquisition import EXCHANGES, INCOMPLETE
from stepwitness.records.journal import JournalReadings, Missing

MOST_ROWS = 400
"""Rows of one table on a page; the journal beside it holds them all."""
LAST_EXCHANGES = 6
"""With each part."""

Cell = Callable[[Mapping[str, Any]], str]


@dataclass(frozen=True)
class Column:
    """Heading, whether it holds numbers, and how a row fills it."""

    words: str
    number: bool
    cell: Cell


@dataclass(frozen=True)
class Table:
    heading: str
    note: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class _Plan:
    """Which table of the journal, under which heading, with which columns."""

    table: str
    heading: str
    columns: tuple[Column, ...]


def _scaled(key: str, words: str, factor: float, decimals: int) -> Column:
    def cell(row: Mapping[str, Any]) -> str:
        value = row[key]
        if isinstance(value, Missing):
            return value.reason
        return NOTHING if value is None else number(float(value) * factor, decimals)

    return Column(words, True, cell)


def _less(key: str, subtrahend: str, words: str) -> Column:
    def cell(row: Mapping[str, Any]) -> str:
        if row[key] is None or isinstance(row[key], Missing):
            return NOTHING
        return number((float(row[key]) - float(row[subtrahend])) * 1e6, 1)

    return Column(words, True, cell)


def _from_one(key: str, words: str) -> Column:
    return Column(words, True, lambda row: number(int(row[key]) + 1, 0))


def _words(key: str, words: str) -> Column:
    return Column(words, False, lambda row: str(row[key]))


def _yes(key: str, words: str, *, yes: str = "yes", no: str = "no") -> Column:
    return Column(words, False, lambda row: yes if row[key] else no)


_WITNESSES = (
    _scaled("claim_m", "drive claims / mm", 1e3, 4),
    _scaled("counted_m", "counted / mm", 1e3, 4),
    _scaled("gauge_m", "gauge / mm", 1e3, 4),
)
_DIRECTION = _yes("up", "approach", yes="up", no="down")

_PLANS: dict[str, tuple[_Plan, ...]] = {
    "repeatability": (
        _Plan(
            "positions",
            "positions at the targets",
            (
                _from_one("run", "run"),
                _DIRECTION,
                _scaled("target_m", "target / mm", 1e3, 4),
                *_WITNESSES,
                _less("counted_m", "target_m", "counted − target / µm"),
                _less("gauge_m", "target_m", "gauge − target / µm"),
            ),
        ),
    ),
    "backlash": (
        _Plan(
            "reversals",
            "positions at the reversals",
            (
                _scaled("place_m", "place / mm", 1e3, 4),
                _scaled("drag_n", "drag / N", 1.0, 1),
                _from_one("repeat", "repeat"),
                _DIRECTION,
                *_WITNESSES,
                _less("gauge_m", "place_m", "gauge − place / µm"),
            ),
        ),
    ),
    "stall_recovery": (
        _Plan(
            "detections",
            "stalls that were provoked in motion",
            (
                _from_one("index", "stall"),
                _words("scenario", "scenario"),
                _yes("detected", "noticed"),
                _scaled("onset_s", "onset / s", 1.0, 4),
                _scaled("detected_s", "noticed at / s", 1.0, 4),
                _scaled("following_error_m", "following error / µm", 1e6, 1),
            ),
        ),
        _Plan(
            "attempts",
            "repositioning attempts",
            (
                _from_one("index", "stall"),
                _words("scenario", "scenario"),
                _scaled("attempt", "attempt", 1.0, 0),
                _yes("reached", "target reached"),
                _scaled("error_before_m", "error before / µm", 1e6, 1),
                _scaled("error_after_m", "error after / µm", 1e6, 1),
            ),
        ),
        _Plan(
            "recoveries",
            "where the axis stood after each recovery",
            (
                _from_one("index", "stall"),
                _words("scenario", "scenario"),
                _scaled("target_m", "target / mm", 1e3, 4),
                *_WITNESSES,
                _yes("output_on", "output", yes="on", no="off"),
                _yes("recovered", "recovered"),
            ),
        ),
        _Plan(
            "events",
            "events",
            (_scaled("t_s", "time / s", 1.0, 4), _words("event", "event"), _words("detail", "detail")),
        ),
    ),
}


_INCOMPLETE = _Plan(
    INCOMPLETE,
    "the sweep that broke it off",
    (_scaled("t_s", "time / s", 1.0, 4), *_WITNESSES, _scaled("current_a", "current / A", 1.0, 4)),
)


def tables(procedure: str, id_: str, readings: JournalReadings) -> list[Table]:
    """The tables of one procedure; of one that isn't known only the sweep that broke it off, if any did."""
    found = []
    for plan in (*_PLANS.get(procedure, ()), _INCOMPLETE):
        rows = iter(readings.rows(plan.table, reasons=True))
        kept = tuple(tuple(column.cell(row) for column in plan.columns) for row in islice(rows, MOST_ROWS))
        more = sum(1 for _ in rows)
        if not kept:
            continue
        note = ""
        if more:
            total = number(len(kept) + more, 0)
            note = f"The first {number(len(kept), 0)} of {total} rows; {readings.path.name} holds them all."
        found.append(Table(f"{id_}: {plan.heading}", note, plan.columns, kept))
    return found


def exchanges(readings: JournalReadings) -> tuple[str, ...]:
    """The last exchanges with each part of a procedure that was aborted, a line each; nothing where none were kept."""
    last: dict[str, deque[str]] = defaultdict(lambda: deque(maxlen=LAST_EXCHANGES))
    for row in readings.rows(EXCHANGES):
        heard = row["heard"] or "nothing"
        ending = "" if row["answered"] else " (not answered)"
        took = number(1e3 * row["took_s"], 1)
        last[row["part"]].append(f"{row['part']}: {row['sent']} → {heard}, {took} ms{ending}")
    return tuple(line for lines in last.values() for line in lines)
