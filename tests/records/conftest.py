"""A plan with two procedures that read a table of deviations, and a folder in which they were acquired."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.bench.model import parse_bench
from stepwitness.findings import Characteristic, Contribution, Estimate
from stepwitness.metrology.statistics import Running
from stepwitness.plan.description import Plan
from stepwitness.plan.model import parse_plan
from stepwitness.procedures.procedure import Forecast, Journal, Procedure, Readings
from stepwitness.quantities import Kind
from stepwitness.records.journal import JournalWriter
from stepwitness.records.manifest import journal_path
from stepwitness.records.record import RunFacts
from stepwitness.settings import setting

BENCH = """\
name: doser-rig-1
axis: {name: doser, serial: TB-0417, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm,
       orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}
safe_state: hold
back_drives: no
stand_in: {preset: doser, seed: 417}
"""

PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - offset:
      limits: {mean_offset: 25 um, alarms: 2}
  - play:
      id: play-at-end
      limits: {clearance: 1 step, mean_offset: 50 um}
"""

MEAN = Characteristic(
    "mean_offset", "mean offset", Kind.TRAVEL, "um", "own definition", "mean of all", "O", magnitude=True
)
ALARMS = Characteristic("alarms", "alarms", Kind.COUNT, "", "own definition", "alarms counted")
CLEARANCE = Characteristic("clearance", "clearance", Kind.TRAVEL, "um", "own definition", "play of the nut")
LEAST = Characteristic("least", "least offset", Kind.TRAVEL, "um", "own definition", "least of all")


@dataclass(frozen=True)
class Settings:
    runs: int = setting("runs", int, "readings", default=4, at_least=2)


def _check(_bench: BenchDescription, _settings: Any) -> Forecast:
    return Forecast("4 readings", 2.0, 0.01, 0.02)


def _run(_bench: Bench, _settings: Any, _journal: Journal) -> None:
    raise AssertionError("nothing moves here")


def _evaluate(readings: Readings, _bench: BenchDescription, _settings: Any) -> tuple[Estimate, ...]:
    running, alarms = Running(), 0
    for row in readings.rows("stops"):
        running.add(row["offset_m"])
        alarms += row["alarm"]
    u = running.sd / running.n**0.5
    return (
        Estimate("mean_offset", running.mean, u, (Contribution("scatter", u, "A"),), "the load came up short"),
        Estimate("alarms", float(alarms)),
        Estimate("clearance", None, reason="no gauge on the load"),
        Estimate("least", 1.234e-6, 0.0),
    )


def a_procedure(name: str, **changes: Any) -> Procedure:
    facts: dict[str, Any] = {
        "name": name,
        "title": name,
        "version": "3",
        "settings": Settings,
        "characteristics": (MEAN, ALARMS, CLEARANCE, LEAST),
        "check": _check,
        "run": _run,
        "evaluate": _evaluate,
    }
    return Procedure(**{**facts, **changes})


@pytest.fixture
def procedure() -> Callable[..., Procedure]:
    """Makes a procedure of a name, with other facts where given."""
    return a_procedure


@pytest.fixture
def known() -> dict[str, Procedure]:
    return {"offset": a_procedure("offset"), "play": a_procedure("play")}


@pytest.fixture
def bench() -> BenchDescription:
    return parse_bench(BENCH, "doser.bench.yaml")


@pytest.fixture
def plan(bench: BenchDescription, known: dict[str, Procedure]) -> Plan:
    return parse_plan(PLAN, "nightly.plan.yaml", bench, known)


@pytest.fixture
def run() -> RunFacts:
    return RunFacts(
        id="doser-rig-1/2026-11-25T0210",
        started="2026-11-25T02:10:00Z",
        ended="2026-11-25T02:14:30Z",
        over="process",
        simulated=True,
        identities={"drive": "Tarnbrook D1 17", "counter": "Tarnbrook C1"},
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "reports"
    place.mkdir()
    return place


@pytest.fixture
def acquired(folder: Path) -> Callable[..., Path]:
    """Writes the journal of one procedure: offsets in micrometres, two rows a batch; ended unless told not to be."""

    def write(
        procedure_id: str,
        offsets_um: tuple[float, ...] = (9.0, 11.0, 10.0, 10.4),
        *,
        alarms: int = 0,
        outcome: str | None = "done",
        cause: str = "",
    ) -> Path:
        path = journal_path(folder, procedure_id)
        with JournalWriter(path, {"procedure": procedure_id, "started_s": 0.5}, batch_rows=2) as writer:
            for index, offset_um in enumerate(offsets_um):
                writer.write("stops", {"offset_m": offset_um * 1e-6, "alarm": index < alarms})
            if outcome:
                writer.end(outcome, cause, at_s=8.75)
            else:
                writer.commit()
        return path

    return write
