"""bench.yaml: what a healthy file gives, and the one line that each mistake gives."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import json
import re
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.axis import Decoding, Mounting, Orientation
from stepwitness.bench.description import (
    BenchDescription,
    Blocked,
    Calibration,
    ReferenceMethod,
    SafeState,
    Stop,
    StopMethod,
)
from stepwitness.bench.model import bench_schema, load_bench, parse_bench
from stepwitness.bench.stand_in import KIND_BY_SUFFIX, key_and_kind
from stepwitness.devices.interfaces import Side
from stepwitness.errors import BadInput, Place
from stepwitness.quantities import Kind
from stepwitness.standin.parameters import Ambient, Hand, StandIn
from stepwitness.standin.presets import PRESETS

RIG = """\
name: doser-rig-1
axis: {name: doser, serial: 0012345, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm,
       orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: text-line, port: COM5, baud: 115200}
counter: {part: text-line, port: COM6, lines: 500, decoding: X4, on: motor}
gauge: {part: scpi, resource: "TCPIP::192.0.2.7::hislip0::INSTR", range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm,
        measuring_force: 0.6 N, sense: +, calibration: {certificate: TB-0031, expires: 2027-03-01, U: 1.2 um, k: 2}}
meter: {part: scpi, resource: "TCPIP::192.0.2.8::5025::SOCKET", calibration: {certificate: TB-0044, expires: 2020-01-31, U: 2 mA}}
inputs: {part: text-line, port: COM7}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 600 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 2 mm/s}
safe_state: hold
back_drives: NO
guide_friction: 4 N
"""

LIFT = """\
name: lift-rig-1
axis:
  name: plate-lift
  step_angle: 0.9 deg
  microsteps: 16
  lead: 5 mm
  gear: 5:1
  stroke: 120 mm
  orientation: vertical
motor:
  rated_current: 2 A
  hold_current: 2 A
  holding_torque: 0.9 Nm
drive:
  part: stand-in
  loop: closed
counter:
  part: stand-in
  line_pitch: 20 um
  decoding: X2
  on: load
  reversed: yes
  certificate: TB-0052
gauge:
  part: stand-in
  range: 125 mm
  resolution: 0.5 um
  zero_at: -2 mm
  sense: -1
brake:
  part: stand-in
  closing_delay: 50 ms
envelope:
  travel: 1 mm to 119 mm
  speed: 50 mm/s
  acceleration: 500 mm/s^2
  current: 2.2 A
reference:
  by: datum
  at: 30 mm
safe_state: brake
back_drives: yes
blocked:
  at: 0 mm
  side: low
  push_current: 0.3 A
stand_in:
  preset: plate-lift
  seed: 922
