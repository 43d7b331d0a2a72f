"""Connections to the database: durable, patient with other writers, and quick to notice that the network is gone.

1. Whatever a driver raises becomes a `StoreError` of one line here, without a password and without a traceback of its
   own.
2. A writer takes the write lock of an SQLite file when it begins, so that two of them wait for each other and never
   fail half-way.
"""

from __future__ import annotations

import contextlib
import logging
import math
import sqlite3
import time
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.exc import (
    DBAPIError,
    DisconnectionError,
    InterfaceError,
    NoSuchModuleError,
    OperationalError,
    SQLAlchemyError,
)

from stepwitness.errors import BadInput, Place
from stepwitness.records.store.address import Address
from stepwitness.records.store.errors import StoreError, StoreUnreachable

PATIENCE_S = 60.0
"""How long a writer waits for others."""

_NETWORK = {
    # a cut cable says nothing: without these a commit would wait for hours
    "connect_timeout": "5",
    "keepalives_idle": "5",
    "keepalives_interval": "3",
    "keepalives_count": "3",
    "tcp_user_timeout": "15000",
}
_AGAIN_S = 0.01
_WRITES = "stepwitness_writes"
_USED = "stepwitness_used"
_IDLE_S = 0.5
"""A connection that was used a moment ago is trusted; asking it first would double the time of a short query."""


def make_engine(address: Address) -> Engine:
    """An engine for the database at `address`; nothing is opened yet.

    Raises
    ------
    BadInput : where the driver of the database isn't installed.
    StoreUnreachable : where the folder of a file can't be made.
    """
    if address.file is not None:
        try:
            address.file.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise StoreUnreachable(f"the store {address} can't be opened: {error.strerror}") from None
        engine = create_engine(address.url, hide_parameters=True, connect_args={"timeout": PATIENCE_S})
        event.listen(engine, "connect", _sqlite_connected)
        event.listen(engine, "begin", _sqlite_begins)
        return engine
    arguments = {name: value for name, value in _NETWORK.items() if name not in address.url.query}
    try:
        engine = create_engine(
            address.url,
            hide_parameters=True,
            pool_size=1,
            max_overflow=7,
            connect_args=arguments,
            isolation_level="AUTOCOMMIT",  # for who reads; a writer changes it, as it costs time in each use
        )
    except (ImportError, NoSuchModuleError):
        raise BadInput(
            "the driver for PostgreSQL isn't installed",
            place=Place("store"),
            cure="pip install pytest-stepwitness[postgres]",
        ) from None
    logging.getLogger("psycopg").addHandler(logging.NullHandler())  # a lost connection is told once, by `_told`
    event.listen(engine, "checkout", _still_there)
    event.listen(engine, "checkin", _noted)
    return engine


def _noted(_connection: Any, record: Any) -> None:
    record.info[_USED] = time.monotonic()


def _still_there(connection: Any, record: Any, _proxy: Any) -> None:
    """Ask a connection that was idle whether the server is there; the pool replaces one that says no."""
    if time.monotonic() - record.info.get(_USED, math.inf) < _IDLE_S:
        return
    try:
        connection.execute("SELECT 1")
        connection.rollback()
    except Exception:
        raise DisconnectionError from None


def _sqlite_connected(connection: sqlite3.Connection, _record: Any) -> None:
    connection.isolation_level = None  # transactions begin where `_sqlite_begins` says
    cursor = connection.cursor()
    _write_ahead(cursor)
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _write_ahead(cursor: sqlite3.Cursor) -> None:
    """Let readers and a writer go on side by side. SQLite gives this up at once, however patient the connection is,
    where another has begun to write in a file that is new."""
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            cursor.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(_AGAIN_S)
        else:
            return


def _sqlite_begins(connection: Connection) -> None:
    writes = connection.get_execution_options().get(_WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextlib.contextmanager
def reading(engine: Engine, address: Address) -> Iterator[Connection]:
    """A connection whose every statement sees one state of the store; on a server without a transaction, which would
    cost round trips and which one statement doesn't need."""
    with _told(address), engine.connect() as connection:
        yield connection


@contextlib.contextmanager
def writing(engine: Engine, address: Address) -> Iterator[Connection]:
    """A connection whose work is committed at the end, or not at all."""
    options: dict[str, Any] = {_WRITES: True}
    if engine.dialect.name == "postgresql":
        options["isolation_level"] = "READ COMMITTED"
    with (
        _told(address),
        engine.connect().execution_options(**options) as connection,
        connection.begin(),
    ):
        yield connection


def tidy(engine: Engine, address: Address) -> None:
    """Give an SQLite file the statistics by which it chooses its indices; a server takes them by itself."""
    if engine.dialect.name == "sqlite":
        with writing(engine, address) as connection:
            connection.exec_driver_sql("PRAGMA analysis_limit = 400")
            connection.exec_driver_sql("ANALYZE")


@contextlib.contextmanager
def _told(address: Address) -> Iterator[None]:
    try:
        yield
    except (OperationalError, InterfaceError) as error:
        raise StoreUnreachable(f"the store {address} can't be reached: {_reason(error, address)}") from None
    except DBAPIError as error:
        kind = StoreUnreachable if error.connection_invalidated else StoreError
        raise kind(f"the store {address}: {_reason(error, address)}") from None
    except SQLAlchemyError as error:
        raise StoreError(f"the store {address}: {_reason(error, address)}") from None


def _reason(error: SQLAlchemyError, address: Address) -> str:
    cause = error.orig if isinstance(error, DBAPIError) and error.orig is not None else error
    return address.without_password(" ".join(str(cause).split())) or type(cause).__name__
