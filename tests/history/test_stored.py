"""What a long past costs: rows and records that are read, counted, and whether what they say stays the same."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
from sqlalchemy import update

from stepwitness.findings import Limit
from stepwitness.history import folders
from stepwitness.history.comparison import compare
from stepwitness.history.past import Point, Subject
from stepwitness.history.stored import FIRST, NEWEST, StoredPast, past_of
from stepwitness.metrology.trend import Status, Watch
from stepwitness.records.store import Store, open_store, queries
from stepwitness.records.store.engine import writing
from stepwitness.records.store.models import FindingRow, RecordRow, SplitsRow

SUBJECT = Subject("doser-rig-1", "doser", "TB-000001", "nightly", simulated=False)
NAMED = {"procedure": "procedure-1", "characteristic": "characteristic_1"}


@pytest.fixture(scope="module")
def scale() -> ModuleType:
    """The measurement's way to fill a store, with one rig that does nothing but its nights."""
    folder = Path(__file__).parents[2] / "benches" / "measurements"
    spec = importlib.util.spec_from_file_location("store_of_nights", folder / "store_scale.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    vars(module).update(RIGS=1, NIGHTLY_SHARE=1, CHARACTERISTICS=2)
    return module


Filled = Callable[[int], Store]


@pytest.fixture
def filled(scale: ModuleType, tmp_path: Path) -> Iterator[Filled]:
    opened = []

    def fill(nights: int) -> Store:
        store = open_store(tmp_path / f"{nights}.sqlite")
        opened.append(store)
        scale.fill(store, nights)
        return store

    yield fill
    for store in opened:
        store.close()


class Counted:
    """Rows that come out of the store, and records that are opened in folders."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.rows = self.records = 0
        for name in ("records_where", "trend_of"):
            monkeypatch.setattr(queries, name, self._rows(getattr(queries, name)))
        opens = folders.open_record

        def opened(path: Path) -> Any:
            self.records += 1
            return opens(path)

        monkeypatch.setattr(folders, "open_record", opened)

    def _rows(self, ask: Callable[..., Sequence[Any]]) -> Callable[..., Sequence[Any]]:
        def asked(*given: Any, **more: Any) -> Sequence[Any]:
            found = ask(*given, **more)
            self.rows += len(found)
            return found

        return asked


def read_at_the_end_of_a_run(store: Store, reports: Path, counted: Counted) -> tuple[int, int]:
    counted.rows = counted.records = 0
    past = past_of(store, reports, SUBJECT.bench)
    for number in (1, 2):
        found = past.points(SUBJECT, procedure=f"procedure-{number}", characteristic=f"characteristic_{number}")
        assert found, "there is a past"
    assert len(past.runs(SUBJECT, since="", limit=1)) == 1
    return counted.rows, counted.records


def test_a_run_reads_no_more_after_thousands_of_nights(
    filled: Filled, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    counted = Counted(monkeypatch)
    few, year, many = (read_at_the_end_of_a_run(filled(nights), tmp_path, counted) for nights in (10, 500, 5000))
    assert few == (10 + 2 * 10 + 1, 0)
    assert year == many
    assert many[0] <= 200 + 2 * (NEWEST + FIRST) + 1


def test_nor_does_the_database_for_it(filled: Filled) -> None:
    """Instructions of SQLite's machine, in thousands: the rows that it goes through, whether it gives them or not."""

    def steps(store: Store) -> int:
        counted = []
        with store._engine.connect() as connection:  # the pool gives the same one again
            driver: Any = connection.connection.driver_connection
            driver.set_progress_handler(lambda: counted.append(1), 1000)
        assert len(StoredPast(store).points(SUBJECT, **NAMED)) == FIRST + NEWEST
        return len(counted)

    year, many = steps(filled(500)), steps(filled(5000))
    assert year > 10
    assert many < 2 * year, "ten times the nights; what grows is the look for the last split, in one index"


def test_folders_that_the_store_has_arent_opened(
    filled: Filled, night_folder: Callable[..., Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = filled(300)
    folder = [night_folder(number, bench=SUBJECT.bench) for number in range(4)]
    with writing(store._engine, store.address) as connection:
        for number, path in ((300, folder[3]), (299, folder[2])):  # the newest two, by the folders' names
            named = f"{SUBJECT.bench}/{path.name}"
            connection.execute(update(RecordRow).where(RecordRow.id == number).values(folder=named))
    late = night_folder(9, bench=SUBJECT.bench)
    odd = night_folder(10, bench=SUBJECT.bench)
    odd.rename(odd.with_name("by-hand"))
    counted = Counted(monkeypatch)
    past = past_of(store, tmp_path / "reports", SUBJECT.bench)
    past.points(SUBJECT, **NAMED)
    assert counted.records == 2, f"{late} and the one whose name says no time; the older ones are the store's"


def drifted(store: Store, first: int, by_m: float) -> None:
    """Every night from `first` on lies that much higher, and all before scatter a little."""
    with writing(store._engine, store.address) as connection:
        for number in range(1, 901):
            value = 1e-5 + 1e-8 * ((number * 7) % 5) + (by_m if number >= first else 0.0)
            connection.execute(update(FindingRow).where(FindingRow.record_id == number).values(value=value, u=1e-8))


def all_points(store: Store) -> list[Point]:
    found = store.trend(**NAMED, bench=SUBJECT.bench)
    return [Point(one.seal, one.started, one.value, one.u or 0.0, one.splits) for one in found]


@pytest.mark.parametrize(("first", "status"), [(880, Status.STEP), (700, Status.STEP), (2000, Status.SAME)])
def test_it_says_what_the_whole_past_would(filled: Filled, limit: Limit, first: int, status: Status) -> None:
    store = filled(900)
    drifted(store, first, 2e-6)
    whole, bounded = all_points(store), list(StoredPast(store).points(SUBJECT, **NAMED))
    assert (len(whole), len(bounded)) == (900, FIRST + NEWEST)
    seen = [compare("backlash", limit, points, Watch()) for points in (whole, bounded)]
    assert [one.status for one in seen] == [status, status]
    assert seen[0].trend.level == seen[1].trend.level
    if status is Status.STEP:
        days = [one.points[one.first + one.trend.step.index].started for one in seen if one.trend.step]
        assert days[0] == days[1]


def test_the_first_runs_are_those_since_the_last_split(filled: Filled) -> None:
    store = filled(900)
    with writing(store._engine, store.address) as connection:
        connection.execute(SplitsRow.__table__.insert().values(id=2, digest="t", content='{"plan": "before"}'))
        connection.execute(update(RecordRow).where(RecordRow.id <= 200).values(splits_id=2))
    found = StoredPast(store).points(SUBJECT, **NAMED)
    whole = all_points(store)
    first = whole[200 : 200 + FIRST - 1]  # the last run before the split is read with them, and left out
    assert [one.seal for one in found] == [one.seal for one in (*first, *whole[-NEWEST:])]
    day = whole[300].started[:10]
    since = StoredPast(store).points(SUBJECT, **NAMED, since=day)
    assert since[0].started[:10] == day
    assert len(since) == FIRST + NEWEST


def test_a_split_among_the_newest_needs_no_first_runs(filled: Filled) -> None:
    store = filled(900)
    with writing(store._engine, store.address) as connection:
        connection.execute(SplitsRow.__table__.insert().values(id=2, digest="t", content='{"plan": "after"}'))
        connection.execute(update(RecordRow).where(RecordRow.id > 880).values(splits_id=2))
    assert len(StoredPast(store).points(SUBJECT, **NAMED)) == NEWEST