"""


def changed(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def refusal(text: str) -> str:
    with pytest.raises(BadInput) as caught:
        parse_bench(text, "rig.yaml")
    message = str(caught.value)
    assert "\n" not in message
    return message


def test_the_parity_of_a_line_is_no_misspelt_part() -> None:
    rig = parse_bench(changed(RIG, "part: text-line, port: COM5", "part: modbus, port: COM5, parity: none"), "rig.yaml")
    assert rig.drive.options["parity"] == "none"


def test_a_brake_needs_a_witness() -> None:
    text = re.sub(r"(?m)^(counter|gauge):\n(  .*\n)+|^(counter|gauge):.*\n(  +.*\n)*", "", LIFT)
    assert "counter" not in text
    assert "a brake that nothing can see hold" in refusal(text)


def test_a_supply_is_cut_only_where_the_load_may_fall_as_far_as_it_then_can() -> None:
    """50 ms of free fall from 50 mm/s: v t + g t²/2 = 2.5 mm + 12.3 mm (by hand)."""
    lift = parse_bench(LIFT, "rig.yaml")
    assert lift.brake is not None
    fall_m = lift.envelope.speed_m_per_s * lift.brake.closing_delay_s + 9.80665 * lift.brake.closing_delay_s**2 / 2
    supplied = LIFT + "supply: {part: stand-in}\n"
    assert f"allowed: at least {fall_m * 1e3:g} mm" in refusal(supplied + "stop: {by: supply, drop: 1 mm}\n")
    assert "no 'drop'" in refusal(supplied + "stop: {by: supply}\n")
    stop = parse_bench(supplied + "stop: {by: supply, drop: 20 mm}\n", "rig.yaml").stop
    assert stop == Stop(StopMethod.SUPPLY, drop_m=0.02)


class TestHealthyFiles:
    def test_axis_is_exact(self) -> None:
        axis = parse_bench(RIG, "rig.yaml").axis
        assert (axis.name, axis.full_steps, axis.microsteps) == ("doser", 200, 16)
        assert axis.travel_per_turn == Fraction(1, 500)
        assert axis.stroke == Fraction(3, 50)
        assert axis.orientation is Orientation.HORIZONTAL
        assert axis.encoder is not None
        assert (axis.encoder.lines, axis.encoder.decoding, axis.encoder.mounting) == (500, Decoding.X4, Mounting.MOTOR)
        assert not axis.encoder.reversed

    def test_serials_and_certificates_stay_as_typed(self) -> None:
        bench = parse_bench(RIG, "rig.yaml")
        assert bench.axis_serial == "0012345"
        assert parse_bench(LIFT, "rig.yaml").counter_certificate == "TB-0052"

    def test_text_and_path_are_kept(self) -> None:
        bench = parse_bench(RIG, "some/rig.yaml")
        assert (bench.text, bench.path, bench.name) == (RIG, "some/rig.yaml", "doser-rig-1")

    def test_parts_keep_their_own_options_as_text_and_know_their_line(self) -> None:
        bench = parse_bench(RIG, "rig.yaml")
        assert bench.drive.kind == "text-line"
        assert bench.drive.options == {"port": "COM5", "baud": "115200"}
        assert bench.drive.place == Place("rig.yaml", 5, "drive")
        assert bench.gauge is not None
        assert bench.gauge.part.options == {"resource": "TCPIP::192.0.2.7::hislip0::INSTR"}
        assert list(bench.parts()) == ["drive", "counter", "gauge", "meter", "inputs"]

    def test_quantities_are_si(self) -> None:
        bench = parse_bench(RIG, "rig.yaml")
        assert bench.motor.holding_torque_nm == 0.4
        assert bench.motor.friction_torque_nm == 0.03
        envelope = bench.envelope
        assert (envelope.low_m, envelope.high_m) == (0.001, 0.059)
        assert (envelope.speed_m_per_s, envelope.acceleration_m_per_s2, envelope.current_a) == (0.03, 0.6, 1.5)
        assert bench.gauge is not None
        assert (bench.gauge.range_m, bench.gauge.resolution_m, bench.gauge.zero_at_m) == (0.065, 1e-7, -0.0025)
        assert (bench.gauge.measuring_force_n, bench.gauge.sense) == (0.6, 1)
        assert bench.guide_friction_n == 4.0

    def test_calibration_an_expired_one_is_kept_for_the_report(self) -> None:
        bench = parse_bench(RIG, "rig.yaml")
        assert bench.gauge is not None
        assert bench.gauge.calibration == Calibration("TB-0031", date(2027, 3, 1), 1.2e-6, 2.0)
        assert bench.gauge.calibration.standard_uncertainty == 0.6e-6
        assert bench.meter is not None
        assert bench.meter.calibration == Calibration("TB-0044", date(2020, 1, 31), 2e-3, 2.0)

    def test_reference_and_safe_state(self) -> None:
        rig, lift = parse_bench(RIG, "rig.yaml"), parse_bench(LIFT, "lift.yaml")
        assert rig.reference.method is ReferenceMethod.LIMIT_SWITCH
        assert (rig.reference.side, rig.reference.at_m, rig.reference.speed_m_per_s) == (Side.LOW, 0.0, 0.002)
        assert (lift.reference.method, lift.reference.at_m) == (ReferenceMethod.DATUM, 0.03)
        assert (rig.safe_state, lift.safe_state) == (SafeState.HOLD, SafeState.BRAKE)
        assert (rig.back_drives, lift.back_drives) == (False, True)
        assert lift.blocked == Blocked(0.0, Side.LOW, 0.3)

    def test_gear_and_encoder_on_the_load(self) -> None:
        axis = parse_bench(LIFT, "lift.yaml").axis
        assert axis.travel_per_turn == Fraction(5, 1000) / 5
        assert axis.encoder is not None
        assert (axis.encoder.mounting, axis.encoder.reversed) == (Mounting.LOAD, True)
        assert axis.count_travel == Fraction(20, 10**6) / 2

    @pytest.mark.parametrize(
        ("typed", "ratio"),
        [("5:1", 5), ("5/1", 5), ("5", 5), ("1/1", 1), ("3:2", Fraction(3, 2)), ("2.5:1", Fraction(5, 2))],
    )
    def test_gear_ratios(self, typed: str, ratio: Fraction) -> None:
        axis = parse_bench(changed(LIFT, "gear: 5:1", f"gear: {typed}"), "lift.yaml").axis
        assert axis.travel_per_turn == Fraction(5, 1000) / ratio

    def test_what_may_be_left_out(self) -> None:
        short = """\
