"""Rigs that write side by side; `benches/measurements/rigs_on_one_store.py` is larger, with a cable that is cut."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from sqlalchemy import text

from stepwitness.records.store import hand_over, open_store
from stepwitness.records.store.engine import reading

RIGS, NIGHTS = 4, 3


def test_rigs_that_hand_over_at_once_lose_and_double_nothing(where: str, run_folder: Any, tmp_path: Path) -> None:
    folders = [tmp_path / f"rig-{number}" for number in range(RIGS)]
    for number, folder in enumerate(folders):
        for night in range(NIGHTS):
            run_folder(night, reports=folder, named=f"doser-rig-{number}", serial=f"TB-{number:04d}")

    def rig(folder: Path) -> int:
        with open_store(where) as store:
            return len(hand_over(store, folder).filed)

    with ThreadPoolExecutor(RIGS) as pool:
        assert list(pool.map(rig, folders)) == [NIGHTS] * RIGS
    with open_store(where) as store:
        assert len(store.records()) == RIGS * NIGHTS
        assert store.broken_chains() == []
        for number in range(RIGS):
            assert (
                len(store.trend(serial=f"TB-{number:04d}", characteristic="mean_offset", procedure="offset")) == NIGHTS
            )


def test_processes_that_hand_over_one_folder_file_it_once_and_in_order(
    where: str, run_folder: Any, tmp_path: Path
) -> None:
    for night in range(6):
        run_folder(night)

    def rig(_: int) -> int:
        with open_store(where) as store:
            return len(hand_over(store, tmp_path / "reports", everything=True).filed)

    with ThreadPoolExecutor(3) as pool:
        assert sum(pool.map(rig, range(3))) == 6
    with open_store(where) as store, reading(store._engine, store.address) as connection:
        numbers = list(connection.scalars(text("SELECT number FROM record ORDER BY id")))
    assert numbers == [1, 2, 3, 4, 5, 6]


def test_one_record_that_two_file_at_once_is_there_once(where: str, run_folder: Any) -> None:
    directory = run_folder(0, readings=200)

    def file(_: int) -> str:
        with open_store(where) as store:
            return store.file(directory).seal

    with ThreadPoolExecutor(4) as pool:
        assert len(set(pool.map(file, range(4)))) == 1
    with open_store(where) as store:
        assert len(store.records()) == 1
        assert len(store.file_names(store.records()[0].seal)) == 3
