"""The stand-in drive, open loop: what it refuses, what it claims, what flows."""

from __future__ import annotations

from typing import Any

import pytest

from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import Drive
from stepwitness.standin.drive import HOLD_AFTER_S, PulseGenerator

Bench = Any


def test_it_is_a_drive(bench: Bench) -> None:
    assert isinstance(bench.drive, Drive)
    assert "stand-in" in str(bench.drive.identity())


def test_moves_are_refused_while_disabled(bench: Bench) -> None:
    bench.drive.disable()
    with pytest.raises(Refused, match="disabled"):
        bench.drive.start_move_by(100)
    with pytest.raises(Refused, match="disabled"):
        bench.drive.start_move_to(100)
    assert bench.drive.position() == 0


def test_moves_and_a_new_position_are_refused_in_flight(bench: Bench) -> None:
    bench.drive.start_move_by(16_000)
    with pytest.raises(Refused, match="runs"):
        bench.drive.start_move_by(1)
    with pytest.raises(Refused, match="runs"):
        bench.drive.set_position(0)
    bench.finish()
    assert bench.drive.position() == 16_000


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_nonsense_speeds_and_accelerations_are_refused(bench: Bench, value: float) -> None:
    for command in (bench.drive.set_speed, bench.drive.set_acceleration):
        with pytest.raises(Refused):
            command(value)


def test_currents_beyond_the_output_stage_are_refused(bench: Bench) -> None:
    for command in (bench.drive.set_run_current, bench.drive.set_hold_current):
        for current_a in (-0.1, 2.5, float("nan")):
            with pytest.raises(Refused, match="current"):
                command(current_a)


def test_outputs_read_back_and_unknown_ones_are_refused(bench: Bench) -> None:
    bench.drive.set_output(2, True)
    assert [bench.drive.output(number) for number in (1, 2, 3, 4)] == [False, True, False, False]
    bench.drive.set_output(2, False)
    assert bench.drive.output(2) is False
    for number in (0, 5):
        with pytest.raises(Refused, match="output"):
            bench.drive.output(number)


def test_relative_and_absolute_moves_end_where_they_were_told(bench: Bench) -> None:
    for command, argument, place in (
        (bench.drive.start_move_by, 1601, 1601),
        (bench.drive.start_move_by, -3, 1598),
        (bench.drive.start_move_to, -800, -800),
        (bench.drive.start_move_by, 0, -800),
    ):
        command(argument)
        bench.finish()
        assert bench.drive.position() == place
        assert bench.rig.truth().pulses == place
        assert bench.rig.truth().rotor_turns * 3200 == pytest.approx(place, abs=1.5)


def test_a_move_takes_the_profiles_time(bench: Bench) -> None:
    """Closed form: 10 mm at 20 mm/s and 500 mm/s^2 take 0.5 s and 0.04 s."""
    start_s = bench.clock.now()
    bench.drive.start_move_by(16_000)
    while bench.drive.status().moving:
        pass
    assert bench.clock.now() - start_s == pytest.approx(0.54, abs=0.002)


def test_halt_decelerates_and_stays_energised(bench: Bench) -> None:
    bench.drive.start_move_by(16_000)
    bench.clock.sleep(0.2)
    before = bench.drive.position()
    bench.drive.halt()
    bench.drive.halt()
    bench.finish()
    stopped = bench.drive.position()
    # v^2 / 2 a = 20^2 / 1000 = 0.4 mm = 640 microsteps, and two exchanges at 20 mm/s.
    assert 640 <= stopped - before <= 640 + 20
    assert bench.rig.truth().rotor_turns * 3200 == pytest.approx(stopped, abs=1.5)
    status = bench.drive.status()
    assert (status.enabled, status.moving) == (True, False)
    bench.drive.halt()
    bench.move(1.0)
    assert bench.drive.position() == stopped + 1600


