"""Units that differ: a stand-in's spread, drawn by the serial number of the unit that is mounted."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from pathlib import Path

import pytest

from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.bench.stand_in import mounted
from stepwitness.errors import BadInput

BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}
safe_state: hold
back_drives: no
stand_in: {preset: doser, seed: 417, spread: {screw: {backlash: 30 %, drag_torque: 0.1}}}
"""


@pytest.fixture
def bench() -> BenchDescription:
    return parse_bench(BENCH, "doser.bench.yaml")


def backlash_m(bench: BenchDescription, serial: str) -> float:
    unit = mounted(replace(bench, axis_serial=serial))
    assert unit is not None
    return unit.screw.backlash_m


def test_shares_are_read_by_the_field_that_they_spread(bench: BenchDescription) -> None:
    assert bench.spread == {"screw.backlash_m": 0.3, "screw.drag_torque_nm": 0.1}


def test_a_serial_number_draws_its_own_unit_and_always_the_same(bench: BenchDescription) -> None:
    drawn = [backlash_m(bench, f"FS-{number}") for number in range(400)]
    assert len(set(drawn)) == 400
    assert drawn == [backlash_m(bench, f"FS-{number}") for number in range(400)]
    logs = [math.log(value / 1e-5) for value in drawn]
    # the spread is that of the logarithm; with 400 units its own standard error is 0.3 / sqrt(800)
    assert statistics.stdev(logs) == pytest.approx(0.3, abs=4 * 0.3 / math.sqrt(800))
    assert statistics.mean(logs) == pytest.approx(0.0, abs=4 * 0.3 / math.sqrt(400))


def test_without_a_serial_number_or_a_spread_the_unit_is_the_nominal_one(bench: BenchDescription) -> None:
    assert mounted(bench) == bench.stand_in
    assert mounted(replace(bench, spread={}, axis_serial="FS-1")) == bench.stand_in


@pytest.mark.parametrize("over", ["process", "tcp"])
def test_the_unit_that_is_mounted_is_the_one_that_moves(tmp_path: Path, over: str) -> None:
    """A drive that gives its current to within a few percent of the unit, seen by the meter beside it."""
    path = tmp_path / "doser.bench.yaml"
    spread = BENCH.replace(
        "spread: {screw: {backlash: 30 %, drag_torque: 0.1}}", "spread: {motor: {current_scale: 0.2}}"
    )
    path.write_text(f"{spread}meter: {{part: stand-in}}\n", encoding="utf-8")
    nominal = parse_bench(path.read_text(encoding="utf-8"), str(path))
    for serial in ("FS-1", "FS-2"):
        bench = replace(nominal, axis_serial=serial)
        unit = mounted(bench)
        assert unit is not None
        with open_bench(bench, over=over) as opened:
            assert opened.meter is not None
            opened.make_ready()
            opened.clock.sleep(0.5)
            assert opened.meter.current_a() == pytest.approx(0.6 * unit.motor.current_scale, rel=0.02)


@pytest.mark.parametrize(
    ("wrong", "told"),
    [
        ("spread: {screw: {backlsh: 30 %}}", "stand_in.spread.screw.backlsh: an unknown key 'backlsh'"),
        ("spread: {screw: {backlash: -0.1}}", "stand_in.spread.screw.backlash: too small"),
        ("spread: {screw: {backlash: 5 um}}", "stand_in.spread.screw.backlash"),
    ],
)
def test_what_a_spread_may_not_say(wrong: str, told: str) -> None:
    text = BENCH.replace("spread: {screw: {backlash: 30 %, drag_torque: 0.1}}", wrong)
    with pytest.raises(BadInput, match=f"doser.bench.yaml:11 {told}"):
        parse_bench(text, "doser.bench.yaml")
