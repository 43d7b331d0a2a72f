"""The journal of one procedure: append-only, crash-safe, JSON lines that common tools read.

1. A batch is one line. It is committed once the line, with its digest and newline, is written and fsynced.
2. State moves in one assignment, after the fsync. A commit that was interrupted or failed left the state
   alone, and the next one first cuts the file back to what was committed.
3. A last line that isn't whole was not committed and is passed over, and told. A bad line before a good one,
   or a good line out of its turn, is corruption and raises `JournalCorrupt` with file and line.

The file, to the byte: UTF-8, one JSON object a line, no spaces between tokens. Line 1 is
``{"n":0,"schema":"stepwitness-journal/2","header":{...},"sha256":"..."}``; then come batches
``{"n":k,"table":"...","rows":r,"columns":{"name":[...],...},"missing":{"name":{"row":"reason"}},"checks":{"rows":"...",
"columns":"..."},"sha256":"..."}`` with k counting on from 1 and rows from 0 in each; one that ended in order closes
with ``{"n":k,"end":{"outcome":"done","cause":"","at_s":12.5},"sha256":"..."}``. `sha256` is that of the line's bytes
before its last ``,"sha256"``; `checks` are those of `batch_checks`. Floats are written by repr, so they come back bit
for bit. A value that is missing is null; `missing`, which may be absent, says why. Schema 1, which is read too, has
neither `missing` nor `checks`.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

from stepwitness.errors import StepwitnessError
from stepwitness.records.batch_checks import checks_of, with_reasons
from stepwitness.records.writing import sync_directory

SCHEMA = "stepwitness-journal/2"
SCHEMAS = ("stepwitness-journal/1", SCHEMA)
SUFFIX = ".journal.jsonl"
OUTCOMES = ("done", "aborted")


@dataclass(frozen=True)
class Missing:
    """Stands for a reading that isn't there, with the reason: ``gauge overrange``."""

    reason: str

    def __str__(self) -> str:
        return self.reason


Value = int | float | str | bool | Missing | None

_BATCH = re.compile(rb'\{"n":(\d+),"table":("(?:[^"\\]|\\.)*"),"rows":(\d+),')
_NUMBERED = re.compile(rb'\{"n":(\d+),')


class JournalError(StepwitnessError):
    """A journal can't be written, or holds something that it mustn't."""


class JournalCorrupt(JournalError):
    """A committed line is missing, changed, doubled or out of order. `line` counts from 1."""

    def __init__(self, path: Path, line: int, problem: str) -> None:
        self.path, self.line, self.problem = path, line, problem
        super().__init__(f"{path}:{line}: {problem}; the journal is corrupt")


def compact(value: Any) -> str:
    """`value` as JSON without spaces; keys in the order given. NaN and infinities raise ValueError."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _tail(prefix: bytes) -> bytes:
    return b',"sha256":"' + hashlib.sha256(prefix).hexdigest().encode() + b'"}\n'


_TAIL_LENGTH = len(_tail(b""))


def line_digest(line: bytes) -> str | None:
    """The digest of one line, newline included, as it stands in the file; None where the two disagree."""
    prefix, tail = line[:-_TAIL_LENGTH], line[-_TAIL_LENGTH:]
    return _digest_in(line) if tail == _tail(prefix) else None


def batch_in(line: bytes) -> tuple[bytes, int]:
    """The table, as it is written, and the number of rows of a batch's line; nothing and 0 for any other line."""
    match = _BATCH.match(line)
    return (match[2], int(match[3])) if match else (b"", 0)


def _digest_in(line: bytes) -> str:
    return line[-67:-3].decode()


# -- writing -------------------------------------------------------------------------------------------------


class _Committed(NamedTuple):
    """Bytes and lines on disk, whether the end is among them, and the rows that wait to follow, by table."""

    size: int
    lines: int
    ended: bool
    pending: dict[str, list[tuple[Value, ...]]]


