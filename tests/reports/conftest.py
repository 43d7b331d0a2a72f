"""A run directory as the report finds it: a record and its journals, made here with plausible numbers.

The doser of Tarnbrook Dosing (fictional) with a worn nut: 46 µm of play behind the encoder. The record's numbers are
set, not evaluated: a report doesn't judge.
"""

from __future__ import annotations

import hashlib
import json
import math
import random
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from stepwitness.records.journal import JournalReadings, JournalWriter

BENCH = """\
name: doser-rig-1
axis: {name: doser, serial: TB-0417, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm,
       orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 0.03 N*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 60 mm, resolution: 0.1 um, measuring_force: 0.8 N,
        calibration: {certificate: TB-0031, expires: 2027-03-01, U: 1.2 um, k: 2}}
drag: {part: stand-in}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, at: 0 mm, side: low}
safe_state: hold
guide_friction: 4 N
"""

GAUGELESS_BENCH = "\n".join(line for line in BENCH.splitlines() if "gauge:" not in line and "TB-0031" not in line) + "\n"

PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability:
      limits: {bidirectional_repeatability: 60 um, mean_reversal: 55 um}
  - backlash:
      drags: [0 N, 6 N]
      limits: {reversal_value: 25 um}
  - stall_recovery:
      stall_current: 0.05 A
      following_error_window: 2.5 steps
      limits: {detection_latency: 20 ms, false_alarms: 0, claim_error: 0.5 mm}
"""

PLAY_M = 46e-6
STEP_M = 1e-5
COUNT_M = 1e-6
MICROSTEP_M = STEP_M / 16

GaugeColumn = Callable[[float], float | None]


def contribution(source: str, u: float, kind: str = "B") -> dict[str, Any]:
    return {"source": source, "standard_uncertainty": u, "kind": kind}


@dataclass
class RunMaker:
    """Writes one run directory; every attribute may be changed before `write`."""

    directory: Path
    gauge: bool = True
    runs: int = 5
    targets: int = 11
    run: dict[str, Any] = field(default_factory=dict)
    findings: list[dict[str, Any]] = field(default_factory=list)
    estimates: dict[str, list[dict[str, Any]]] = field(default_factory=dict)
    outcomes: dict[str, tuple[str, str]] = field(default_factory=dict)
    not_acquired: list[dict[str, str]] = field(default_factory=list)
    identities: dict[str, str] = field(default_factory=dict)
    bench_text: str = BENCH
    plan_text: str = PLAN

    def write(self) -> Path:
        raise NotImplementedError
