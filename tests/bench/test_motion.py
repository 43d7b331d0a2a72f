"""Moves are watched: a stall, a stop circuit or a deadline halts the axis, and nothing starts again by itself."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription, Part, Reference, ReferenceMethod
from stepwitness.bench.errors import Aborted, LeftEnvelope, MoveNotEnded, StopCircuitOpen, UnprovokedStall
from stepwitness.devices.interfaces import Side

SPEED = 0.02
HARD_PUSH_N = -2000.0
"""Far beyond what 0.4 N m gives through a 2 mm screw: 1250 N without friction."""


@pytest.fixture
def ready(rigged: Any, doser: BenchDescription) -> Any:
    """The doser, referenced and at 10 mm."""
    return _at_10_mm(rigged(doser, start_m=0.004))


def _at_10_mm(rig: Any) -> Any:
    motion.prepare(rig.bench, speed_m_per_s=SPEED)
    _go(rig, 0.01)
    return rig


def _go(rig: Any, travel_m: float, **options: Any) -> bool:
    window_m = motion.default_window_m(rig.bench.description)
    return motion.move_to(rig.bench, travel_m, motion.Watch(window_m, gauge=True), speed_m_per_s=SPEED, **options)


# -- arithmetic ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("distance_m", "expected_s"),
    [(0.01, 0.54), (-0.01, 0.54), (0.0002, 0.04), (0.0008, 0.08), (0.0, 0.0)],
)
def test_duration(distance_m: float, expected_s: float) -> None:
    """At 20 mm/s and 0.5 m/s²: a trapezoid lasts s/v + v/a, a triangle 2 √(s/a); both give 80 ms at 0.8 mm."""
    found_s = motion.duration_s(distance_m=distance_m, speed_m_per_s=0.02, acceleration_m_per_s2=0.5)
    assert found_s == pytest.approx(expected_s)


def test_a_move_lasts_as_long_as_forecast(ready: Any) -> None:
    started_s = ready.clock.now()
    _go(ready, 0.02)
    expected_s = motion.duration_s(distance_m=0.01, speed_m_per_s=SPEED, acceleration_m_per_s2=0.5)
    assert ready.clock.now() - started_s == pytest.approx(expected_s, abs=0.02)


def test_the_default_window_is_midway_between_health_and_slip(doser: BenchDescription) -> None:
    assert motion.default_window_m(doser) == pytest.approx(2 * 0.002 / 200)
    bounds = motion.window_bounds(doser, speed_m_per_s=0.006)
    assert bounds.least_steps < 2 < bounds.largest_steps


# -- the reference -------------------------------------------------------------------------------------------


def _datum_m(rig: Any) -> float:
    """Where the load truly stands when its witnesses say zero travel."""
    motion.prepare(rig.bench, speed_m_per_s=SPEED)
    rig.clock.sleep(0.2)
    sweep = rig.bench.sweep()
    assert sweep.claim_m == pytest.approx(sweep.counted_m, abs=1e-9)
    assert sweep.claim_m == pytest.approx(sweep.gauge_m, abs=1e-6)
    return float(rig.load_m() - sweep.claim_m)


def test_every_start_gives_the_same_datum(rigged: Any, doser: BenchDescription) -> None:
    """On the switch, deep in it, just off it, and at the far end."""
    found_m = [_datum_m(rigged(doser, start_m=start_m)) for start_m in (0.0, -0.0012, 0.0003, 0.0085, 0.0598)]
    assert max(found_m) - min(found_m) < 3e-6
    assert found_m[0] == pytest.approx(0.0, abs=5e-6)


def test_the_upper_switch_gives_a_datum_too(rigged: Any, doser: BenchDescription) -> None:
    upper = replace(doser, reference=Reference(ReferenceMethod.LIMIT_SWITCH, 0.06, Side.HIGH, 0.005))
    found_m = [_datum_m(rigged(upper, start_m=start_m)) for start_m in (0.0607, 0.0598, 0.055)]
    assert max(found_m) - min(found_m) < 3e-6
    assert found_m[0] == pytest.approx(0.0, abs=5e-6)


def test_a_datum_is_taken_at_its_word_and_without_motion(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(replace(doser, reference=Reference(ReferenceMethod.DATUM, 0.03)), start_m=0.0295)
    motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert rig.rig.truth().pulses == 0
    assert rig.bench.witnessed_travel_m() == pytest.approx(0.03, abs=1e-9)


def test_the_reference_is_found_only_once(ready: Any) -> None:
    before_m = ready.load_m()
    motion.prepare(ready.bench, speed_m_per_s=SPEED)
    assert ready.load_m() == pytest.approx(before_m, abs=1e-7)


def test_a_switch_that_never_trips_aborts(rigged: Any, doser: BenchDescription) -> None:
    short = replace(doser, axis=replace(doser.axis, stroke=Fraction(6, 1000)))
    rig = rigged(short, start_m=0.004, limit_low_m=-1.0)
    with pytest.raises(Aborted, match="low limit switch was not found within the stroke"):
        motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert not rig.bench.drive.referenced
    assert rig.stays_put()


def test_a_limit_switch_without_inputs_aborts(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(replace(doser, inputs=None))
    with pytest.raises(Aborted, match="needs an 'inputs' part"):
        motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert rig.rig.truth().pulses == 0


def test_the_stop_circuit_ends_referencing(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser, start_m=0.03)
    rig.clock.once(lambda: rig.load_m() < 0.028, rig.rig.open_stop_circuit)
    with pytest.raises(StopCircuitOpen):
        motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert rig.stays_put()
    assert rig.load_m() == pytest.approx(0.028, abs=2e-4)
    assert not rig.bench.drive.referenced


# -- a stall that nobody provoked ----------------------------------------------------------------------------


def test_a_hand_that_holds_the_load_ends_the_run(ready: Any) -> None:
    """Halted where the hand stopped it, nothing retried: the load stays there, and so does the motor."""
    ready.once_beyond(0.02, lambda: ready.rig.push(HARD_PUSH_N))
    with pytest.raises(UnprovokedStall) as caught:
        _go(ready, 0.05)
    text = str(caught.value)
    assert "doser-rig-1" in text
    assert "counted at 20." in text or "counted at 19.9" in text
    assert "the gauge sees it at" in text
    assert ready.stays_put()
    assert not ready.bench.drive.status().moving
    pulses = ready.rig.truth().pulses
    ready.rig.push(0.0)
    assert ready.stays_put()
    assert ready.rig.truth().pulses == pulses
    assert ready.load_m() < 0.021


def test_the_alarm_comes_within_the_window(ready: Any) -> None:
    """A stalled axis strays by the window within window/speed; a poll and a sweep later the halt is sent."""
    times_s = []
    ready.once_beyond(0.02, lambda: (ready.rig.push(HARD_PUSH_N), times_s.append(ready.clock.now())))
    with pytest.raises(UnprovokedStall):
        _go(ready, 0.05)
    window_s = motion.default_window_m(ready.bench.description) / SPEED
    assert ready.clock.now() - times_s[0] < window_s + 0.02  # two polls of 5 ms, two sweeps and a halt


def test_a_jolt_that_costs_steps_ends_the_run(ready: Any) -> None:
    """The motor falls back into step and runs on, some electrical periods late: no less of a stall."""

    def jolt() -> None:
        ready.rig.shaft_torque(-1.0)
        over_s = ready.clock.now() + 0.005
        ready.clock.once(lambda: ready.clock.now() >= over_s, lambda: ready.rig.shaft_torque(0.0))

    ready.once_beyond(0.02, jolt)
    with pytest.raises(UnprovokedStall, match="following error"):
        _go(ready, 0.05)
    assert ready.rig.truth().slipped_full_steps <= -4
    assert ready.stays_put()


def test_a_hand_that_only_leans_on_the_load_is_no_stall(ready: Any) -> None:
    """A tenth of what the motor can give: the axis arrives."""
    ready.once_beyond(0.015, lambda: ready.rig.push(-50.0))
    assert _go(ready, 0.03)
    ready.clock.sleep(0.3)
    assert ready.bench.sweep().counted_m == pytest.approx(0.03, abs=3e-6)


def test_a_drive_that_closes_its_loop_is_asked_for_its_own_following_error(
    rigged: Any, doser: BenchDescription
) -> None:
    """Its claim is what it counted, and agrees with the counter in any stall."""
    rig = _at_10_mm(rigged(replace(doser, drive=Part("stand-in", {"loop": "closed"})), start_m=0.004))
    rig.once_beyond(0.02, lambda: rig.rig.push(HARD_PUSH_N))
    with pytest.raises(UnprovokedStall, match=r"following error \d+\.\d steps"):
        _go(rig, 0.05)
    assert rig.stays_put()
    assert rig.load_m() < 0.021


def test_without_a_window_nothing_alarms(ready: Any) -> None:
    """The watch of a procedure that provokes the stall itself."""
    ready.once_beyond(0.02, lambda: ready.rig.push(HARD_PUSH_N))
    assert motion.move_to(ready.bench, 0.022, motion.Watch(None), speed_m_per_s=SPEED)
    assert ready.load_m() < 0.021


# -- the stop circuit ----------------------------------------------------------------------------------------


def test_a_stop_circuit_that_opens_halts_the_move(ready: Any) -> None:
    """Where it opened, and not at the end of a long move; closing it again starts nothing."""
    ready.once_beyond(0.02, ready.rig.open_stop_circuit)
    with pytest.raises(StopCircuitOpen, match="opened during a move"):
        _go(ready, 0.05)
    assert ready.stays_put()
    assert ready.load_m() == pytest.approx(0.0205, abs=0.0007)  # 20 ms between two looks, and a ramp
    ready.rig.close_stop_circuit()
    assert ready.stays_put()


def test_a_stop_circuit_that_takes_the_supply_too_is_told_as_what_it_is(ready: Any) -> None:
    """The axis stalls for want of current first; the cause is the stop circuit all the same."""

    def cut() -> None:
        ready.rig.open_stop_circuit()
        ready.rig.supply_on = False

    ready.once_beyond(0.02, cut)
    with pytest.raises(StopCircuitOpen):
        _go(ready, 0.05)
    assert ready.stays_put()


def test_no_move_is_sent_while_the_stop_circuit_is_open(ready: Any) -> None:
    ready.rig.open_stop_circuit()
    pulses = ready.rig.truth().pulses
    with pytest.raises(StopCircuitOpen, match="no move is sent"):
        _go(ready, 0.02)
    assert ready.rig.truth().pulses == pulses


# -- ends ----------------------------------------------------------------------------------------------------


def test_a_move_that_lasts_too_long_is_halted(ready: Any) -> None:
    bench = ready.bench
    target = bench.axis.nearest_microstep(0.05)
    with pytest.raises(MoveNotEnded, match=r"0\.3 s after"):
        motion.run_move(bench, lambda: bench.drive.start_move_to(target), motion.Watch(None), deadline_s=0.3)
    assert ready.stays_put()
    assert ready.load_m() < 0.02


def test_rest_has_a_deadline_too(ready: Any) -> None:
    bench = ready.bench
    bench.drive.start_move_to(bench.axis.nearest_microstep(0.05))
    with pytest.raises(MoveNotEnded, match=r"0\.2 s after"):
        motion.wait_for_rest(bench, deadline_s=0.2)


def test_whoever_looks_on_may_end_the_move(ready: Any) -> None:
    assert not _go(ready, 0.05, on_sweep=lambda sweep: sweep.claim_m < 0.02)
    assert not ready.bench.drive.status().moving
    assert ready.load_m() == pytest.approx(0.0205, abs=0.0006)


def test_a_bench_that_stopped_starts_nothing(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser)
    rig.bench.stopped = "a hand"
    with pytest.raises(Aborted, match="not started, because the axis had stopped before: a hand"):
        motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert not rig.bench.drive.status().enabled


# -- the envelope, and what the witnesses see of it --------------------------------------------------------------


def test_a_load_that_is_dragged_out_of_the_envelope_is_halted(ready: Any) -> None:
    """Somebody turns the screw on; without a window, nothing but the witnesses can tell."""
    ready.once_beyond(0.05, lambda: ready.rig.shaft_torque(1.0))
    with pytest.raises(LeftEnvelope, match=r"the counter sees it at (59|60)\.\d+ mm; allowed: 1\.000 mm to 59\.000 mm"):
        motion.move_to(ready.bench, 0.0588, motion.Watch(None, gauge=True), speed_m_per_s=SPEED)
    ready.rig.shaft_torque(0.0)
    assert ready.stays_put()
    assert ready.bench.drive.status().enabled


def test_the_gauge_sees_a_load_that_left_its_screw(rigged: Any, doser: BenchDescription) -> None:
    """The counter on the motor is content: the load is 2 mm further than the screw, as with a nut that came off."""
    ready = _at_10_mm(rigged(doser, start_m=0.004))
    gauge: Any = ready.bench.gauge
    read = gauge.travel_m
    gauge.travel_m = lambda: read() + 0.002
    with pytest.raises(LeftEnvelope, match=r"the gauge sees it at 59\.\d+ mm"):
        _go(ready, 0.0588)


def test_whoever_starts_outside_may_come_back_in(rigged: Any, doser: BenchDescription) -> None:
    """From its switch at 0 mm, where the envelope begins at 1 mm."""
    rig = rigged(doser, start_m=0.004)
    motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert rig.load_m() < doser.envelope.low_m
    assert _go(rig, 0.002)


# -- a drive that was started anew -------------------------------------------------------------------------------


def test_no_move_is_sent_by_a_drive_that_lost_its_zero(ready: Any) -> None:
    """Started anew it stands at zero by its own word; to go 'to 9 mm' would take the load from 10 to 19."""
    ready.rig.drive().disable()
    ready.rig.drive().set_position(0)
    ready.rig.drive().enable()
    ready.clock.sleep(0.2)
    with pytest.raises(UnprovokedStall, match=r"the drive claims 0\.000 mm"):
        _go(ready, 0.009)
    assert ready.stays_put()
    assert ready.load_m() == pytest.approx(0.01, abs=3e-5)


# -- referencing -------------------------------------------------------------------------------------------------


def test_a_missing_switch_doesnt_push_the_load_into_its_stop_for_the_whole_stroke(
    rigged: Any, doser: BenchDescription
) -> None:
    rig = rigged(doser, start_m=0.003)
    rig.rig.stand_in = replace(rig.rig.stand_in, limit_low_m=-1.0)
    with pytest.raises(UnprovokedStall, match="on its way to the low limit switch, which may be missing or broken"):
        motion.prepare(rig.bench, speed_m_per_s=SPEED)
    assert rig.stays_put()
    stopped_steps = abs(rig.rig.truth().slipped_full_steps)
    assert stopped_steps <= 8, "noticed within an electrical period or two"


def test_a_seek_goes_in_legs_so_that_a_lost_wire_ends_it_soon(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser, start_m=0.03)
    bare: Any = rig.bench.drive._drive
    started: list[int] = []
    start_move_by = bare.start_move_by
    bare.start_move_by = lambda microsteps: (started.append(microsteps), start_move_by(microsteps))
    motion.prepare(rig.bench, speed_m_per_s=SPEED)
    longest_m = max(abs(microsteps) for microsteps in started) * float(doser.axis.microstep_travel)
    assert longest_m == pytest.approx(0.0025, rel=0.01), "half a second at 5 mm/s"


def test_a_seek_that_never_ends_is_halted(rigged: Any, doser: BenchDescription) -> None:
    """A drive that says for ever that it moves."""
    rig = rigged(doser, start_m=0.004)
    bare: Any = rig.bench.drive._drive
    status = bare.status
    bare.status = lambda: replace(status(), moving=True)
    with pytest.raises(MoveNotEnded):
        motion.prepare(rig.bench, speed_m_per_s=SPEED)
