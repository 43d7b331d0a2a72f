"""The demo's two axes, and readings kept in memory."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import load_bench
from stepwitness.findings import Estimate
from stepwitness.procedures.procedure import Procedure

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"


@pytest.fixture(scope="session")
def doser() -> BenchDescription:
    return load_bench(TARNBROOK / "doser.bench.yaml")


@pytest.fixture(scope="session")
def lift() -> BenchDescription:
    return load_bench(TARNBROOK / "plate-lift.bench.yaml")


class Kept:
    """A journal and its readings. `seen` is told of each row as it is written, at that instant of the run."""

    def __init__(self, seen: Callable[[str, Mapping[str, Any]], None] = lambda _table, _row: None) -> None:
        self.tables: dict[str, list[dict[str, Any]]] = defaultdict(list)
        self.outcome, self.cause = "", ""
        self._seen = seen

    def write(self, table: str, row: Mapping[str, Any]) -> None:
        self.tables[table].append(dict(row))
        self._seen(table, row)

    def commit(self) -> None:
        pass

    def end(self, outcome: str, cause: str = "", *, at_s: float | None = None) -> None:
        del at_s
        self.outcome, self.cause = outcome, cause

    def rows(self, table: str) -> Iterator[dict[str, Any]]:
        yield from self.tables.get(table, [])

    def batches(self, table: str) -> Iterator[dict[str, list[Any]]]:
        for row in self.rows(table):
            yield {name: [value] for name, value in row.items()}


@pytest.fixture(scope="session")
def kept() -> type[Kept]:
    return Kept


@pytest.fixture(scope="session")
def estimated() -> Callable[..., dict[str, Estimate]]:
    """``estimated(procedure, readings, description, settings)``: by name, each declared one once."""

    def evaluate(
        procedure: Procedure, readings: Any, description: BenchDescription, settings: Any
    ) -> dict[str, Estimate]:
        found = procedure.evaluate(readings, description, settings)
        assert sorted(item.name for item in found) == sorted(item.name for item in procedure.characteristics)
        for estimate in found:
            assert estimate.statement if estimate.value is not None else estimate.reason, estimate.name
        return {estimate.name: estimate for estimate in found}

    return evaluate
