"""A disk that fails at any write of journal, record and chain: one line is told, and what was committed stays.

`benches/measurements/write_faults.py` does the same to whole runs, with a bench and a report.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.errors import StepwitnessError
from stepwitness.plan.description import Plan
from stepwitness.records.journal import JournalWriter
from stepwitness.records.manifest import FILE, journal_path, open_record
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.records.run_folder import make_folder

SCRIPT = Path(__file__).parents[2] / "benches" / "measurements" / "write_faults.py"


@pytest.fixture(scope="module")
def faults() -> ModuleType:
    spec = importlib.util.spec_from_file_location("write_faults", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["write_faults"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def night(plan: Plan, bench: BenchDescription, run: RunFacts) -> Callable[[Path], Path]:
    """Writes both journals of the plan into a new folder and seals its record, as a run does."""

    def write(directory: Path) -> Path:
        make_folder(directory)
        for procedure_id in ("offset", "play-at-end"):
            with JournalWriter(journal_path(directory, procedure_id), {"id": procedure_id}, batch_rows=2) as writer:
                for row in range(4):
                    writer.write("stops", {"offset_m": 1e-5 + 1e-6 * row, "alarm": False})
                writer.end("done")
        return seal_record(directory, plan, bench, run)

    return write


@pytest.mark.parametrize("name", ["disk full", "read-only"])
def test_at_each_write(faults: ModuleType, night: Callable[[Path], Path], tmp_path: Path, name: str) -> None:
    counted = faults.Disk(tmp_path / "counted")
    with counted.watched():
        night(tmp_path / "counted" / "rig" / "tonight")
    kinds = {kind for kind, _ in counted.calls}
    assert kinds == {"open", "write", "truncate", "sync", "link", "replace", "unlink", "mkdir"}

    for at in range(1, len(counted.calls) + 1):
        above = tmp_path / f"{at}" / "rig"
        night(above / "yesterday")
        told = ""
        disk = faults.Disk(above, faults.FAULTS[name], at)
        with disk.watched():
            try:
                night(above / "tonight")
            except StepwitnessError as error:
                told = str(error)
        where = (name, at, disk.calls[at - 1 : at], told)
        assert "\n" not in told, where
        assert (str(above) in told) or (above / "tonight" / FILE).exists(), where
        assert faults.lost(disk, above / "tonight") == [], where
        assert faults.broken(above) == [], where

        night(above / "tomorrow")
        assert faults.broken(above) == [], where
        number = open_record(above / "tomorrow").sections["chain"]["number"]
        assert number == 2 + (above / "tonight" / FILE).exists(), where


def test_a_whole_run_on_a_disk_that_fills_up(faults: ModuleType) -> None:
    """A sample of the study: the axis, the report and the next night too."""
    said: list[str] = []

    assert faults.study(every=15, told=said.append) == []
    assert "runs, 0 fell short" in said[-1]
