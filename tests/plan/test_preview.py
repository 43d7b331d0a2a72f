"""What `check` says of a plan on its bench."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.plan.description import Plan
from stepwitness.plan.model import parse_plan
from stepwitness.plan.preview import WIDTH, blind_spots, expired, preview, too_fine, witnesses
from stepwitness.procedures.procedure import Procedure

Known = Mapping[str, Procedure]

AXIS = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: text-line, port: COM5}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 600 mm/s^2, current: 1.5 A}
reference: {by: datum, at: 30 mm}
safe_state: hold
"""
COUNTER = "counter: {part: text-line, port: COM6, lines: 500, decoding: X4, on: motor}\n"
SCALE = "counter: {part: text-line, port: COM6, line_pitch: 20 um, decoding: X4, on: load}\n"
GAUGE = "gauge: {part: own, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm}\n"
CALIBRATED = GAUGE.replace("}", ", calibration: {certificate: TB-0031, expires: 2027-03-01, U: 1.2 um}}")


def bench(*parts: str) -> BenchDescription:
    return parse_bench(AXIS + "".join(parts), "doser.bench.yaml")


def plan(known: Known, on: BenchDescription, limits: str = "reversal_value: 25 um", head: str = "") -> Plan:
    text = f"purpose: nightly\nbench: b\n{head}procedures:\n  - backlash: {{limits: {{{limits}}}}}\n"
    return parse_plan(text, "nightly.plan.yaml", on, known)


def test_witnesses_with_the_least_travel_that_they_tell() -> None:
    told = [(one.name, float(one.least_m), one.unit) for one in witnesses(bench(COUNTER, GAUGE))]
    assert told == [("drive", 6.25e-7, "1 microstep"), ("counter", 1e-6, "1 count"), ("gauge", 1e-7, "resolution")]
    assert [one.name for one in witnesses(bench())] == ["drive"]


def test_an_encoder_sees_what_it_is_mounted_on() -> None:
    on_motor, on_load = witnesses(bench(COUNTER))[1], witnesses(bench(SCALE))[1]
    assert on_motor.sees == "the motor's shaft, no play behind it"
    assert on_load.sees == "the load"


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ((), ["nothing reads the load", "no encoder counter", "no gauge to compare"]),
        ((COUNTER,), ["nothing reads the load", "no gauge to compare"]),
        ((SCALE,), ["no gauge to compare"]),
        ((GAUGE,), ["no encoder counter", "calibration isn't stated"]),
        ((COUNTER, CALIBRATED), []),
    ],
)
def test_blind_spots(parts: tuple[str, ...], words: list[str]) -> None:
    spots = blind_spots(bench(*parts))
    assert len(spots) == len(words)
    assert all(word in spot for word, spot in zip(words, spots, strict=True))


class TestLimitsFinerThanAWitness:
    def test_none_where_all_are_coarser(self, known: Known) -> None:
        on = bench(COUNTER, CALIBRATED)
        assert too_fine(plan(known, on), on) == []

    def test_each_with_the_witnesses_that_are_coarser(self, known: Known) -> None:
        on = bench(COUNTER, CALIBRATED)
        limits = "reversal_value: 0.7 um, mean_reversal: 0.5 um, latency: 1 us, false_alarms: 0"
        assert [line.replace("\u2009", " ") for line in too_fine(plan(known, on, limits), on)] == [
            "backlash.reversal_value ≤ 0.7 µm: finer than the counter's 1 count (1 µm), "
            "the gauge's U, so never a PASS (1.2 µm)",
            "backlash.mean_reversal ≤ 0.5 µm: finer than the drive's 1 microstep (0.625 µm), "
            "the counter's 1 count (1 µm), the gauge's U, so never a PASS (1.2 µm)",
        ]

    def test_the_uncertainty_guards_no_limit_under_the_simple_rule(self, known: Known) -> None:
        on = bench(COUNTER, CALIBRATED)
        assert too_fine(plan(known, on, "reversal_value: 1.1 um", "decision_rule: simple\n"), on) == []

    def test_a_limit_in_steps(self, known: Known) -> None:
        on = bench(COUNTER)
        (line,) = too_fine(plan(known, on, "reversal_value: 1 microstep"), on)
        assert line.replace("\u2009", " ").startswith("backlash.reversal_value ≤ 1 microstep: finer than the counter's")


@pytest.mark.parametrize(("today", "lines"), [(date(2027, 3, 1), 0), (date(2027, 3, 2), 1)])
def test_a_calibration_holds_through_its_last_day(today: date, lines: int) -> None:
    assert len(expired(bench(CALIBRATED), today)) == lines


class TestPreview:
    def test_of_a_plan(self, known: Known) -> None:
        on = bench(COUNTER, CALIBRATED)
        text = "\n".join(preview(plan(known, on), on, today=date(2028, 1, 1))).replace("\u2009", " ")
        assert (
            text
            == """\
nightly.plan.yaml on doser-rig-1
  doser: 60 mm stroke, horizontal, 2 mm a turn, 200 full steps × 16 microsteps

  what would move
    backlash  2 places                                         10 to 20 mm  12 s

  what this bench can tell apart
    drive    0.625 µm  1 microstep  the pulses that it sends, not motion
    counter      1 µm  1 count      the motor's shaft, no play behind it
    gauge      0.1 µm  resolution   the load
    gauge: U = 1.2 µm (k = 2), certificate TB-0031, good until 2027-03-01

  to know before
    backlash: counts alone can't see play
    the gauge's calibration TB-0031 expired on 2027-03-01
    --live doser-rig-1 moves real parts: drive (text-line), counter (text-line),
      gauge (own); the bench has no stand-in
    the bench names no 'stop', so its real parts are only read: add 'stop: {by:
      drive}' or another way

1 limit in 1 procedure; nothing moved"""
        )

    def test_fits_the_terminal_whatever_the_names(self, known: Known) -> None:
        long = "a-name-that-somebody-made-far-too-long-for-any-use"
        on = parse_bench((AXIS + COUNTER + GAUGE).replace("name: doser", f"name: {long}", 2), "b.yaml")
        item = f"backlash: {{id: {long}, limits: {{mean_reversal: 0.1 um}}}}"
        text = f"purpose: nightly\nbench: b\nprocedures:\n  - {item}\n"
        for procedures in (text, text + "  - backlash: {limits: {latency: 1 s}}\n"):
            read = parse_plan(procedures, f"{'folder/' * 20}nightly.plan.yaml", on, known)
            first, *lines = preview(read, on, today=date(2026, 1, 1))
            assert first == read.path
            assert max(map(len, lines)) <= WIDTH
