"""A laboratory for the plugin: a folder with a stand-in bench and a procedure of its own, reached by entry point."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import stepwitness.records.store  # noqa: F401 (what is loaded here stays loaded between runs in this process)
import stepwitness_reports.html  # noqa: F401
from stepwitness.procedures import registry

BENCH = """\
name: {name}
axis: {{name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}}
motor: {{rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}}
drive: {{part: stand-in}}
{counter}inputs: {{part: stand-in}}
envelope: {{travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}}
reference: {{by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}}
safe_state: hold
back_drives: no
stand_in: {{preset: doser, seed: 417}}
"""

with contextlib.suppress(ImportError):  # its compiled half can't be loaded twice
    import psycopg  # noqa: F401

SWAY = '''\
"""A procedure for tests of the plugin: it notes that it moved, and does what its setting says."""

import os
import time
from dataclasses import dataclass, replace

from stepwitness.bench.errors import UnprovokedStall
from stepwitness.findings import Characteristic, Estimate
from stepwitness.procedures.procedure import Forecast, Procedure
from stepwitness.quantities import Kind
from stepwitness.settings import setting


def note(what):
    with open(os.environ["SWAY_LOG"], "a", encoding="utf-8") as file:
        file.write(f"{what}\\n")


def moved():
    """What comes on top, in metres: one for each motion of the log in its turn, the last one for all after it."""
    each = [float(one) for one in os.environ.get("SWAY_MOVED", "0").split(",")]
    with open(os.environ["SWAY_LOG"], encoding="utf-8") as file:
        motions = sum(line.startswith("move ") for line in file)
    return each[min(motions, len(each)) - 1]


@dataclass(frozen=True)
class Settings:
    label: str = setting("label", str, "noted with each motion", default="sway")
    act: str = setting("act", str, "how it ends", default="measure",
                       choices=("measure", "stall", "bug", "interrupt", "die", "wait"))
    value_m: float = setting("value", Kind.TRAVEL, "what it finds", default=10e-6)
    u_m: float = setting("u", Kind.TRAVEL, "standard uncertainty of it", default=1e-6)


def run(bench, settings, journal):
    note(f"move {settings.label} {os.getpid()}")
    bench.make_ready()
    bench.set_datum(0.03)
    bench.set_speed(0.02)
    bench.set_acceleration(0.2)
    bench.drive.start_move_by(8000)
    moved_m = moved()
    journal.write("sways", {"t_s": bench.clock.now(), "offset_m": settings.value_m + moved_m})
    journal.commit()
    if settings.act == "stall":
        raise UnprovokedStall("the axis stopped following and nobody asked for that")
    if settings.act == "bug":
        raise ZeroDivisionError("a mistake in a procedure")
    if settings.act == "interrupt":
        raise KeyboardInterrupt
    if settings.act == "die":
        os._exit(9)
    if settings.act == "wait":
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            time.sleep(0.02)
    bench.clock.sleep(3.0)


def evaluate(readings, bench, settings):
    rows = list(readings.rows("sways"))
    yield Estimate("offset", rows[0]["offset_m"], settings.u_m, statement="The drive and the counter agree to 1 count.")
    yield Estimate("sways", float(len(rows)))
    yield Estimate("unrecovered", 0.0)
    yield Estimate("unseen", None, reason="no displacement gauge on the load")


def characteristic(name, title, kind, unit, symbol=""):
    return Characteristic(name, title, kind, unit, "own definition", title, symbol)


SWAYING = Procedure(
    name="sway",
    title="sway",
    version="1",
    settings=Settings,
    characteristics=(
        characteristic("offset", "offset at the load", Kind.TRAVEL, "um", "O"),
        characteristic("sways", "sways", Kind.COUNT, ""),
        characteristic("unrecovered", "sways not recovered", Kind.COUNT, ""),
        characteristic("unseen", "what nobody sees", Kind.TRAVEL, "um"),
    ),
    check=lambda bench, settings: Forecast("1 sway each way", 3.0, 0.02, 0.03),
    run=run,
    evaluate=lambda *given: tuple(evaluate(*given)),
)
STANDING = replace(SWAYING, name="standard", title="standard", guards=True)
'''

WATCH_SAFE_STATE = """\
import sway_procedure
from stepwitness.bench import live

