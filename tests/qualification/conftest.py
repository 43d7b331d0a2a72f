"""A laboratory in which a unit is what a test says of its serial number: no motion, but real records."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from stepwitness.attendance import BrokenOff
from stepwitness.findings import Characteristic, Estimate, Figure
from stepwitness.procedures import registry
from stepwitness.procedures.procedure import Forecast, Procedure
from stepwitness.qualification.model import load_qualification
from stepwitness.qualification.qualification import Qualification, Setting
from stepwitness.quantities import Kind

BENCH = """\
name: lab-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm, measuring_force: 0.6 N,
        calibration: {certificate: TB-C-0057, expires: 2999-12-31, U: 1.2 um, k: 2}}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}
safe_state: hold
back_drives: no
stand_in: {preset: doser, seed: 57}
"""

PLAN = """\
purpose: qualification
bench: lab.bench.yaml
decision_rule: guarded
procedures:
  - sway: {limits: {offset: 25 um, worst: 100 um}}
"""

QUALIFICATION = """\
number: TB-Q-1
title: doser
revision: {mark: A, of: 2026-11-20, changes: first issue}
approval: {by: head of laboratory, on: 2026-11-21}
units: U1 to U3
clauses:
  - {number: 4.1, title: Sway, plan: sway.plan.yaml}
  - {number: 4.2, title: Sway again, plan: again.plan.yaml, criterion: {by: all pass, counting_reruns: [rework]}}
"""

CHARACTERISTICS = (
    Characteristic(
        "offset", "offset", Kind.TRAVEL, "um", "own definition", "an offset", "O", magnitude=True, figure=Figure.MEAN
    ),
    Characteristic("worst", "worst", Kind.TRAVEL, "um", "own definition", "a maximum", figure=Figure.EXTREME),
)


@dataclass(frozen=True)
class NoSettings:
    pass


@dataclass
class Laboratory:
    """Files in a folder, units, and an operator whose scanner reads what is due.

    `offset_um` : by unit, a value for each time that it is tested, the last one for all later times. `happens` : what
    happens while the n-th test of all runs. `scans` : what the scanner reads first. `leaves_at` : questions after which
    the operator goes home.
    """

    folder: Path
    offset_um: dict[str, list[float]] = field(default_factory=dict)
    happens: dict[int, Callable[[], None]] = field(default_factory=dict)
    tested: list[str] = field(default_factory=list)
    scans: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    leaves_at: int = 10_000

    @property
    def reports(self) -> Path:
        return self.folder / "reports"

    @property
    def file(self) -> Path:
        return self.folder / "doser.qualification.yaml"

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def ask(self, more: str = "", **changed: str) -> Path:
        """The qualification file: lines of the keys given replaced, `more` at its end."""
        text = QUALIFICATION
        for key, value in changed.items():
            (old,) = [line for line in text.splitlines() if line.startswith(f"{key}:")]
            text = text.replace(old, f"{key}: {value}")
        return self.write("doser.qualification.yaml", text + more)

    def open(self, live: tuple[str, ...] = ()) -> Qualification:
        return Qualification(Setting(load_qualification(self.file), self.reports, live))

    # -- the operator ------------------------------------------------------------------------------------------------

    def say(self, text: str) -> None:
        self.said.append(text)

    def confirm(self, text: str) -> None:
        self.asked.append(text)
        if len(self.asked) >= self.leaves_at:
            raise BrokenOff("gone home")

    def confirm_by(self, text: str, word: str) -> None:  # noqa: ARG002
        self.confirm(text)

    def scan(self, text: str, due: str) -> str:
        self.confirm(text)
        return self.scans.pop(0) if self.scans else due

    # -- the procedure -----------------------------------------------------------------------------------------------

    def procedure(self) -> Procedure:
        return Procedure(
            name="sway",
            title="sway",
            version="1",
            settings=NoSettings,
            characteristics=CHARACTERISTICS,
            check=lambda _bench, _settings: Forecast("one look", 3.0, 0.001, 0.059),
            run=self._run,
            evaluate=lambda readings, *_: tuple(
                Estimate(name, row[f"{name}_m"], 1e-6) for row in readings.rows("looks") for name in ("offset", "worst")
            ),
        )

    def _run(self, bench: Any, _settings: Any, journal: Any) -> None:
        serial = bench.description.axis_serial
        values = self.offset_um.get(serial, [10.0])
        offset = values[min(self.tested.count(serial), len(values) - 1)]
        self.tested.append(serial)
        journal.write("looks", {"offset_m": offset * 1e-6, "worst_m": 20e-6})
        journal.commit()
        self.happens.pop(len(self.tested), lambda: None)()


@pytest.fixture(autouse=True)
def no_reports_of_units(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of units, whose reports nobody reads here; a qualification's own page is drawn."""
    monkeypatch.setattr("stepwitness.conduct.rendered", lambda _: (None, []))


@pytest.fixture
def laboratory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Laboratory:
    made = Laboratory(tmp_path)
    known = {"sway": made.procedure()}
    monkeypatch.setattr(registry, "procedures", lambda: known)
    made.write("lab.bench.yaml", BENCH)
    made.write("sway.plan.yaml", PLAN)
    made.write("again.plan.yaml", PLAN)
    made.ask()
    return made
