"""What a procedure is: settings, characteristics, and two functions.

`run` drives and reads and writes to the journal, and decides nothing about limits. `evaluate` is pure: the same
readings give the same estimates, years later.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from stepwitness.bench.description import BenchDescription
from stepwitness.findings import Characteristic, Contribution, Estimate
from stepwitness.records.journal import Value as Value

if TYPE_CHECKING:
    from stepwitness.bench.live import Bench


class Journal(Protocol):
    """Where `run` writes. Rows of one table have the same columns, SI units in their names."""

    def write(self, table: str, row: Mapping[str, Value]) -> None:
        """Add a row; it is committed with its batch."""
        ...

    def commit(self) -> None:
        """Commit what is pending: one batch a table, on disk when this returns."""
        ...


class Readings(Protocol):
    """Where `evaluate` reads: the journal of one procedure."""

    def batches(self, table: str) -> Iterator[Mapping[str, Sequence[Any]]]:
        """Batches of columns, in the order written; nothing for a table that was never written."""
        ...

    def rows(self, table: str) -> Iterator[dict[str, Any]]:
        """Row by row, in the order written."""
        ...


@dataclass(frozen=True)
class Forecast:
    """What will move, said before anything does: a phrase, the time on the axis, and the travel covered."""

    phrase: str
    duration_s: float
    lowest_m: float
    highest_m: float
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class FileTable:
    """The table of a journal that another machine's readings can fill, one reading a row: its name, and what its
    columns call a place and a repetition (``target`` gives ``target_index`` and ``target_m``)."""

    table: str
    place: str
    repeat: str
    drag: bool = False


@dataclass(frozen=True)
class Procedure:
    """A test method.

    `settings` is a frozen dataclass declared with `stepwitness.settings.setting`. `version` is the evaluator's and
    grows whenever the same readings could give other digits. `check` raises `BadInput` for settings that this bench
    can't run, and forecasts the rest. `foresee` gives, by characteristic, the budget that a perfect axis without
    scatter would have on a bench: what its witnesses leave. `most` gives the greatest values that can come out at all
    with some settings, and why: a limit beyond one can't fail. `from_file` is there where readings that another machine
    took can be evaluated. One that `guards` is a check standard: it is measured first, and where its trend is out,
    nothing else of that night is sure.
    """

    name: str
    title: str
    version: str
    settings: type
    characteristics: tuple[Characteristic, ...]
    check: Callable[[BenchDescription, Any], Forecast]
    run: Callable[[Bench, Any, Journal], None]
    evaluate: Callable[[Readings, BenchDescription, Any], tuple[Estimate, ...]]
    foresee: Callable[[BenchDescription, Any], Mapping[str, Sequence[Contribution]]] | None = None
    most: Callable[[Any], Mapping[str, tuple[float, str]]] | None = None
    from_file: FileTable | None = None
    guards: bool = False

    def characteristic(self, name: str) -> Characteristic | None:
        return next((item for item in self.characteristics if item.name == name), None)