class JournalWriter:
    """Writes one journal; holds at most `batch_rows` rows of each table in memory.

    Parameters
    ----------
    path : a file that doesn't exist yet; its folder does.
    header : facts to keep with the readings, of JSON types.
    batch_rows : a table with so many rows waiting commits all tables.

    Raises
    ------
    JournalError : where the file exists already (nothing is ever overwritten) or can't be written.
    """

    def __init__(self, path: Path, header: Mapping[str, Any], batch_rows: int = 200) -> None:
        self.path = Path(path)
        self._batch_rows = batch_rows
        self._columns: dict[str, tuple[str, ...]] = {}
        try:
            self._file = open(self.path, "xb", buffering=0)  # noqa: SIM115 (closed by `close`)
        except FileExistsError:
            raise JournalError(f"{self.path}: exists already; a journal is never overwritten") from None
        except OSError as error:
            raise JournalError(f"{self.path}: can't be written: {error.strerror}") from error
        self._state = _Committed(0, 0, False, {})
        try:
            self._append([{"schema": SCHEMA, "header": dict(header)}])
            sync_directory(self.path.parent)
        except BaseException as error:
            self._file.close()
            if isinstance(error, OSError):
                raise JournalError(f"{self.path}: can't be written: {error.strerror}") from error
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def committed(self) -> int:
        """Lines that are on disk for good, the header included."""
        return self._state.lines

    def write(self, table: str, row: Mapping[str, Value]) -> None:
        """Add a row; it is committed with its batch.

        Raises
        ------
        JournalError : for no columns or others than the table's first row had, for NaN, an infinity or a value that
            is neither int, float, str, bool nor None, each with the column named; and after `end`.
        """
        if self._state.ended:
            raise JournalError(f"{self.path}: has ended and takes no more rows")
        if not row:
            raise JournalError(f"{self.path}: a row of '{table}' has no columns")
        columns = self._columns.setdefault(table, tuple(row))
        if len(row) != len(columns) or any(name not in row for name in columns):
            raise JournalError(
                f"{self.path}: table '{table}' has the columns {', '.join(columns)}; found {', '.join(row)}"
            )
        values = tuple(row[name] for name in columns)
        for name, value in zip(columns, values, strict=True):
            if isinstance(value, float) and not math.isfinite(value):
                raise JournalError(f"{self.path}: {table}.{name} is {value}; a reading that is missing is None")
            if not isinstance(value, (int, float, str, Missing, type(None))):
                raise JournalError(f"{self.path}: {table}.{name} is a {type(value).__name__}, not a plain value")
        waiting = self._state.pending.setdefault(table, [])
        waiting.append(values)
        if len(waiting) >= self._batch_rows:
            self.commit()

    def commit(self) -> None:
        """Commit what is pending: one batch a table, on disk when this returns.

        Raises
        ------
        JournalError : where the file can't be written; what was pending still is.
        """
        batches = self._batches()
        if batches:
            self._append(batches)

    def end(self, outcome: str, cause: str = "", *, at_s: float | None = None) -> None:
        """Commit what is pending, say how it ended ("done" or "aborted", and why), and close the file.

        `at_s` is the bench clock's time, as `started_s` in the header may be. A journal that has ended keeps
        its first end: what goes wrong after it doesn't undo it.
        """
        if outcome not in OUTCOMES:
            raise ValueError(f"an outcome is one of {OUTCOMES}, not {outcome!r}")
        if not self._state.ended:
            end = {"end": {"outcome": outcome, "cause": cause, "at_s": at_s}}
            self._append([*self._batches(), end], ends=True)
        self.close()

    def close(self) -> None:
        """Let go of the file. What is pending and not committed is lost, as it is when the process dies."""
        self._file.close()

    def _batches(self) -> list[dict[str, Any]]:
        return [
            _batch(table, len(rows), dict(zip(self._columns[table], zip(*rows, strict=True), strict=True)))
            for table, rows in self._state.pending.items()
            if rows
        ]

    def _append(self, items: Sequence[Mapping[str, Any]], *, ends: bool = False) -> None:
        size, lines, _, _ = self._state
        data = b"".join(numbered_line(lines + at, item) for at, item in enumerate(items))
        try:
            self._file.truncate(size)
            self._file.seek(size)
            rest = memoryview(data)
            while rest:
                rest = rest[self._file.write(rest) :]
            os.fsync(self._file.fileno())
        except OSError as error:
            raise JournalError(f"{self.path}: can't be written: {error.strerror}") from error
        except ValueError as error:  # the file was closed
            raise JournalError(f"{self.path}: can't be written: {error}") from error
        self._state = _Committed(size + len(data), lines + len(items), ends, {})


def _batch(table: str, rows: int, columns: Mapping[str, Sequence[Value]]) -> dict[str, Any]:
    missing = {
        name: {str(row): value.reason for row, value in enumerate(values) if isinstance(value, Missing)}
        for name, values in columns.items()
    }
    reasons = {name: by_row for name, by_row in missing.items() if by_row}
    plain = {
        name: [None if isinstance(value, Missing) else value for value in values] if name in reasons else values
        for name, values in columns.items()
    }
    told = {"missing": reasons} if reasons else {}
    checks = checks_of(with_reasons(plain, reasons) if reasons else plain)
    return {"table": table, "rows": rows, "columns": plain, **told, "checks": checks}


def numbered_line(number: int, item: Mapping[str, Any]) -> bytes:
    """A line as it stands in a file: its number, what it says, its digest, and a newline."""
    prefix = compact({"n": number, **item}).encode()[:-1]
    return prefix + _tail(prefix)


# -- reading -------------------------------------------------------------------------------------------------


