"""A ledger: what happened over hours or days, one event a line, carried on after any interruption.

1. An event is committed once its line is on disk for good. A last line that isn't whole was not committed; the next
   event takes its place.
2. Every line names the digest of the one before, so that none can be changed, lost, doubled or moved unseen, but at the
   very end.
3. One process at a time writes, under a lock that ends with it; anybody may read.

The file, to the byte: lines as in a journal (`stepwitness.records.journal`), each ``{"n":k,"after":"...","at":"...",
"event":"...",...,"sha256":"..."}``; line 0 is the event ``opened`` with the schema and what was known then.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from filelock import FileLock, Timeout

from stepwitness.errors import StepwitnessError
from stepwitness.records.journal import line_digest, numbered_line
from stepwitness.records.writing import sync_directory

OPENED = "opened"
FIRST = "0" * 64
"""Stands as the digest before the first line."""

Event = Mapping[str, Any]


class LedgerError(StepwitnessError):
    """A ledger can't be written, is another process's now, or isn't what was written."""


def read_events(path: Path, schema: str) -> tuple[Event, ...]:
    """Every committed event, the opening first.

    Raises
    ------
    LedgerError : no such file, another schema, or a line that is missing, changed, doubled or out of order.
    """
    return _read(path, schema)[0]


def _read(path: Path, schema: str) -> tuple[tuple[Event, ...], int, str]:
    """Events, the length of what is committed in bytes, and the digest of the last line."""
    try:
        lines = path.read_bytes().splitlines(keepends=True)
    except OSError as error:
        raise LedgerError(f"{path}: can't be read: {error.strerror}") from error
    events: list[Event] = []
    size, last = 0, FIRST
    for number, line in enumerate(lines):
        digest = line_digest(line)
        if digest is None:
            if number > 0 and not line.endswith(b"\n"):  # written in part when the process died
                break
            raise LedgerError(f"{path}:{number + 1}: the line isn't the one that was written")
        event = json.loads(line)
        if event.get("n") != number or event.get("after") != last:
            raise LedgerError(f"{path}:{number + 1}: the line doesn't follow the one before it")
        events.append(event)
        size, last = size + len(line), digest
    if not events or events[0].get("event") != OPENED or events[0].get("schema") != schema:
        raise LedgerError(f"{path}: isn't a ledger of the schema {schema}")
    return tuple(events), size, last


class Ledger:
    """A ledger that this process writes.

    Parameters
    ----------
    path : begun where it isn't there yet, else carried on. schema : which events belong into it.
    opening : what its first line says, where it is begun now; JSON types.

    Raises
    ------
    LedgerError : as for `read_events`; another process writes it; it can't be written.
    """

    def __init__(self, path: Path, schema: str, opening: Mapping[str, Any]) -> None:
        self.path = path
        self._lock = FileLock(path.with_name(f".{path.name}.lock"))
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._lock.acquire(timeout=0)
        except Timeout:
            raise LedgerError(f"{path}: another process works on it") from None
        except OSError as error:
            raise LedgerError(f"{path}: can't be written: {error.strerror}") from error
        try:
            if path.exists() and path.stat().st_size:
                self._events, self._size, self._last = _read(path, schema)
            else:
                self._events, self._size, self._last = (), 0, FIRST
                self.append(OPENED, schema=schema, **opening)
        except BaseException:
            self._lock.release()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def events(self) -> Sequence[Event]:
        """Every committed event, the opening first."""
        return self._events

    def append(self, event: str, /, **facts: Any) -> Event:
        """Commit an event; on disk when this returns.

        Raises
        ------
        LedgerError : where the file can't be written; the ledger stands as before.
        """
        at = datetime.now(UTC).isoformat(timespec="seconds")
        line = numbered_line(len(self._events), {"after": self._last, "at": at, "event": event, **facts})
        fresh = not self._size
        try:
            with open(self.path, "ab") as file:
                file.truncate(self._size)
                file.write(line)
                file.flush()
                os.fsync(file.fileno())
            if fresh:
                sync_directory(self.path.parent)
        except OSError as error:
            raise LedgerError(f"{self.path}: can't be written: {error.strerror}") from error
        written: Event = json.loads(line)
        self._events, self._size, self._last = (*self._events, written), self._size + len(line), written["sha256"]
        return written

    def close(self) -> None:
        """Let another process write."""
        self._lock.release()
