"""Readings that another machine took: a CSV file in long format in, a record like any other out.

1. The plan names the columns and their units; the bench file describes the witness that was read. Evaluation, decision
   rule, record and report are those of a run.
2. What isn't a reading is refused with its line: no number, a column or a direction that is missing, the same stop
   twice, runs that don't match. Nothing is dropped or filled in.
3. Two mistakes that leave every cell well formed are looked for: a unit that is wrong by its size (a reading more than
   a fiftieth of the targets' span away from its target), and directions that are swapped (ascents in falling order).
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

from stepwitness.axis import Mounting
from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.files import quoted, read_text
from stepwitness.long_format import number, rows_of
from stepwitness.plan.description import Plan, PlannedProcedure, ReadColumn
from stepwitness.procedures.procedure import FileTable
from stepwitness.quantities import Kind, exact
from stepwitness.records.journal import JournalWriter
from stepwitness.records.manifest import journal_path
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.records.run_folder import make_folder
from stepwitness.site import NOTHING_SAID, SiteFacts

OVER = "file"
"""How a record says that its readings came from a file."""

_FARTHEST = 0.02
"""Of the targets' span; an axis that is farther off its target is far likelier a unit that is wrong."""


@dataclass(frozen=True)
class Stop:
    """One line of the file in SI: where it was due to stop, which repetition, from which side, and what was read."""

    line: int
    target_m: float
    run: int
    up: bool
    gauge_m: float | None
    counted_m: float | None
    drag_n: float


def record_readings(
    plan: Plan,
    bench: BenchDescription,
    file: Path,
    directory: Path,
    *,
    procedure_id: str = "",
    now: datetime | None = None,
    site: SiteFacts = NOTHING_SAID,
) -> Path:
    """Evaluate a file of readings by a plan, into a new folder; the path of its record.

    `procedure_id` says which procedure's readings they are, where the plan names columns for more than one.

    Raises
    ------
    BadInput : for a plan without columns, and for whatever is wrong in the file, with its line.
    JournalError, RecordError : where the folder can't be written, or holds a record already.
    """
    planned = _chosen(plan, procedure_id)
    table = planned.procedure.from_file
    assert table is not None, "only such procedures have columns"
    text = read_text(file)
    stops = read_stops(text, str(file), planned, bench)
    started = (now or datetime.now(UTC)).isoformat(timespec="seconds")
    digest = hashlib.sha256(text.encode()).hexdigest()
    make_folder(directory)
    header = {"id": planned.id, "procedure": planned.procedure.name, "file": file.name, "sha256": digest}
    with JournalWriter(journal_path(directory, planned.id), header) as journal:
        for row in _rows(stops, table):
            journal.write(table.table, row)
        journal.end("done")
    facts = RunFacts(
        id=f"{bench.name}/{directory.name}",
        started=started,
        ended=started,
        over=OVER,
        simulated=False,
        identities={"readings": f"{file.name}, SHA-256 {digest}"},
        site=site,
    )
    return seal_record(directory, plan, bench, facts)


def _chosen(plan: Plan, procedure_id: str) -> PlannedProcedure:
    able = {item.id: item for item in plan.procedures if item.columns}
    if procedure_id:
        if procedure_id not in able:
            raise BadInput(
                f"the plan names no columns for '{procedure_id}'",
                place=Place(plan.path),
                allowed=", ".join(able) or "a procedure with a section 'columns'",
                cure=near_miss(procedure_id, able),
            )
        return able[procedure_id]
    if len(able) != 1:
        raise BadInput(
            "which procedure's readings these are isn't plain" if able else "the plan names no columns of a file",
            place=Place(plan.path),
            found=", ".join(able),
            allowed="one procedure with a section 'columns', or its id named beside the file",
        )
    return next(iter(able.values()))


# -- from text to stops --------------------------------------------------------------------------------------


def read_stops(text: str, file: str, planned: PlannedProcedure, bench: BenchDescription) -> tuple[Stop, ...]:
    """Every reading of a file, checked.

    Raises
    ------
    BadInput : the first thing that is wrong, with file and line.
    """
    columns = planned.columns
    _check_witnesses(columns, bench, planned)
    rows = rows_of(text, file, [column.heading for column in columns.values()])
    stops = tuple(_stop(row, line, file, columns) for line, row in rows)
    if not stops:
        raise BadInput("no readings stand below the headings", place=Place(file, 1))
    _check_whole(stops, file)
    _check_units(stops, file)
    _check_order(stops, file)
    return stops


def _check_witnesses(columns: Mapping[str, ReadColumn], bench: BenchDescription, planned: PlannedProcedure) -> None:
    """A witness of the bench whose readings the plan doesn't name would be read as one that saw nothing."""
    place = planned.place.below("columns")
    if "gauge" in columns and "deviation" in columns:
        raise BadInput("the gauge's readings are named twice", place=place, allowed="gauge or deviation")
    gauged = "gauge" in columns or "deviation" in columns
    encoder = bench.axis.encoder
    on = "the load" if encoder is not None and encoder.mounting is Mounting.LOAD else "the motor"
    for there, named, what, key in (
        (bench.gauge is not None, gauged, "gauge", "gauge or deviation"),
        (bench.counter is not None, "counted" in columns, f"counter on {on}", "counted"),
    ):
        if there and not named:
            raise BadInput(f"the bench has a {what}, and no column holds its readings", place=place, allowed=key)
        if named and not there:
            raise BadInput(
                f"a column for a {what} that the bench hasn't got", place=place, allowed=f"{what} in the bench file"
            )
    if "drag" in columns and planned.procedure.from_file is not None and not planned.procedure.from_file.drag:
        raise BadInput(f"{planned.procedure.name} knows no drag", place=columns["drag"].place)


