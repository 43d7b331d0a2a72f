"""Stores on both databases, and run folders to file: records of many nights, from real journals."""

from __future__ import annotations

import importlib.util
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.plan.description import Plan
from stepwitness.records.journal import JournalWriter
from stepwitness.records.manifest import journal_path
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.records.store import Store, open_store

MEASUREMENTS = Path(__file__).parents[3] / "benches" / "measurements"
FIRST = datetime.fromisoformat("2026-09-01T02:10:00+00:00")


def script(name: str) -> ModuleType:
    """A script of the measurements as a module."""
    spec = importlib.util.spec_from_file_location(name, MEASUREMENTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def postgres_script() -> ModuleType:
    return script("postgres_server")


@pytest.fixture(scope="session")
def postgres(postgres_script: ModuleType) -> Iterator[Any]:
    pytest.importorskip("psycopg", reason="the driver for PostgreSQL isn't installed (extra: postgres)")
    if postgres_script.programs() is None:
        pytest.skip("no PostgreSQL server is installed here (Debian: apt-get install postgresql)")
    # A folder beside those of pytest, which shuts its own to the server's account whenever another run of it starts.
    folder = Path(tempfile.mkdtemp(prefix="stepwitness-postgres-"))
    try:
        with postgres_script.running_server(folder, durable=False) as server:
            yield server
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture
def relay(postgres: Any) -> Iterator[Any]:
    """A cable between a store and its server."""
    with script("tcp_relay").TcpRelay(postgres.port) as between:
        yield between


@pytest.fixture(params=["sqlite", "postgresql"])
def where(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Where a new, empty store may be made."""
    if request.param == "sqlite":
        yield str(tmp_path / "store" / "stepwitness.sqlite")
        return
    server = request.getfixturevalue("postgres")
    server.run("psql", "-q", "-c", "DROP SCHEMA public CASCADE; CREATE SCHEMA public")
    yield server.url()


@pytest.fixture
def store(where: str) -> Iterator[Store]:
    with open_store(where) as opened:
        yield opened


RunFolder = Callable[..., Path]


@pytest.fixture
def run_folder(tmp_path: Path, plan: Plan, bench: BenchDescription) -> RunFolder:
    """Makes the sealed folder of one night's run; the load comes `offset_um` short."""

    def make(
        night: int = 0,
        *,
        offset_um: float = 10.0,
        serial: str = "TB-0417",
        named: str = "doser-rig-1",
        reports: Path = tmp_path / "reports",
        readings: int = 4,
        **facts: Any,
    ) -> Path:
        began = FIRST + timedelta(days=night)
        directory = reports / named / began.strftime("%Y-%m-%dT%H%M")
        directory.mkdir(parents=True)
        for procedure in ("offset", "play-at-end"):
            header = {"procedure": procedure, "started_s": 0.5}
            with JournalWriter(journal_path(directory, procedure), header, batch_rows=500) as journal:
                for index in range(readings):
                    scatter_um = (0.4, -0.4, 0.1, -0.1)[index % 4]
                    journal.write("stops", {"offset_m": (offset_um + scatter_um) * 1e-6, "alarm": False})
                journal.end("done", at_s=8.75)
        told = {
            "id": f"{night:04d}-{named}",
            "started": began.isoformat(timespec="seconds"),
            "ended": (began + timedelta(minutes=4)).isoformat(timespec="seconds"),
            "over": "process",
            "simulated": True,
            "identities": {"drive": "Tarnbrook D1 17"},
        }
        seal_record(directory, plan, replace(bench, name=named, axis_serial=serial), RunFacts(**{**told, **facts}))
        return directory

    return make
