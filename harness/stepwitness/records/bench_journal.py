"""The journal of a planned procedure on a bench: what it says first, and the bench clock's time at both ends."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from stepwitness.bench.description import BenchDescription
from stepwitness.devices.interfaces import Clock
from stepwitness.plan.description import PlannedProcedure
from stepwitness.records.journal import JournalWriter, Value
from stepwitness.settings import settings_of


class BenchJournal:
    """A journal that begins and ends with the bench clock's time, and remembers how it ended.

    `clock` is None where the bench couldn't be opened.
    """

    def __init__(self, path: Path, planned: PlannedProcedure, bench: BenchDescription, clock: Clock | None) -> None:
        header: dict[str, Any] = {
            "id": planned.id,
            "procedure": planned.procedure.name,
            "settings": _plain(planned.settings),
            "evaluator": planned.procedure.version,
            "bench": bench.name,
            "axis": bench.axis.name,
            "started": datetime.now().astimezone().isoformat(timespec="seconds"),
            "started_s": clock.now() if clock else None,
        }
        self._writer, self._clock = JournalWriter(path, header), clock
        self.outcome = self.cause = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def write(self, table: str, row: Mapping[str, Value]) -> None:
        self._writer.write(table, row)

    def commit(self) -> None:
        self._writer.commit()

    def end(self, outcome: str, cause: str = "") -> None:
        self._writer.end(outcome, cause, at_s=self._clock.now() if self._clock else None)
        self.outcome, self.cause = outcome, cause

    def close(self) -> None:
        self._writer.close()


def _plain(settings: Any) -> dict[str, Any]:
    """Settings by their keys in a plan, as JSON holds them: SI numbers, texts, lists."""
    by_key = {key: getattr(settings, name) for key, (name, _, _) in settings_of(type(settings)).items()}
    return {key: list(value) if isinstance(value, tuple) else value for key, value in by_key.items()}