def _stop(row: Mapping[str, str], line: int, file: str, columns: Mapping[str, ReadColumn]) -> Stop:
    def si_of(name: str, kind: Kind) -> float | None:
        if name not in columns:
            return None
        column = columns[name]
        place = Place(file, line, column.heading)
        value = number(row[column.heading], place)
        try:
            return value * float(exact(f"1 {column.unit}", kind))
        except BadInput as error:
            raise error.at(column.place) from None

    target_m = si_of("target", Kind.TRAVEL)
    assert target_m is not None, "the plan's model demands the column"
    deviation_m = si_of("deviation", Kind.TRAVEL)
    run_column = columns["run"]
    run = number(row[run_column.heading], Place(file, line, run_column.heading))
    if run != int(run):
        raise BadInput("the number of a run isn't whole", place=Place(file, line, run_column.heading), found=f"{run:g}")
    return Stop(
        line=line,
        target_m=target_m,
        run=int(run),
        up=_direction(row, line, file, columns["direction"]),
        gauge_m=si_of("gauge", Kind.TRAVEL) if deviation_m is None else target_m + deviation_m,
        counted_m=si_of("counted", Kind.TRAVEL),
        drag_n=si_of("drag", Kind.FORCE) or 0.0,
    )


def _direction(row: Mapping[str, str], line: int, file: str, column: ReadColumn) -> bool:
    found = row[column.heading]
    if found not in (column.up, column.down) or column.up == column.down:
        raise BadInput(
            "neither up nor down",
            place=Place(file, line, column.heading),
            found=quoted(found),
            allowed=f"{column.up}, {column.down}",
            cure=near_miss(found, (column.up, column.down)),
        )
    return found == column.up


# -- what single lines can't tell ----------------------------------------------------------------------------


def _check_whole(stops: Sequence[Stop], file: str) -> None:
    """No stop twice, and as many runs at each target in each direction."""
    seen: dict[tuple[float, float, int, bool], int] = {}
    runs: dict[tuple[float, float, bool], int] = defaultdict(int)
    for stop in stops:
        key = (stop.drag_n, stop.target_m, stop.run, stop.up)
        if key in seen:
            raise BadInput(
                "the same target, run and direction stands twice",
                place=Place(file, stop.line),
                found=f"a reading as on line {seen[key]}",
                allowed="one reading each",
            )
        seen[key] = stop.line
        runs[stop.drag_n, stop.target_m, stop.up] += 1
    most = max(runs.values())
    for drag_n, target_m in dict.fromkeys((stop.drag_n, stop.target_m) for stop in stops):
        for up in (True, False):
            have = runs.get((drag_n, target_m, up), 0)
            if have != most:
                where = f"at {target_m * 1e3:g} mm {'up' if up else 'down'}"
                raise BadInput("runs that don't match", place=Place(file), found=f"{have} {where}, {most} elsewhere")
    if most < 2:
        raise BadInput("one run each way, which has no scatter", place=Place(file), allowed="2 runs or more")


def _check_units(stops: Sequence[Stop], file: str) -> None:
    targets = [stop.target_m for stop in stops]
    span_m = max(targets) - min(targets)
    for stop in stops if span_m > 0 else ():
        for name, read_m in (("gauge", stop.gauge_m), ("counter", stop.counted_m)):
            if read_m is not None and abs(read_m - stop.target_m) > _FARTHEST * span_m:
                raise BadInput(
                    f"the {name} read {(read_m - stop.target_m) * 1e3:.3g} mm off its target",
                    place=Place(file, stop.line),
                    allowed=f"at most a fiftieth of the targets' span of {span_m * 1e3:g} mm",
                    cure="are the units in the plan those of the file?",
                )


def _check_order(stops: Sequence[Stop], file: str) -> None:
    """Refuse ascents that all come in falling order while descents come in rising order."""
    passes: dict[tuple[int, bool], list[float]] = defaultdict(list)
    for stop in stops:
        passes[stop.run, stop.up].append(stop.target_m)
    if all(len(targets) > 1 for targets in passes.values()) and all(
        all((later < earlier) if up else (later > earlier) for earlier, later in pairwise(targets))
        for (_, up), targets in passes.items()
    ):
        raise BadInput(
            "approaches upwards come in falling order and approaches downwards in rising order",
            place=Place(file),
            cure="are the words for up and down swapped in the plan?",
        )


# -- from stops to a journal ---------------------------------------------------------------------------------


def _rows(stops: Sequence[Stop], table: FileTable) -> Iterator[dict[str, int | float | bool | None]]:
    places = {target: index for index, target in enumerate(sorted({stop.target_m for stop in stops}))}
    runs = {run: index for index, run in enumerate(sorted({stop.run for stop in stops}))}
    for stop in stops:
        drag: dict[str, float] = {"drag_n": stop.drag_n} if table.drag else {}
        yield {
            f"{table.place}_index": places[stop.target_m],
            f"{table.place}_m": stop.target_m,
            **drag,
            table.repeat: runs[stop.run],
            "up": stop.up,
            "t_s": None,
            "skew_s": None,
            "claim_m": None,
            "counted_m": stop.counted_m,
            "gauge_m": stop.gauge_m,
        }
