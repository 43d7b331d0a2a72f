"""The tables of a store, brought to what this version knows.

1. An older store is migrated when it is opened, in one transaction, by one process while others wait.
2. A newer one is left alone.
"""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection, Engine, inspect, text

from stepwitness.records.store.address import Address
from stepwitness.records.store.engine import reading, writing
from stepwitness.records.store.errors import StoreTooNew

NEWEST = "0002"
"""The last migration in `migrations/versions`."""

VERSION_TABLE = "stepwitness_version"
_ONE_AT_A_TIME = 0x57E9_3177
"""The number of the lock that keeps two processes from migrating one PostgreSQL database at once."""


def prepare(engine: Engine, address: Address) -> None:
    """Make or migrate the tables, where they aren't the newest.

    Raises
    ------
    StoreTooNew : where a newer version of this software has been here.
    StoreUnreachable : where the database can't be reached.
    """
    with reading(engine, address) as connection:
        if version_of(connection) == NEWEST:
            return
    with writing(engine, address) as connection:
        if connection.dialect.name == "postgresql":
            connection.execute(text("SELECT pg_advisory_xact_lock(:number)"), {"number": _ONE_AT_A_TIME})
        version = version_of(connection)
        if version != NEWEST:
            migrate(connection, version, address)


def version_of(connection: Connection) -> str:
    """The last migration that was run; empty for a database without our tables."""
    if not inspect(connection).has_table(VERSION_TABLE):
        return ""
    return str(connection.scalar(text(f"SELECT version_num FROM {VERSION_TABLE}")) or "")


def migrate(connection: Connection, version: str, address: Address, *, to: str = NEWEST) -> None:
    """Run every migration after `version`, up to `to`."""
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if version and version not in known:
        raise StoreTooNew(
            f"the store {address} has tables of a newer version of this software ({version}, known here: {NEWEST}); "
            "install that version, or name another store"
        )
    config.attributes["connection"] = connection
    command.upgrade(config, to)
