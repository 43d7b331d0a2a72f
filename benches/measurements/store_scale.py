"""A store with a million findings: how long a trend and a page of the list take, on both databases.

    python benches/measurements/store_scale.py [--records 40000] [--into FOLDER]

Each time is the median of 25, and is printed beside that of a bare SQL query by the driver alone, which answers from
the same index and fetches the same rows. Due: 50 ms at most, and at most three times the bare query. Memory is the
most that Python held at once while all findings were written as CSV, against the same for a tenth of them.
"""

from __future__ import annotations

import argparse
import io
import itertools
import statistics
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, insert

from stepwitness.records.store import Store, open_store
from stepwitness.records.store.engine import tidy, writing
from stepwitness.records.store.models import (
    Base,
    CharacteristicRow,
    FindingRow,
    RecordRow,
    SplitsRow,
    SubjectRow,
)
from stepwitness.records.store.rows import COLUMNS, every_record, finding_rows
from stepwitness.records.store.tables import write_csv

sys.path.insert(0, str(Path(__file__).parent))
import postgres_server

RIGS = 8
CHARACTERISTICS = 25
NIGHTLY_SHARE = 5
"""One record in five is of a night; the others are of units that were tested once."""

FIRST = datetime(2023, 1, 1, 2, 10, tzinfo=UTC)
REPEATS = 25
LONGEST_S = 0.05
LARGEST_RATIO = 3.0
BATCH = 5000

Call = Callable[[], Any]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--records", type=int, default=40_000)
    parser.add_argument("--into", type=Path, default=None)
    given = parser.parse_args()
    good = True
    with ExitStack() as stack:
        room = given.into or Path(stack.enter_context(tempfile.TemporaryDirectory()))
        places = {"SQLite": str(room / "scale.sqlite")}
        if postgres_server.programs() is None:
            print("PostgreSQL: no server is installed here")
        else:
            places["PostgreSQL"] = stack.enter_context(postgres_server.running_server(room / "postgres")).url()
        for name, where in places.items():
            with open_store(where) as store:
                began = time.perf_counter()
                fill(store, given.records)
                took = time.perf_counter() - began
                count = given.records * CHARACTERISTICS
                print(f"{name}: {count} findings of {given.records} records, filled in {took:.0f} s")
            with open_store(where) as store:
                for line, fine in timings(store):
                    print(f"  {line}")
                    good = good and fine
                print(f"  {memory(store)}")
    return 0 if good else 1


# -- filling -------------------------------------------------------------------------------------------------


def fill(store: Store, records: int) -> None:
    """Rows as filing makes them, of rigs at night and of units that came in, without their files."""
    with writing(store._engine, store.address) as connection:
        _put(connection, SplitsRow, [{"id": 1, "digest": "s", "content": '{"firmware": "D1 17", "plan": "a"}'}])
        _put(connection, CharacteristicRow, map(_characteristic, range(1, CHARACTERISTICS + 1)))
        _put(connection, SubjectRow, (_subject(number) for number in _subjects(records)))
        _put(connection, RecordRow, (_record(number) for number in range(1, records + 1)))
        _put(
            connection,
            FindingRow,
            (_finding(number, which) for number in range(1, records + 1) for which in range(1, CHARACTERISTICS + 1)),
        )
    tidy(store._engine, store.address)  # as a store does after filing
    if store.address.file is None:  # as the server does by itself after a while
        with writing(store._engine, store.address) as connection:
            connection.exec_driver_sql("ANALYZE")


def _put(connection: Connection, model: type[Base], rows: Iterable[dict[str, Any]]) -> None:
    left = iter(rows)
    while batch := list(itertools.islice(left, BATCH)):
        connection.execute(insert(model), batch)


def _characteristic(number: int) -> dict[str, Any]:
    named = {"procedure": f"procedure-{number % 4}", "name": f"characteristic_{number}", "title": "reversal value"}
    return {"id": number, "digest": f"c{number}", **named, "symbol": "B", "kind": "m", "unit": "um"}


def _is_of_a_night(number: int) -> bool:
    return number % NIGHTLY_SHARE == 0


