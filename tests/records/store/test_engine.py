"""Connections that wait for others."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from stepwitness.records.store import StoreUnreachable, engine, open_store


@pytest.fixture
def being_written(tmp_path: Path) -> sqlite3.Connection:
    """A new file in which somebody has begun to write, not yet by a log that is written ahead."""
    other = sqlite3.connect(tmp_path / "store.sqlite", isolation_level=None, check_same_thread=False)
    other.execute("CREATE TABLE theirs (number INTEGER)")
    other.execute("BEGIN IMMEDIATE")
    return other


def test_a_new_file_in_which_another_writes_is_waited_for(being_written: sqlite3.Connection, tmp_path: Path) -> None:
    ended = threading.Timer(0.2, being_written.execute, ["COMMIT"])
    ended.start()
    with open_store(str(tmp_path / "store.sqlite")) as store:
        assert store.records() == ()
    ended.join()
    being_written.close()


def test_who_never_ends_is_told(
    being_written: sqlite3.Connection, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "PATIENCE_S", 0.1)
    with pytest.raises(StoreUnreachable, match="database is locked"):
        open_store(str(tmp_path / "store.sqlite"))
    being_written.close()