name: r
axis: {name: a, step_angle: 1.8 deg, microsteps: 1, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1 A, hold_current: 1 A, holding_torque: 1 N*m}
drive: {part: own-drive}
envelope: {travel: 0 to 60 mm, speed: 1 mm/s, acceleration: 1 mm/s^2, current: 1 A}
reference: {by: datum, at: 0}
safe_state: hold
"""
        bench = parse_bench(short, "rig.yaml")
        assert bench.parts().keys() == {"drive"}
        assert bench.axis.encoder is None
        assert bench.stand_in is None
        assert not bench.back_drives
        assert bench.motor.friction_torque_nm == 0.0
        assert bench.guide_friction_n is None

    def test_on_disk(self, tmp_path: Path) -> None:
        path = tmp_path / "rig.bench.yaml"
        path.write_text(RIG, encoding="utf-8")
        assert load_bench(path) == parse_bench(RIG, str(path))

    @pytest.mark.parametrize(
        "path", sorted((Path(__file__).parents[2] / "benches").rglob("*.bench.yaml")), ids=lambda p: p.name
    )
    def test_the_benches_that_ship_are_read(self, path: Path) -> None:
        assert load_bench(path).stand_in is not None


MISTAKES = [
    # typos
    ("microsteps: 16", "microstep: 16", "rig.yaml:2 axis.microstep: an unknown key 'microstep'; allowed: microsteps, gear; did you mean 'microsteps'?"),
    ("safe_state: hold", "safe_sate: hold", "rig.yaml:13 safe_sate: an unknown key 'safe_sate'; allowed: supply, brake, drag, safe_state, stop, blocked, temperature, site, stand_in, use; did you mean 'safe_state'?"),
    ("safe_state: hold", "safe_state: hodl", "rig.yaml:13 safe_state: not one of its words; found 'hodl'; allowed: hold, brake; did you mean 'hold'?"),
    ("decoding: X4", "decoding: x4", "rig.yaml:6 counter.decoding: not one of its words; found 'x4'; allowed: X1, X2, X4; did you mean 'X4'?"),
    ("decoding: X4", "decoding: X3", "rig.yaml:6 counter.decoding: not one of its words; found 'X3'; allowed: X1, X2, X4"),
    ("orientation: horizontal", "orientation: horizontl", "rig.yaml:3 axis.orientation: not one of its words; found 'horizontl'; allowed: horizontal, vertical; did you mean 'horizontal'?"),
    ("measuring_force: 0.6 N", "mesuring_force: 0.6 N", "rig.yaml:8 gauge.mesuring_force: an unknown key 'mesuring_force'; allowed: part, identity, firmware, range, resolution, zero_at, measuring_force, sense, alignment, abbe_offset, tilt, calibration; did you mean 'measuring_force'?"),
    ("lines: 500", "line: 500", "rig.yaml:6 counter.line: an unknown key 'line'; allowed: part, identity, firmware, lines, line_pitch, decoding, on, reversed, certificate; did you mean 'lines'?"),
    ("range: 65 mm", "rnge: 65 mm", "rig.yaml:7 gauge.range: the key 'range' is missing; allowed: such as 2 mm, 15 um, 1/8 in; is it written as 'rnge'?"),
    ("certificate: TB-0031, ", "certficate: TB-0031, ", "rig.yaml:8 gauge.calibration.certficate: an unknown key 'certficate'; allowed: certificate; did you mean 'certificate'?"),
    # wrong units and numbers
    ("lead: 2 mm", "lead: 2 A", "rig.yaml:2 axis.lead: a unit that doesn't measure travel; found 'A'; allowed: a quantity such as 2 mm, 15 um, 1/8 in"),
    ("lead: 2 mm", "lead: 2", "rig.yaml:2 axis.lead: a number without a unit; found '2'; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("lead: 2 mm", "lead: 2 steps", "rig.yaml:2 axis.lead: a unit that needs an axis; found 'steps'; allowed: a quantity such as 2 mm, 15 um, 1/8 in"),
    ("lead: 2 mm", "lead: 0 mm", "rig.yaml:2 axis.lead: too small; found '0 mm'; allowed: more than 0 mm"),
    ("lead: 2 mm", "lead: 'two mm'", "rig.yaml:2 axis.lead: not a quantity; found 'two mm'; allowed: a number and a unit, such as '2 mm'"),
    ("step_angle: 1.8 deg", "step_angle: 1.7 deg", "rig.yaml:2 axis.step_angle: a turn isn't a whole number of electrical periods; found '1.7 deg'; allowed: an angle that divides the turn into a multiple of four, such as 1.8 deg or 0.9 deg"),
    ("microsteps: 16", "microsteps: 16.5", "rig.yaml:2 axis.microsteps: not a whole number; found '16.5'; allowed: such as 3"),
    ("microsteps: 16", "microsteps: 0", "rig.yaml:2 axis.microsteps: too small; found '0'; allowed: at least 1"),
    ("microsteps: 16", "microsteps: 16, gear: '5:0'", "rig.yaml:2 axis.gear: not a gear ratio; found '5:0'; allowed: motor turns to screw turns, such as 5:1 or 1/1"),
    ("microsteps: 16", "microsteps: 16, gear: '1:2:3'", "rig.yaml:2 axis.gear: not a gear ratio; found '1:2:3'; allowed: motor turns to screw turns, such as 5:1 or 1/1"),
    ("speed: 30 mm/s", "speed: 0 mm/s", "rig.yaml:11 envelope.speed: too small; found '0 mm/s'; allowed: more than 0 mm/s"),
    ("speed: 30 mm/s", "speed: -30 mm/s", "rig.yaml:11 envelope.speed: too small; found '-30 mm/s'; allowed: more than 0 mm/s"),
    ("speed: 30 mm/s", "speed: 30 mm", "rig.yaml:11 envelope.speed: a unit that doesn't measure speed; found 'mm'; allowed: a quantity such as 30 mm/s"),
    ("expires: 2027-03-01", "expires: 1.3.2027", "rig.yaml:8 gauge.calibration.expires: not a date; found '1.3.2027'; allowed: year-month-day such as 2027-03-01"),
    ("expires: 2027-03-01", "expires: 2027-02-30", "rig.yaml:8 gauge.calibration.expires: not a day of the calendar; found '2027-02-30'; allowed: year-month-day such as 2027-03-01"),
    ("sense: +", "sense: up", "rig.yaml:8 gauge.sense: not a sense; found 'up'; allowed: +1 (the reading grows with travel), -1 (it falls)"),
    ("back_drives: NO", "back_drives: never", "rig.yaml:14 back_drives: neither yes nor no; found 'never'; allowed: yes, no"),
    ("name: doser-rig-1", "name: doser rig 1", "rig.yaml:1 name: not a name; found 'doser rig 1'; allowed: letters A-Z a-z, digits, _ and -"),
    ("name: doser-rig-1", "name: ../../etc", "rig.yaml:1 name: not a name; found '../../etc'; allowed: letters A-Z a-z, digits, _ and -"),
    ("name: doser,", "name: dösér,", "rig.yaml:2 axis.name: not a name; found 'dösér'; allowed: letters A-Z a-z, digits, _ and -"),
    # shapes
    ("lead: 2 mm", "lead: [2 mm]", "rig.yaml:2 axis.lead: a list where a value belongs; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("lead: 2 mm", "lead: {mm: 2}", "rig.yaml:2 axis.lead: a section of keys where a value belongs; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("lead: 2 mm", "lead: ''", "rig.yaml:2 axis.lead: nothing stands after the key; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("port: COM5, ", "port: [COM5], ", "rig.yaml:5 drive.port: a list where a value belongs; allowed: such as COM5"),
    ("drive: {part: text-line, port: COM5, baud: 115200}", "drive: text-line", "rig.yaml:5 drive: a text where keys and values belong; found 'text-line'; allowed: the keys part, identity, firmware"),
    ("drive: {part: text-line, port: COM5, baud: 115200}", "drive:", "rig.yaml:5 drive: nothing stands after the key; keys and values belong here"),
    ("drive: {part: text-line, port: COM5, baud: 115200}", "drive: {port: COM5}", "rig.yaml:5 drive.part: the key 'part' is missing; allowed: such as stand-in, text-line, scpi"),
    ("safe_state: hold\n", "", "rig.yaml:1 safe_state: the key 'safe_state' is missing; allowed: hold, brake"),
    # two keys that contradict each other
    ("travel: 1 mm to 59 mm", "travel: 1 mm to 61 mm", "rig.yaml:11 envelope.travel: an envelope beyond the stroke; found 1 mm to 61 mm; allowed: inside 0 mm to 60 mm"),
    ("travel: 1 mm to 59 mm", "travel: -1 mm to 59 mm", "rig.yaml:11 envelope.travel: an envelope beyond the stroke; found -1 mm to 59 mm; allowed: inside 0 mm to 60 mm"),
    ("stroke: 60 mm", "stroke: 50 mm", "rig.yaml:11 envelope.travel: an envelope beyond the stroke; found 1 mm to 59 mm; allowed: inside 0 mm to 50 mm"),
    ("travel: 1 mm to 59 mm", "travel: 59 mm to 1 mm", "rig.yaml:11 envelope.travel: a range that doesn't rise; found '59 mm to 1 mm'; allowed: such as 1 mm to 59 mm"),
    ("travel: 1 mm to 59 mm", "travel: 1 mm - 59 mm", "rig.yaml:11 envelope.travel: not a range of travel; found '1 mm - 59 mm'; allowed: such as 1 mm to 59 mm"),
    ("travel: 1 mm to 59 mm", "travel: 1 to 59 mm", "rig.yaml:11 envelope.travel: a number without a unit; found '1'; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("range: 65 mm", "range: 25 mm", "rig.yaml:11 envelope.travel: an envelope beyond the gauge's range; found 1 mm to 59 mm; allowed: inside -2.5 mm to 22.5 mm; or mend 'zero_at' or 'range' of the gauge"),
    ("zero_at: -2.5 mm", "zero_at: 2 mm", "rig.yaml:11 envelope.travel: an envelope beyond the gauge's range; found 1 mm to 59 mm; allowed: inside 2 mm to 67 mm; or mend 'zero_at' or 'range' of the gauge"),
    ("current: 1.5 A", "current: 1 A", "rig.yaml:11 envelope.current: an envelope that forbids the motor's rated current; found 1 A; allowed: at least 1.2 A"),
    ("hold_current: 0.6 A", "hold_current: 1.3 A", "rig.yaml:4 motor.hold_current: a current beyond the motor's rated current; found 1.3 A; allowed: at most 1.2 A"),
    ("safe_state: hold", "safe_state: hold\nstop: {by: drvie}", "rig.yaml:14 stop.by: not one of its words; found 'drvie'; allowed: drive, port, supply; did you mean 'drive'?"),
    ("safe_state: hold", "safe_state: hold\nstop: {by: drive, port: COM9}", "rig.yaml:14 stop.port: 'port' has no meaning for 'by: drive'; allowed: by"),
    ("safe_state: hold", "safe_state: hold\nstop: {by: port}", "rig.yaml:14 stop.port: the key 'port' is missing; allowed: a second port"),
    ("safe_state: hold", "safe_state: hold\nstop: {by: supply}", "rig.yaml:14 stop.by: a stop that needs a supply; allowed: a 'supply' part"),
    ("orientation: horizontal", "orientation: vertical", "rig.yaml:13 safe_state: a vertical axis that isn't braked; found 'hold'; allowed: brake"),
    ("safe_state: hold", "safe_state: brake", "rig.yaml:13 safe_state: a safe state that needs a brake; found 'brake'; allowed: a 'brake' part, or 'safe_state: hold' on a horizontal axis"),
    ("on: motor", "on: load", "rig.yaml:6 counter.lines: 'lines' for an encoder on the load; allowed: 'lines' with 'on: motor', 'line_pitch' with 'on: load'"),
    ("lines: 500, ", "", "rig.yaml:6 counter.lines: the key 'lines' is missing, which an encoder on the motor needs"),
    ("lines: 500, ", "encoder_lines: 500, ", "rig.yaml:6 counter.lines: the key 'lines' is missing, which an encoder on the motor needs"),
    ("inputs: {part: text-line, port: COM7}\n", "", "rig.yaml:11 reference.by: a limit switch that no part reads; found 'limit switch'; allowed: an 'inputs' part, or 'by: datum'"),
    ("side: low, ", "", "rig.yaml:12 reference.side: the key 'side' is missing; allowed: low, high"),
    ("at: 0 mm", "at: 61 mm", "rig.yaml:12 reference.at: a place outside the stroke; found 61 mm; allowed: 0 mm to 60 mm"),
    ("speed: 2 mm/s", "speed: 31 mm/s", "rig.yaml:12 reference.speed: a speed beyond the envelope; found 31 mm/s; allowed: at most 30 mm/s"),
    ("by: limit switch", "by: datum", "rig.yaml:12 reference.side: 'side' has no meaning for a datum; allowed: by, at"),
    ("by: limit switch", "by: limit-switch", "rig.yaml:12 reference.by: not one of its words; found 'limit-switch'; allowed: limit switch, datum; did you mean 'limit switch'?"),
    # not this kind of file
    ("name: doser-rig-1", "name: a\nname: b", "rig.yaml:2 name: the key 'name' stands twice; keep one; the first is on line 1"),
    ("name: doser-rig-1", "\tname: doser-rig-1", "rig.yaml:1: not YAML: a tab where spaces belong; indent with spaces"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), MISTAKES, ids=lambda text: re.sub(r"\W+", " ", text)[:40])
def test_a_mistake_is_told_in_one_line(old: str, new: str, message: str) -> None:
    assert refusal(changed(RIG, old, new)) == message


LIFT_MISTAKES = [
    ("back_drives: yes\n", "", "rig.yaml:1 back_drives: the key 'back_drives' is missing, which a vertical axis has to say; allowed: yes where the load can turn the screw, no where it can't"),
    ("brake:\n  part: stand-in\n  closing_delay: 50 ms\n", "", "rig.yaml:38 safe_state: a safe state that needs a brake; found 'brake'; allowed: a 'brake' part, or 'safe_state: hold' on a horizontal axis"),
    ("  closing_delay: 50 ms\n", "", "rig.yaml:30 brake.closing_delay: the key 'closing_delay' is missing; allowed: such as 20 ms, 1.5 s"),
    ("  line_pitch: 20 um\n", "", "rig.yaml:17 counter.line_pitch: the key 'line_pitch' is missing, which an encoder on the load needs"),
    ("loop: closed", "loop: close", "rig.yaml:16 drive.loop: not one of its words; found 'close'; allowed: open, closed; did you mean 'closed'?"),
    ("  loop: closed", "  lop: closed", "rig.yaml:16 drive.lop: an unknown key 'lop'; allowed: part, identity, firmware, loop; did you mean 'loop'?"),
    ("  range: 125 mm", "  range: 125 mm\n  port: COM5", "rig.yaml:27 gauge.port: an unknown key 'port'; allowed: part, identity, firmware, range, resolution, zero_at, measuring_force, sense, alignment, abbe_offset, tilt, calibration"),
    ("push_current: 0.3 A", "push_current: 2.1 A", "rig.yaml:46 blocked.push_current: a current beyond the motor's rated current; found 2.1 A; allowed: at most 2 A"),
    ("  at: 0 mm", "  at: 121 mm", "rig.yaml:44 blocked.at: a place outside the stroke; found 121 mm; allowed: 0 mm to 120 mm"),
    ("side: low", "side: bottom", "rig.yaml:45 blocked.side: not one of its words; found 'bottom'; allowed: low, high"),
    ("preset: plate-lift", "preset: plate-lfit", "rig.yaml:48 stand_in.preset: an unknown preset; found 'plate-lfit'; allowed: doser, frame-42, frame-57, plate-lift; did you mean 'plate-lift'?"),
    ("seed: 922", "seed: -1", "rig.yaml:49 stand_in.seed: too small; found '-1'; allowed: at least 0"),
    ("seed: 922", "screw: {backlsh: 46 um}", "rig.yaml:49 stand_in.screw.backlsh: an unknown key 'backlsh'; allowed: mean_diameter, "),
    ("seed: 922", "load: {vertical: yes}", "rig.yaml:49 stand_in.load.vertical: an unknown key 'vertical'; allowed: mass, "),
    ("seed: 922", "hands: [{from: 1 s, to: 2 s}]", "rig.yaml:49 stand_in.hands.force: the key 'force' is missing; allowed: such as 5 N"),
    ("seed: 922", "motor: {inductance: 0 mH}", "rig.yaml:49 stand_in.motor.inductance: no axis could have this; found 0; allowed: more than 0"),
    ("seed: 922", "seed: 922\n  screw:\n    drag: 1", "rig.yaml:51 stand_in.screw.drag: an unknown key 'drag'; allowed: mean_diameter, "),
    ("seed: 922", "seed: 922\n  screw:\n    drag_wave: 150 %", "rig.yaml:51 stand_in.screw.drag_wave: no axis could have this; found 1.5; allowed: 0 to 1"),
    ("seed: 922", "hands: [{from: -1 s, to: 2 s, force: 1 N}]\n  exchange: -1 ms", "rig.yaml:50 stand_in.exchange: no axis could have this; found -0.001; allowed: 0 or more"),
    ("seed: 922", "load: {stop_high: -1 mm}", "rig.yaml:49 stand_in.load.stop_low: no axis could have this"),
    ("seed: 922", "hands: {from: 1 s}", "rig.yaml:49 stand_in.hands: a section of keys where a list belongs; allowed: items with the keys from, to, force"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), LIFT_MISTAKES, ids=lambda text: re.sub(r"\W+", " ", text)[:40])
def test_a_mistake_in_block_style_is_told_at_its_own_line(old: str, new: str, message: str) -> None:
    assert refusal(changed(LIFT, old, new)).startswith(message)


def test_of_several_mistakes_the_first_by_line_is_told() -> None:
    text = changed(changed(RIG, "safe_state: hold", "safe_state: x"), "microsteps: 16", "microsteps: x")
    assert refusal(text).startswith("rig.yaml:2 axis.microsteps")


def test_a_misspelt_key_is_told_before_the_key_that_it_leaves_missing() -> None:
    assert refusal(changed(RIG, "drive: {part", "drvie: {part")).startswith("rig.yaml:5 drvie: an unknown key 'drvie'")


def test_a_vertical_axis_names_what_it_lacks_one_after_the_other() -> None:
    text = changed(RIG, "orientation: horizontal", "orientation: vertical")
    assert "isn't braked" in refusal(text)
    text = changed(changed(text, "safe_state: hold", "safe_state: brake"), "back_drives: NO\n", "")
    assert "'back_drives' is missing" in refusal(text)
    assert "needs a brake" in refusal(text + "back_drives: yes\n")
    braked = text + "back_drives: yes\nbrake: {part: own-brake, closing_delay: 20 ms}\n"
    assert parse_bench(braked, "rig.yaml").brake is not None


class TestStandIn:
    def lift(self, section: str) -> StandIn:
        text = changed(LIFT, "stand_in:\n  preset: plate-lift\n  seed: 922\n", section)
        stand_in = parse_bench(text, "lift.yaml").stand_in
        assert stand_in is not None
        return stand_in

    def test_a_preset_with_its_seed(self) -> None:
        stand_in = self.lift("stand_in: {preset: plate-lift, seed: 922}\n")
        assert stand_in.seed == 922
        assert stand_in.motor == PRESETS["plate-lift"].motor
        assert stand_in.screw == PRESETS["plate-lift"].screw

    def test_no_section_on_a_stand_in_bench_gives_the_defaults(self) -> None:
        assert self.lift("").motor == StandIn().motor

    def test_no_section_on_a_bench_of_real_parts_gives_none(self) -> None:
        assert parse_bench(RIG, "rig.yaml").stand_in is None

    def test_an_empty_section_is_enough_for_a_run_without_motion(self) -> None:
        assert parse_bench(RIG + "stand_in: {}\n", "rig.yaml").stand_in is not None

    def test_the_bench_says_where_things_are(self) -> None:
        stand_in = self.lift("stand_in: {preset: doser}\n")
        assert stand_in.load.vertical
        assert (stand_in.load.stop_low_m, stand_in.load.stop_high_m) == (0.0, 0.122)
        assert (stand_in.limit_low_m, stand_in.limit_high_m, stand_in.start_m) == (0.0, 0.12, 0.06)
        assert (stand_in.gauge.range_m, stand_in.gauge.zero_at_m, stand_in.gauge.resolution_m) == (0.125, -0.002, 5e-7)
        assert stand_in.brake.closing_delay_s == 0.05

    def test_a_limit_switch_is_where_the_reference_says(self) -> None:
        text = changed(RIG, "side: low, at: 0 mm", "side: high, at: 59.5 mm") + "stand_in: {}\n"
        stand_in = parse_bench(text, "rig.yaml").stand_in
        assert stand_in is not None
        assert (stand_in.limit_low_m, stand_in.limit_high_m) == (0.0, 0.0595)
        assert not stand_in.load.vertical

    def test_an_override_wins_over_preset_and_bench(self) -> None:
        stand_in = self.lift(
            "stand_in:\n  preset: plate-lift\n  seed: 3\n  start: 10 mm\n  exchange: 1 ms\n  limit_low: 2 mm\n"
            "  screw: {backlash: 46 um, stiffness: 20 N/um, half_angle: 15 deg, friction_coefficient: 0.1}\n"
            "  motor: {viscous: 1e-4 N*m*s, current_scale: 30 %, inductance: 2 mH, resistance: 1 ohm, supply: 24 V}\n"
            "  load: {mass: 500 g, stop_stiffness: 5 N/um, stop_low: -1 mm}\n"
            "  gauge: {scale_error: 500 ppm, range: 100 mm}\n  brake: {torque: 0.2 N*m}\n  meter: {noise: 2 mA}\n"
            "  encoder: {missed_edge: 1e-4}\n"
        )
        assert stand_in.seed == 3
        assert (stand_in.start_m, stand_in.exchange_s, stand_in.limit_low_m) == (0.01, 1e-3, 2e-3)
        screw = stand_in.screw
        assert (screw.backlash_m, screw.stiffness_n_per_m, screw.friction_coefficient) == (46e-6, 2e7, 0.1)
        assert screw.half_angle_turns == pytest.approx(15 / 360)
        assert screw.mean_diameter_m == PRESETS["plate-lift"].screw.mean_diameter_m
        motor = stand_in.motor
        assert (motor.viscous_nms, motor.current_scale, motor.inductance_h) == (1e-4, 0.3, 2e-3)
        assert (motor.resistance_ohm, motor.supply_v) == (1.0, 24.0)
        assert (stand_in.load.mass_kg, stand_in.load.stop_low_m, stand_in.load.stop_stiffness_n_per_m) == (
            0.5,
            -1e-3,
            5e6,
        )
        assert (stand_in.gauge.scale_error, stand_in.gauge.range_m, stand_in.gauge.zero_at_m) == (5e-4, 0.1, -0.002)
        assert (stand_in.brake.torque_nm, stand_in.brake.closing_delay_s) == (0.2, 0.05)
        assert (stand_in.meter.noise_a, stand_in.encoder.missed_edge) == (2e-3, 1e-4)

    def test_hands(self) -> None:
        stand_in = self.lift(
            "stand_in:\n  hands:\n    - {from: 1 s, to: 1500 ms, force: -3 N}\n    - {from: 2 s, to: 3 s, force: 1 N}\n"
        )
        assert stand_in.hands == (Hand(1.0, 1.5, -3.0), Hand(2.0, 3.0, 1.0))

    def test_heat_and_its_history(self) -> None:
        stand_in = self.lift(
            "stand_in:\n  preset: plate-lift\n  thermal: {winding_rise: 50 K, expansion: 11.5 ppm, fixed_at: -10 mm}\n"
            "  ambient:\n    - {from: 0 s, rise: -2 K}\n    - {from: 60 s, rise: 5 K}\n"
        )
        thermal = stand_in.thermal
        assert (thermal.winding_rise_k, thermal.expansion, thermal.fixed_at_m) == (50.0, 1.15e-5, -0.01)
        assert stand_in.ambient == (Ambient(0.0, -2.0), Ambient(60.0, 5.0))

    def test_every_suffix_stands_behind_those_that_it_ends(self) -> None:
        suffixes = list(KIND_BY_SUFFIX)
        for index, suffix in enumerate(suffixes):
            assert not any(later.endswith(suffix) and later != suffix for later in suffixes[index + 1 :])

    @pytest.mark.parametrize(
        ("name", "key", "kind"),
        [
            ("stop_stiffness_n_per_m", "stop_stiffness", Kind.STIFFNESS),
            ("drag_torque_nm", "drag_torque", Kind.TORQUE),
            ("viscous_nms", "viscous", Kind.DAMPING),
            ("backlash_m", "backlash", Kind.TRAVEL),
            ("friction_n", "friction", Kind.FORCE),
            ("stribeck_m_per_s", "stribeck", Kind.SPEED),
            ("winding_rise_k", "winding_rise", Kind.TEMPERATURE),
            ("missed_edge", "missed_edge", Kind.RATIO),
            ("drag_static_ratio", "drag_static_ratio", Kind.RATIO),
        ],
    )
    def test_keys_and_kinds(self, name: str, key: str, kind: Kind) -> None:
        assert key_and_kind(name) == (key, kind)


class TestSchema:
    def test_is_json_and_describes_every_key(self) -> None:
        schema = json.loads(json.dumps(bench_schema()))
        sections = [schema, *schema["$defs"].values()]
        assert {"name", "axis", "motor", "drive", "stand_in"} <= set(schema["properties"])
        assert schema["required"] == ["name", "axis", "motor", "drive", "envelope", "reference", "safe_state"]
        assert all(section.get("description") for section in sections)
        axis = schema["$defs"]["AxisSection"]
        assert all(entry.get("description") for entry in axis["properties"].values())
        assert axis["additionalProperties"] is False
        assert axis["properties"]["orientation"]["enum"] == ["horizontal", "vertical"]
        assert schema["$defs"]["DrivePart"]["additionalProperties"]
        assert "backlash" in schema["$defs"]["StandInScrewPhysics"]["properties"]
        assert "hands" in schema["$defs"]["StandInSection"]["properties"]

    @pytest.mark.parametrize("text", ["2 mm", "1/8 in", "-2.5 mm", "0.1 um", "0"])
    def test_its_patterns_take_what_the_reader_takes(self, text: str) -> None:
        lead = bench_schema()["$defs"]["AxisSection"]["properties"]["lead"]
        assert any(
            re.search(choice["pattern"], text) if "pattern" in choice else choice["const"] == text
            for choice in lead["anyOf"]
        )

    @pytest.mark.parametrize("text", ["mm", "two mm", "2"])
    def test_its_patterns_refuse_what_the_reader_refuses(self, text: str) -> None:
        lead = bench_schema()["$defs"]["AxisSection"]["properties"]["lead"]
        assert not any("pattern" in choice and re.search(choice["pattern"], text) for choice in lead["anyOf"])


KEYS = sorted(set(re.findall(r"[A-Za-z_]+(?=:)", RIG + LIFT)))
LEAVES: st.SearchStrategy[Any] = st.sampled_from(
    [
        "",
        "2 mm",
        "-1 mm",
        "0",
        "1 mm to 3 mm",
        "16",
        "yes",
        "stand-in",
        "x",
        "1.2 A",
        "motor",
        "X4",
        "brake",
        "1e99 m",
        "5:1",
    ]
)


def written(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {written(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(written, value)) + "]"
    return f'"{value}"'


@settings(max_examples=200)
@given(
    st.dictionaries(
        st.sampled_from(KEYS),
        st.recursive(
            LEAVES,
            lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.sampled_from(KEYS), inner, max_size=5),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_any_tree_of_known_keys_is_a_bench_or_a_refusal(tree: dict[str, object]) -> None:
    try:
        parse_bench(written(tree), "rig.yaml")
    except BadInput as err:
        message = str(err)
    else:
        message = "rig.yaml"
    assert message.startswith("rig.yaml")
    assert "\n" not in message


@settings(max_examples=150)
@given(
    key=st.sampled_from([match.group() for match in re.finditer(r"(?<=: )[^{}\[\],\n]+(?=[,}\n])", RIG)]), value=LEAVES
)
def test_any_value_at_any_key_is_a_bench_or_a_refusal(key: str, value: str) -> None:
    try:
        bench: BenchDescription | None = parse_bench(RIG.replace(f": {key}", f": {value!r}", 1), "rig.yaml")
    except BadInput as err:
        bench = None
        assert err.place is not None  # noqa: PT017 - both ways out are right
        assert err.place.line > 0  # noqa: PT017
    assert bench is None or bench.path == "rig.yaml"
