"""The tables: made, migrated with what is in them, and left alone where they are newer."""

from __future__ import annotations

import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import OperationalError

from stepwitness.records.store import StoreTooNew, StoreUnreachable, open_store
from stepwitness.records.store import schema as store_schema
from stepwitness.records.store.address import Address
from stepwitness.records.store.engine import make_engine, reading, writing
from stepwitness.records.store.models import Base
from stepwitness.records.store.schema import NEWEST, VERSION_TABLE, migrate, version_of


def test_the_migrations_lead_to_the_models(where: str) -> None:
    open_store(where).close()
    address = Address(where)
    engine = make_engine(address)
    with reading(engine, address) as connection:
        context = MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE, "compare_type": True})
        assert compare_metadata(context, Base.metadata) == []
    engine.dispose()


def test_the_newest_migration_is_the_last_one() -> None:
    scripts = ScriptDirectory(str(Path(store_schema.__file__).parent / "migrations"))
    assert scripts.get_heads() == [NEWEST]
    assert [one.revision for one in scripts.walk_revisions()] == [
        f"{number:04d}" for number in range(int(NEWEST), 0, -1)
    ], "one line, so that a version can be told by its number"


def test_a_newer_store_is_refused_and_left_alone(where: str, run_folder: Any) -> None:
    with open_store(where) as store:
        store.file(run_folder(1))
    address = Address(where)
    engine = make_engine(address)
    with writing(engine, address) as connection:
        connection.execute(text(f"UPDATE {VERSION_TABLE} SET version_num = '9999'"))
    with pytest.raises(StoreTooNew, match=r"newer version of this software \(9999, known here: "):
        open_store(where)
    with reading(engine, address) as connection:
        assert version_of(connection) == "9999"
        assert connection.scalar(text("SELECT count(*) FROM record")) == 1
    engine.dispose()


FINDINGS = 5000


def test_an_older_store_is_migrated_with_all_that_is_in_it(where: str) -> None:
    address = Address(where)
    engine = make_engine(address)
    with writing(engine, address) as connection:
        migrate(connection, "", address, to="0001")
        fill_0001(connection)
    engine.dispose()
    with open_store(where) as store:
        points = store.trend(axis="doser", procedure="backlash", characteristic="reversal_value", limit=3)
        assert [point.value for point in points] == [4997.0, 4998.0, 4999.0]
        assert store.record("a" * 64).folder == "doser-rig-1/2026-09-01T0210"
        assert b"".join(store.pieces("a" * 64, "record.json")) == b"{}\n"
        assert len(store.identity) == 32
        assert store.deletions() == ()
    with reading(engine, address) as connection:
        assert version_of(connection) == NEWEST
        assert connection.scalar(text("SELECT count(*) FROM finding")) == FINDINGS
    engine.dispose()


def fill_0001(connection: Connection) -> None:
    """Rows as the first version of the tables had them, without the models of today."""
    for statement in (
        "INSERT INTO subject VALUES (1, 'd', 'doser-rig-1', 'doser', 'TB-0417', 'nightly', true)",
        """INSERT INTO splits VALUES (1, 'd', '{"firmware":"D1 17"}')""",
        "INSERT INTO characteristic VALUES (1, 'd', 'backlash', 'reversal_value', 'reversal value', 'B', 'm', 'um')",
        f"""INSERT INTO record VALUES (1, '{"a" * 64}', 'r1', 1, 1, 'nightly', '2026-09-01T02:10:00+00:00',
            '2026-09-01T02:14:00+00:00', 'PASS', 'PASS', false, 1, NULL, 'doser-rig-1/2026-09-01T0210', NULL, NULL,
            '2026-09-01T02:14:00+00:00')""",
        "INSERT INTO file VALUES (1, 1, 'record.json', 3)",
    ):
        connection.execute(text(statement))
    piece = text("INSERT INTO piece VALUES (1, 0, :data)")
    connection.execute(piece, {"data": zlib.compress(b"{}\n")})
    finding = text(
        "INSERT INTO finding VALUES (1, :n, 1, 1, :started, :n, 1e-7, 2e-7, 2, 25e-6, 'at most',"
        " 'guarded', 'PASS', '', '')"
    )
    connection.execute(finding, [{"n": number, "started": started(number)} for number in range(FINDINGS)])


def started(number: int) -> str:
    return f"2026-09-01T{number // 3600:02}:{number // 60 % 60:02}:{number % 60:02}+00:00"


def test_a_migration_that_fails_changes_nothing(where: str, monkeypatch: pytest.MonkeyPatch) -> None:
    address = Address(where)
    engine = make_engine(address)
    with writing(engine, address) as connection:
        migrate(connection, "", address, to="0001")

    def fails(*_: object, **__: object) -> None:
        raise OperationalError("CREATE INDEX", {}, Exception("disk full"))

    monkeypatch.setattr("alembic.op.create_index", fails)
    with pytest.raises(StoreUnreachable, match="disk full"):
        open_store(where)
    monkeypatch.undo()
    with reading(engine, address) as connection:
        assert version_of(connection) == "0001"
        assert "deletion" not in inspect(connection).get_table_names()
    open_store(where).close()
    engine.dispose()


def test_processes_that_open_a_new_store_at_once_make_it_once(where: str) -> None:
    with ThreadPoolExecutor(8) as pool:
        stores = list(pool.map(lambda _: open_store(where), range(8)))
    assert len({store.identity for store in stores}) == 1
    for store in stores:
        store.close()
