"""The tables: made, migrated with what is in them, and left alone where they are newer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text

from stepwitness.records.store import StoreTooNew, open_store
from stepwitness.records.store import schema as store_schema
from stepwitness.records.store.address import Address
from stepwitness.records.store.engine import make_engine, reading, writing
from stepwitness.records.store.models import Base
from stepwitness.records.store.schema import NEWEST, VERSION_TABLE, version_of


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
