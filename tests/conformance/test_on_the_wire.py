"""The same checks on the same stand-ins, reached over each wire as real parts are."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.model import load_bench
from stepwitness.conformance import (
    COUNTER_CHECKS,
    DRIVE_CHECKS,
    GAUGE_CHECKS,
    LOOP_CHECKS,
    METER_CHECKS,
    Check,
    Subject,
)
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import WallClock
from stepwitness.errors import StepwitnessError
from stepwitness.standin.client import start_server

BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: stand-in, loop: LOOP}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm}
meter: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
stand_in: {preset: doser}
"""
SCALE = 4.0
TERMINALS = {"serial", "modbus-rtu", "canopen"}
OPEN = (*DRIVE_CHECKS, *COUNTER_CHECKS, *GAUGE_CHECKS, *METER_CHECKS)
CLOSED = (*DRIVE_CHECKS, *LOOP_CHECKS)
WIRES: dict[tuple[str, str], tuple[Check, ...]] = {
    ("tcp", "open"): OPEN,
    ("tcp", "closed"): LOOP_CHECKS,
    ("modbus-tcp", "open"): OPEN,
    ("modbus-tcp", "closed"): LOOP_CHECKS,
    ("modbus-rtu", "closed"): (*CLOSED, *COUNTER_CHECKS),
    ("canopen", "closed"): CLOSED,
    ("canopen", "open"): DRIVE_CHECKS,
    ("hislip", "open"): (*GAUGE_CHECKS, *METER_CHECKS),
}
"""What is checked where: each kind of part by everything that it must do, and no word of a protocol twice."""
BUSY_S = 0.1
"""For how long a busy machine may stop a process, on the wall (common practice, no source)."""


@contextlib.contextmanager
def _subject(folder: Path, way: str, loop: str) -> Iterator[Callable[[dict[str, Any]], Subject]]:
    path = folder / "doser.bench.yaml"
    path.write_text(BENCH.replace("LOOP", loop))
    axis, clock = load_bench(path).axis, WallClock(SCALE)
    with start_server(path, over=way, scale=SCALE) as served, contextlib.ExitStack() as stack:
        parts = {}
        for role, part in served.parts.items():
            parts[role] = build(role, part, axis, clock)
            stack.callback(parts[role].close_link)

        def make(settings: dict[str, Any]) -> Subject:
            slower = {"speed": 3000.0, "acceleration": 30_000.0, "reaction_s": BUSY_S * SCALE}
            return Subject(clock=clock, **parts, **{**settings, **slower})

        yield make


@pytest.mark.parametrize(("way", "loop"), WIRES, ids=["-".join(wire) for wire in WIRES])
def test_the_stand_in_passes_over_every_wire(tmp_path: Path, settings: dict[str, Any], way: str, loop: str) -> None:
    """One test a wire, as starting the stand-ins takes longer than a check; each check that fails is told."""
    if way in TERMINALS and sys.platform == "win32":
        pytest.skip("no pseudo-terminals here")
    failures = []
    with _subject(tmp_path, way, loop) as make:
        for check in WIRES[way, loop]:
            try:
                check(make(settings))
            except (AssertionError, StepwitnessError) as error:
                failures.append(f"{check.__name__}: {error}")
    assert not failures, "\n".join(failures)