reach = live.to_safe_state

def noted(bench):
    reach(bench)
    status = bench.drive.status()
    sway_procedure.note(f"safe {bench.description.name} enabled={status.enabled} moving={status.moving}")

live.to_safe_state = noted
"""


ALWAYS = ("-W", "error", "-p", "no:randomly", "-p", "no:hypothesispytest")
"""Every warning is an error, and what isn't under test stays out: shuffled order, and a plugin that is slow to load."""


class Lab:
    """Writes benches, plans and tests into a folder of its own, runs pytest there and reads what came of it."""

    def __init__(self, pytester: pytest.Pytester) -> None:
        self.pytester = pytester
        self.folder = pytester.path
        self.log = self.folder / "sway.log"
        self.write("sway_procedure.py", SWAY)
        self.write(
            "sway_procedure-0.1.dist-info/METADATA", "Metadata-Version: 2.1\nName: sway-procedure\nVersion: 0.1\n"
        )
        self.write(
            "sway_procedure-0.1.dist-info/entry_points.txt",
            "[stepwitness.procedures]\nsway = sway_procedure:SWAYING\nstandard = sway_procedure:STANDING\n",
        )
        self.bench()

    def write(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
        return path

    def bench(self, name: str = "doser-rig-1", file: str = "doser.bench.yaml", *, counter: bool = True) -> Path:
        part = "counter: {part: stand-in, lines: 500, decoding: X4, on: motor}\n" if counter else ""
        return self.write(file, BENCH.format(name=name, counter=part))

    def plan(
        self,
        *procedures: str,
        file: str = "nightly.plan.yaml",
        bench: str = "doser.bench.yaml",
        purpose: str = "nightly",
        inconclusive: str = "fail",
    ) -> Path:
        """A plan whose procedures are given as flow mappings: ``id: first, limits: {offset: 25 um}``."""
        listed = "".join(f"  - sway: {{{one}}}\n" for one in procedures)
        head = f"purpose: {purpose}\nbench: {bench}\ninconclusive: {inconclusive}\nprocedures:\n"
        return self.write(file, head + listed)

    def watch_safe_state(self) -> None:
        """Note every safe state that is reached."""
        self.write("conftest.py", WATCH_SAFE_STATE)

    def run(self, *arguments: str) -> pytest.RunResult:
        """pytest in this process, in the order of the files, every warning an error."""
        return self.pytester.runpytest_inprocess(*ALWAYS, *arguments)

    def run_apart(self, *arguments: str, timeout: float = 60) -> pytest.RunResult:
        """pytest in a process of its own, for what ends processes or starts some."""
        return self.pytester.runpytest_subprocess(*ALWAYS, *arguments, timeout=timeout)

    @property
    def noted(self) -> list[str]:
        return self.log.read_text(encoding="utf-8").splitlines() if self.log.exists() else []

    @property
    def motions(self) -> list[str]:
        """The label of each motion, in their order."""
        return [line.split()[1] for line in self.noted if line.startswith("move")]

    @property
    def records(self) -> list[dict[str, Any]]:
        """The sections of every record, in the order of their folders' names."""
        return [
            json.loads(path.read_bytes())["sections"] for path in sorted(self.folder.glob("reports/*/*/record.json"))
        ]

    @property
    def record(self) -> dict[str, Any]:
        (only,) = self.records
        return only

    def verdicts(self) -> dict[str, str]:
        """The verdict of each finding in the only record."""
        return {f"{one['procedure']}.{one['characteristic']}": one["verdict"] for one in self.record["findings"]}


@pytest.fixture
def lab(pytester: pytest.Pytester, monkeypatch: pytest.MonkeyPatch) -> Iterator[Lab]:
    made = Lab(pytester)
    monkeypatch.setenv("SWAY_LOG", str(made.log))
    monkeypatch.delenv("CI", raising=False)
    monkeypatch.syspath_prepend(str(made.folder))
    registry.procedures.cache_clear()
    yield made
    registry.procedures.cache_clear()