class JournalReadings:
    """Reads one journal, line by line; what is held in memory is one batch and a digest a line.

    The whole file is checked when it is opened, and each line again whenever it is read.

    Attributes
    ----------
    header : as it was given to the writer.
    outcome : "done", "aborted", or None where the writer never came to its end; `cause` says why.
    ended_s : the bench clock's time at the end, where it was given.
    tables : names of the tables that have rows, in the order of their first batch.
    digests : SHA-256 of each committed line, the header and the end included.
    tail_lost : whether the file ends in something that wasn't committed.

    Raises
    ------
    JournalCorrupt : where a committed line is missing, changed, doubled or out of order, or no header stands.
    JournalError : where the file can't be read.
    """

    def __init__(self, path: Path) -> None:
        self.path = Path(path)
        self.header: dict[str, Any] = {}
        self.outcome: str | None = None
        self.cause = ""
        self.ended_s: float | None = None
        self.tail_lost = False
        self.digests: tuple[str, ...] = ()
        self._columns: dict[str, tuple[str, ...]] = {}
        digests = []
        for number, line in self._good_lines():
            digests.append(_digest_in(line))
            if number == 0 or not _BATCH.match(line):
                self._take_item(number, line)
            elif self.outcome is not None:
                raise JournalCorrupt(self.path, number + 1, "a batch stands behind the end")
            else:
                self._take_batch(number, line)
        if not digests:
            raise JournalCorrupt(self.path, 1, "there is no whole header")
        self.digests = tuple(digests)

    @property
    def tables(self) -> tuple[str, ...]:
        return tuple(self._columns)

    def columns(self, table: str) -> tuple[str, ...]:
        """Names of the columns of `table`; nothing for a table that was never written."""
        return self._columns.get(table, ())

    def batches(self, table: str, *, reasons: bool = False) -> Iterator[Mapping[str, Sequence[Any]]]:
        """Batches of columns, in the order written; nothing for a table that was never written.

        A value that is missing is None; with `reasons` it is a `Missing`, where it is known why.

        Raises
        ------
        JournalCorrupt : where the file isn't any more what it was when it was opened.
        """
        if table not in self._columns:
            return
        name = compact(table).encode()
        seen = 0
        for number, line in self._good_lines():
            if number >= len(self.digests):
                break
            if _digest_in(line) != self.digests[number]:
                raise JournalCorrupt(self.path, number + 1, "the line changed since the journal was opened")
            seen += 1
            match = _BATCH.match(line)
            if match is not None and match[2] == name:
                yield self._told(json.loads(line)) if reasons else json.loads(line)["columns"]
        if seen < len(self.digests):
            raise JournalCorrupt(self.path, seen + 1, "the journal is shorter than when it was opened")

    def rows(self, table: str, *, reasons: bool = False) -> Iterator[dict[str, Any]]:
        """Row by row, in the order written; missing values as in `batches`."""
        for columns in self.batches(table, reasons=reasons):
            names = tuple(columns)
            for values in zip(*columns.values(), strict=True):
                yield dict(zip(names, values, strict=True))

    @staticmethod
    def _told(item: Mapping[str, Any]) -> dict[str, list[Any]]:
        columns = {name: list(values) for name, values in item["columns"].items()}
        for name, by_row in item.get("missing", {}).items():
            for row, reason in by_row.items():
                columns[name][int(row)] = Missing(reason)
        return columns

    def _good_lines(self) -> Iterator[tuple[int, bytes]]:
        """Committed lines with their numbers, each checked; sets `tail_lost`."""
        bad_line = 0
        try:
            with open(self.path, "rb") as file:
                for number, line in enumerate(file):
                    good = line_digest(line) is not None
                    if good and bad_line:
                        raise JournalCorrupt(self.path, bad_line, "the line and its digest disagree")
                    if not good:
                        bad_line = bad_line or number + 1
                        continue
                    match = _NUMBERED.match(line)
                    if match is None or int(match[1]) != number:
                        found = "a line without a number" if match is None else f"line number {int(match[1])}"
                        raise JournalCorrupt(self.path, number + 1, f"{found} stands where {number} is due")
                    yield number, line
        except OSError as error:
            raise JournalError(f"{self.path}: can't be read: {error.strerror}") from error
        self.tail_lost = bad_line > 0

    def _take_item(self, number: int, line: bytes) -> None:
        item = self._parsed(number, line)
        if number == 0:
            if item.get("schema") not in SCHEMAS or not isinstance(item.get("header"), dict):
                raise JournalCorrupt(self.path, 1, f"the first line isn't a header of {' or '.join(SCHEMAS)}")
            self.header = item["header"]
            return
        end = item.get("end")
        if self.outcome is not None or not isinstance(end, dict) or end.get("outcome") not in OUTCOMES:
            raise JournalCorrupt(self.path, number + 1, "the line is neither a batch nor the only end")
        self.outcome, self.cause, self.ended_s = end["outcome"], end.get("cause", ""), end.get("at_s")

    def _take_batch(self, number: int, line: bytes) -> None:
        batch = self._parsed(number, line)
        table, rows, columns = batch["table"], batch.get("rows"), batch.get("columns")
        if not isinstance(columns, dict) or any(len(values) != rows for values in columns.values()):
            raise JournalCorrupt(self.path, number + 1, f"the columns of '{table}' haven't {rows} rows each")
        if self._columns.setdefault(table, tuple(columns)) != tuple(columns):
            raise JournalCorrupt(self.path, number + 1, f"the columns of '{table}' differ from its first batch's")

    def _parsed(self, number: int, line: bytes) -> dict[str, Any]:
        try:
            item: dict[str, Any] = json.loads(line)
        except ValueError:
            raise JournalCorrupt(self.path, number + 1, "the line isn't JSON") from None
        return item
