"""Deleting is an act with a note, and a chain bears it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from stepwitness.records.manifest import FILE, open_record, write_record
from stepwitness.records.store import RecordDeleted, Store, StoreError
from stepwitness.records.store.engine import reading


def chained(directory: Path, *, number: int, previous: str | None) -> Path:
    """The record with that place in its chain."""
    sections = dict(open_record(directory).sections)
    (directory / FILE).unlink()
    write_record(directory, {**sections, "chain": {"bench": "doser-rig-1", "number": number, "previous": previous}})
    return directory


@pytest.fixture
def chain(run_folder: Any) -> list[Path]:
    """Four nights, chained."""
    made: list[Path] = []
    for number in range(1, 5):
        previous = open_record(made[-1]).seal["sha256"] if made else None
        made.append(chained(run_folder(number), number=number, previous=previous))
    return made


def test_what_stays_is_who_when_why_and_the_place(store: Store, chain: list[Path]) -> None:
    filed = [store.file(directory) for directory in chain]
    told = store.delete(filed[1].seal, why="asked for by the customer", by="AB")
    assert (told.seal, told.id, told.bench, told.number, told.previous_seal) == (
        filed[1].seal,
        "0002-doser-rig-1",
        "doser-rig-1",
        2,
        filed[0].seal,
    )
    assert (told.by, told.why) == ("AB", "asked for by the customer")
    assert told.deleted >= "2026-01-01"
    assert store.deletions() == store.deletions("doser-rig-1") == (told,)
    assert [one.seal for one in store.records()] == [filed[3].seal, filed[2].seal, filed[0].seal]
    assert len(store.trend(procedure="offset", characteristic="mean_offset")) == 3
    with pytest.raises(StoreError, match="there is no record"):
        store.record(filed[1].seal)


def test_nothing_of_its_content_is_left(store: Store, chain: list[Path]) -> None:
    stored = store.file(chain[0])
    store.delete(stored.seal, why="privacy")
    with reading(store._engine, store.address) as connection:
        for table in ("record", "finding", "file", "piece"):
            assert connection.scalar(text(f"SELECT count(*) FROM {table}")) == 0


def test_it_isnt_taken_in_again(store: Store, chain: list[Path]) -> None:
    stored = store.file(chain[0])
    store.delete(stored.seal, why="a trial")
    with pytest.raises(RecordDeleted, match=r"was deleted on .*: a trial"):
        store.file(chain[0])


def test_it_is_deleted_once_and_with_a_reason(store: Store, chain: list[Path]) -> None:
    stored = store.file(chain[0])
    with pytest.raises(ValueError, match="without a reason"):
        store.delete(stored.seal, why=" ")
    first = store.delete(stored.seal, why="a trial", by="AB")
    assert store.delete(stored.seal, why="again", by="CD") == first
    with pytest.raises(StoreError, match="there is no record of the seal"):
        store.delete("0" * 64, why="a trial")


def test_a_chain_is_whole_across_a_deletion_and_broken_by_a_gap(store: Store, chain: list[Path]) -> None:
    seals = [store.file(directory).seal for directory in (chain[0], chain[1], chain[3])]
    assert store.broken_chains() == ["doser-rig-1/2026-09-05T0210: record 3, which it follows, is missing"]
    store.file(chain[2])
    assert store.broken_chains() == store.broken_chains("doser-rig-1") == []
    store.delete(seals[1], why="a trial")
    assert store.broken_chains() == []
    assert store.broken_chains("doser-rig-2") == []


def test_two_records_that_follow_the_same_one_are_told(store: Store, chain: list[Path], run_folder: Any) -> None:
    first = store.file(chain[0])
    store.file(chain[1])
    store.file(chained(run_folder(9), number=2, previous=first.seal))
    store.file(chained(run_folder(10), number=7, previous=first.seal))
    told = store.broken_chains()
    assert any("both follow record 1" in one for one in told)
    assert any("record 7 can't follow" in one for one in told)
