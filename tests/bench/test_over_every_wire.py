"""The three procedures give the verdicts over every wire that they give in process."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from stepwitness.bench.assembly import open_bench
from stepwitness.findings import Verdict, judge
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.procedures.acquisition import acquire
from stepwitness.records.journal import JournalReadings, JournalWriter
from stepwitness.standin.endpoints import ON_TERMINALS

BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: stand-in, loop: LOOP}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm, measuring_force: 0.6 N,
        calibration: {certificate: TB-C-0031, expires: 2037-03-01, U: 1.2 um, k: 2}}
meter: {part: stand-in, calibration: {certificate: TB-C-0044, expires: 2037-03-01, U: 5 mA, k: 2}}
drag: {part: stand-in}
supply: {part: stand-in}
envelope: {travel: 26 mm to 36 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
back_drives: no
guide_friction: 4 N
stand_in: {preset: doser, seed: 417, SCREW}
"""
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability:
      targets: 2
      runs: 2
      limits: {bidirectional_repeatability: 60 um, mean_reversal: 25 um, count_closure: 3 counts}
  - backlash:
      places: 1
      repeats: 2
      drags: [0 N, 30 N]
      limits: {reversal_value: 25 um}
  - stall_recovery:
      stall_current: 0.05 A
      following_error_window: 2 steps
      attempts: 2
      distance: 3 mm
      healthy_moves: 1
      provocations: 1
      hunting_time: 0.1 s
      limits: {missed_stalls: 0, false_alarms: 0, unrecovered: 0, standstill_error: 1 step, current_difference: 5 %}
"""
SCALE = 2.0
UNHEARD, TRIES = "the witnesses weren't heard", 6
"""Why a run is aborted whose host was busy for 50 ms in the middle of a stall: nobody's fault, so it is tried again."""
GOOD, WORN = "screw: {backlash: 8 um}", "screw: {backlash: 120 um}"


def _verdicts(folder: Path, over: str, *, loop: str = "open", screw: str = GOOD) -> dict[str, Verdict]:
    folder.mkdir()
    (folder / "doser.bench.yaml").write_text(BENCH.replace("LOOP", loop).replace("SCREW", screw))
    (folder / "nightly.plan.yaml").write_text(PLAN)
    plan, description = load_plan_and_bench(folder / "nightly.plan.yaml")
    found: dict[str, Verdict] = {}
    with open_bench(description, over=over, scale=SCALE) as bench:
        for planned in plan.procedures:
            for attempt in range(TRIES):
                path = folder / f"{planned.id}-{attempt}.journal.jsonl"
                acquire(bench, planned, JournalWriter(path, {"procedure": planned.id}))
                readings = JournalReadings(path)
                if UNHEARD not in readings.cause:
                    break
            assert readings.outcome == "done", readings.cause
            estimates = {
                item.name: item for item in planned.procedure.evaluate(readings, description, planned.settings)
            }
            for limit in planned.limits:
                name = limit.characteristic.name
                found[f"{planned.id}.{name}"] = judge(planned.id, limit, estimates[name], plan.rule).verdict
    return found


@pytest.mark.parametrize(
    ("way", "loop", "screw"),
    [
        ("tcp", "closed", WORN),
        ("modbus-tcp", "closed", GOOD),
        ("modbus-rtu", "open", WORN),
        ("canopen", "closed", WORN),
        ("hislip", "open", GOOD),
    ],
)
def test_verdicts_are_those_in_process(tmp_path: Path, way: str, loop: str, screw: str) -> None:
    if way in ON_TERMINALS and sys.platform == "win32":
        pytest.skip("no pseudo-terminals here")
    expected = _verdicts(tmp_path / "process", "process", loop=loop, screw=screw)
    assert Verdict.PASS in expected.values()
    assert (Verdict.FAIL in expected.values()) == (screw == WORN)
    assert _verdicts(tmp_path / "wire", way, loop=loop, screw=screw) == expected