def test_disabling_ends_a_move_at_once(bench: Bench) -> None:
    bench.drive.start_move_by(16_000)
    bench.clock.sleep(0.2)
    bench.drive.disable()
    status = bench.drive.status()
    assert (status.enabled, status.moving) == (False, False)
    claimed = bench.drive.position()
    bench.clock.sleep(0.5)
    assert bench.drive.position() == claimed
    assert 0 < claimed < 16_000
    assert bench.rig.truth().currents_a == (0.0, 0.0)


def test_a_claim_can_be_set_and_moves_go_on_from_there(bench: Bench) -> None:
    bench.move(1.0)
    bench.drive.set_position(-500)
    assert bench.drive.position() == -500
    bench.drive.start_move_to(0)
    bench.finish()
    assert bench.drive.position() == 0
    assert bench.rig.truth().pulses == 1600 + 500


def test_a_speed_set_in_flight_takes_effect_and_the_target_stays(bench: Bench) -> None:
    bench.drive.start_move_by(16_000)
    bench.clock.sleep(0.1)
    bench.drive.set_speed(5.0 * 1600)
    bench.clock.sleep(0.1)
    first = bench.drive.position()
    bench.clock.sleep(0.1 - 2e-4)
    assert bench.drive.position() - first == pytest.approx(0.1 * 5.0 * 1600, abs=2)
    bench.finish()
    assert bench.drive.position() == 16_000


def test_run_current_flows_in_motion_and_hold_current_a_while_after(bench: Bench) -> None:
    bench.drive.set_run_current(1.0)
    bench.drive.set_hold_current(0.5)
    meter = bench.rig.meter()
    assert meter.current_a() == pytest.approx(0.5, abs=0.01)
    bench.drive.start_move_by(1600)
    bench.clock.sleep(0.05)
    assert meter.current_a() == pytest.approx(1.0, abs=0.05)
    while bench.drive.status().moving:
        pass
    assert meter.current_a() == pytest.approx(1.0, abs=0.01)
    bench.clock.sleep(HOLD_AFTER_S)
    assert meter.current_a() == pytest.approx(0.5, abs=0.01)
    bench.drive.disable()
    bench.clock.sleep(0.01)
    assert meter.current_a() == pytest.approx(0.0, abs=0.01)


def test_a_stalled_motor_s_drive_claims_the_whole_move(starved: Bench) -> None:
    starved.move(10.0)
    assert starved.drive.position() == 16_000
    assert abs(starved.counter.counts()) <= 1
    assert starved.rig.truth().load_m == pytest.approx(0.03, abs=1e-5)
    assert starved.rig.truth().slipped_full_steps == -1000
    assert starved.drive.status().fault == ""


def test_an_output_stage_that_gives_too_little_stalls_the_same_way(doser: Any, bench_of: Any, changed: Any) -> None:
    from stepwitness.standin.presets import preset

    weak = bench_of(doser, changed(preset("doser"), motor={"current_scale": 0.04}))
    weak.drive.enable()
    weak.move(10.0)
    assert weak.drive.position() == 16_000
    assert abs(weak.counter.counts()) <= 1
    assert weak.rig.meter().current_a() == pytest.approx(1.2 * 0.04, abs=0.01)


def test_without_supply_the_drive_counts_and_nothing_turns(bench: Bench) -> None:
    supply = bench.rig.supply()
    assert supply.voltage_v() == bench.rig.stand_in.motor.supply_v
    supply.set_output(False)
    assert (supply.output(), supply.voltage_v()) == (False, 0.0)
    bench.move(1.0)
    assert bench.drive.position() == 1600
    assert abs(bench.counter.counts()) <= 1


def test_moves_of_any_length_hand_out_bounded_chunks() -> None:
    generator = PulseGenerator(rated_current_a=1.0, microsteps_per_turn=3200)
    generator.enable()
    generator.start_by(-(10**12), 0.0)
    taken = generator.take_pulses()
    assert taken is not None
    times, forward = taken
    assert (forward, len(times)) == (False, 4096)
    assert generator.take_pulses() is None


def test_a_drive_in_fault_can_t_be_enabled() -> None:
    generator = PulseGenerator(rated_current_a=1.0, microsteps_per_turn=3200)
    generator.fault = "following error"
    with pytest.raises(Refused, match="following error"):
        generator.enable()
