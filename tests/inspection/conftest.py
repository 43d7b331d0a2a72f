"""A goods-inward rig on which a unit is what a test says of its serial number: no motion, but real records."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from stepwitness.findings import Characteristic, Estimate, Figure
from stepwitness.inspection.lot import Lot
from stepwitness.inspection.model import load_lot
from stepwitness.procedures import registry
from stepwitness.procedures.procedure import Forecast, Procedure
from stepwitness.quantities import Kind
from stepwitness.rig import Rig

BENCH = """\
name: incoming-rig-1
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
purpose: incoming
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - sway: {limits: {offset: 25 um, worst: 100 um}}
"""

LOT = """\
supplier: Fennick Screws
part: FS-2040-B
lot: 2026-117
quantity: 25
serials: FS-0401 to FS-0425
plan: doser.plan.yaml
sampling: {edition: "ISO 2859-1:1999", level: II, aql: 4 %}
"""
"""Normal: letter C, n = 3 by the arrow to Ac 0 (AQL 4 %, letter C). Tightened: n = 5, Ac 0."""

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
class Units:
    """What each unit is, 10 and 20 micrometres where nothing is said; and what happens when it is first tested."""

    offset_um: dict[str, float] = field(default_factory=dict)
    worst_um: dict[str, float | None] = field(default_factory=dict)
    happens: dict[str, Callable[[], None]] = field(default_factory=dict)
    tested: list[str] = field(default_factory=list)

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
                estimate
                for row in readings.rows("looks")
                for estimate in (
                    Estimate("offset", row["offset_m"], 1e-6),
                    Estimate("worst", row["worst_m"], 1e-6, reason="no gauge"),
                )
            ),
        )

    def _run(self, bench: Any, _settings: Any, journal: Any) -> None:
        serial = bench.description.axis_serial
        self.tested.append(serial)
        worst = self.worst_um.get(serial, 20.0)
        offset = self.offset_um.get(serial, 10.0)
        journal.write("looks", {"offset_m": offset * 1e-6, "worst_m": None if worst is None else worst * 1e-6})
        journal.commit()
        self.happens.pop(serial, lambda: None)()


@dataclass
class Operator:
    """An operator whose scanner reads the unit that is due, unless `scans` has something else to read first."""

    scans: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    leaves_at: int = 10_000

    def say(self, text: str) -> None:
        self.said.append(text)

    def confirm(self, text: str) -> None:
        from stepwitness.attendance import BrokenOff

        self.asked.append(text)
        if len(self.asked) >= self.leaves_at:
            raise BrokenOff("gone home")

    def confirm_by(self, text: str, word: str) -> None:  # noqa: ARG002
        self.confirm(text)

    def scan(self, text: str, due: str) -> str:
        self.confirm(text)
        return self.scans.pop(0) if self.scans else due


@dataclass
class Inward:
    """The goods-inward desk: files in a folder, and lots opened from them."""

    folder: Path
    units: Units
    operator: Operator = field(default_factory=Operator)

    @property
    def reports(self) -> Path:
        return self.folder / "reports"

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8")
        return path

    def lot(self, number: str = "2026-117", **changed: str) -> Path:
        """A lot file of 25 units with serial numbers of its own, lines of the others' keys replaced."""
        lines = {line.partition(":")[0]: line for line in LOT.splitlines()}
        if number != "2026-117":
            lines |= {"lot": f"lot: {number}", "serials": f"serials: {number}-01 to {number}-25"}
        lines |= {key: f"{key}: {value}" for key, value in changed.items()}
        return self.write(f"{number}.lot.yaml", "\n".join(lines.values()) + "\n")

    def open(self, path: Path, **rig: str) -> Lot:
        description, plan, bench = load_lot(path)
        return Lot(description, plan, Rig(bench, **rig), self.reports)


@pytest.fixture
def sheets() -> None:
    """Reports and sheets are drawn, as they are outside these tests."""


@pytest.fixture(autouse=True)
def no_sheets(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Hundreds of units, whose reports nobody reads; a test that does asks for `sheets`."""
    if "sheets" not in request.fixturenames:
        monkeypatch.setattr("stepwitness.conduct.rendered", lambda _: (None, []))
        monkeypatch.setattr("stepwitness.inspection.document.rendered", lambda *_: (None, []))


@pytest.fixture
def inward(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Inward:
    units = Units()
    known = {"sway": units.procedure()}
    monkeypatch.setattr(registry, "procedures", lambda: known)
    made = Inward(tmp_path, units)
    made.write("doser.bench.yaml", BENCH)
    made.write("doser.plan.yaml", PLAN)
    return made