def _subject_of(number: int) -> int:
    return 1 + (number // NIGHTLY_SHARE) % RIGS if _is_of_a_night(number) else RIGS + number


def _subjects(records: int) -> Iterator[int]:
    yield from sorted({_subject_of(number) for number in range(1, records + 1)})


def _subject(number: int) -> dict[str, Any]:
    nightly = number <= RIGS
    return {
        "id": number,
        "digest": f"u{number}",
        "bench": f"doser-rig-{1 + number % RIGS}",
        "axis": "doser",
        "serial": f"TB-{number:06d}",
        "plan": "nightly" if nightly else "incoming",
        "simulated": False,
    }


def _started(number: int) -> str:
    return (FIRST + timedelta(minutes=40 * number)).isoformat(timespec="seconds")


def _record(number: int) -> dict[str, Any]:
    return {
        "id": number,
        "seal": f"{number * 2654435761 % 2**256:064x}",
        "name": f"run-{number}",
        "subject_id": _subject_of(number),
        "splits_id": 1,
        "purpose": "nightly" if _is_of_a_night(number) else "incoming",
        "started": _started(number),
        "ended": _started(number),
        "verdict": "FAIL" if number % 50 == 0 else "PASS",
        "worst": "PASS",
        "partial": False,
        "attempt": 1,
        "previous": None,
        "folder": f"doser-rig/{number}",
        "number": number,
        "previous_seal": None,
        "filed": _started(number),
    }


def _finding(number: int, which: int) -> dict[str, Any]:
    return {
        "record_id": number,
        "position": which,
        "characteristic_id": which,
        "subject_id": _subject_of(number),
        "started": _started(number),
        "value": 1e-5 + 1e-9 * (number % 997),
        "u": 1e-7,
        "expanded": 2e-7,
        "k": 2.0,
        "bound": 25e-6,
        "sense": "at most",
        "rule": "guarded",
        "verdict": "PASS",
        "statement": "The drive and the counter agree with each other to 0 counts.",
        "reason": "",
    }


# -- measuring -----------------------------------------------------------------------------------------------


TREND = """SELECT record.seal, finding.started, finding.value, finding.expanded, finding.k, finding.verdict,
finding.bound FROM finding JOIN record ON finding.record_id = record.id
WHERE finding.characteristic_id = 7 AND finding.subject_id = 3 ORDER BY finding.started"""

PAGE = """SELECT record.*, subject.*, splits.content FROM record JOIN subject ON record.subject_id = subject.id
JOIN splits ON record.splits_id = splits.id {where} ORDER BY record.started DESC, record.seal DESC LIMIT 50"""


def timings(store: Store) -> Iterator[tuple[str, bool]]:
    """A line for each question, and whether it is as quick as due."""
    rig = store.records(plan="nightly", limit=1)[0]
    serial = _subject(3)["serial"]
    last = store.records(limit=50)[-1]
    after = f"WHERE (record.started, record.seal) < ('{last.started}', '{last.seal}')"
    of_bench = f"WHERE subject.bench = '{rig.bench}'"
    questions: tuple[tuple[str, Call, str], ...] = (
        ("trend", lambda: store.trend(axis="doser", serial=serial, characteristic="characteristic_7"), TREND),
        ("page", store.records, PAGE.format(where="")),
        ("page after", lambda: store.records(after=last), PAGE.format(where=after)),
        ("page of a bench", lambda: store.records(bench=rig.bench), PAGE.format(where=of_bench)),
    )
    connection = store._engine.raw_connection()
    try:
        for name, ask, sql in questions:
            found, bare_rows = ask(), _bare(connection, sql)
            assert len(found) == len(bare_rows), "both see the same"
            ours, bare = _alternating(ask, lambda sql=sql: _bare(connection, sql))
            ratio = ours / bare
            fine = ours <= LONGEST_S and ratio <= LARGEST_RATIO
            late = "" if fine else "  TOO SLOW"
            yield f"{name:16} {len(found):5} rows  {ours * 1e3:6.2f} ms, {ratio:4.1f} times a bare query{late}", fine
    finally:
        connection.close()


def _bare(connection: Any, sql: str) -> list[Any]:
    cursor = connection.cursor()
    cursor.execute(sql)
    rows: list[Any] = cursor.fetchall()
    cursor.close()
    return rows


def _alternating(first: Call, second: Call) -> tuple[float, float]:
    """Median times in seconds, taken in turns so that a busy host slows both alike."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(REPEATS):
        for call, into in zip((first, second), times, strict=True):
            began = time.perf_counter()
            call()
            into.append(time.perf_counter() - began)
    return statistics.median(times[0]), statistics.median(times[1])


class _Nowhere(io.TextIOBase):
    def write(self, text: str) -> int:
        return len(text)


def memory(store: Store) -> str:
    """The most that Python held while all findings went to CSV, and while a tenth of the records did."""
    everything = sum(1 for _ in every_record(store))
    tenth, whole = (_peak(store, number) for number in (everything // 10, everything))
    told = f"{whole / 1e6:.1f} MB at most while all findings are written, {tenth / 1e6:.1f} MB for a tenth"
    return f"memory           {told}"


def _peak(store: Store, records: int) -> int:
    tracemalloc.start()
    try:
        rows = finding_rows(store, itertools.islice(every_record(store), records))
        write_csv(rows, COLUMNS, _Nowhere())  # type: ignore[arg-type]
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


if __name__ == "__main__":
    sys.exit(main())
