"""The bench around the plant: clocks, seeds, instruments, switches."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from stepwitness.axis import Axis
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.errors import OutOfRange, Refused
from stepwitness.devices.interfaces import Brake, Drag, EncoderCounter, Gauge, Inputs, Meter, Side, Supply
from stepwitness.errors import BadInput
from stepwitness.standin.parameters import Hand, StandIn
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

Bench = Any
Change = Callable[..., StandIn]


def test_parts_keep_to_their_interfaces(bench: Bench) -> None:
    rig = bench.rig
    for part, interface in (
        (rig.counter(), EncoderCounter),
        (rig.gauge(), Gauge),
        (rig.meter(), Meter),
        (rig.supply(), Supply),
        (rig.brake(), Brake),
        (rig.drag(), Drag),
        (rig.inputs(), Inputs),
    ):
        assert isinstance(part, interface)


def test_every_exchange_costs_its_time(bench: Bench) -> None:
    before_s = bench.clock.now()
    for _ in range(10):
        bench.drive.position()
    assert bench.clock.now() - before_s == pytest.approx(10 * bench.rig.stand_in.exchange_s)


@pytest.mark.parametrize("look_every_s", [3e-4, 0.011])
def test_a_claim_is_the_pulses_sent_whether_or_not_the_plant_was_asked(
    doser: Axis, bench_of: Any, look_every_s: float
) -> None:
    claims: list[list[int]] = []
    for ask_the_plant in (False, True):
        made = bench_of(doser)
        made.drive.enable()
        seen: list[int] = []
        for move in (9000, -4000, 50):
            made.drive.start_move_by(move)
            for _ in range(40):
                made.clock.sleep(look_every_s)
                if ask_the_plant:
                    made.rig.truth()
                seen.append(made.drive.position())
            made.drive.halt()
            made.clock.sleep(0.3)
            seen.append(made.drive.position())
            assert seen[-1] == made.rig.truth().pulses
        claims.append(seen)
    assert claims[0] == claims[1]
    assert len(set(claims[0])) > 40


def run_once(axis: Axis, stand_in: StandIn) -> list[Any]:
    clock = VirtualClock()
    rig = Rig(axis, stand_in, clock)
    drive, counter, gauge, meter = rig.drive(), rig.counter(), rig.gauge(), rig.meter()
    drive.enable()
    drive.set_speed(20_000.0)
    drive.set_acceleration(500_000.0)
    seen: list[Any] = []
    for target in (4800, -1600, 123):
        drive.start_move_to(target)
        while drive.status().moving:
            clock.sleep(0.003)
            seen.append((drive.position(), counter.counts(), counter.faults(), gauge.travel_m(), meter.current_a()))
        clock.sleep(0.2)
        seen.append((drive.position(), counter.counts(), counter.faults(), gauge.travel_m(), meter.current_a()))
    return [*seen, rig.truth()]


def test_the_same_seed_gives_the_same_bits(doser: Axis, changed: Change) -> None:
    faulty = changed(preset("doser"), encoder={"missed_edge": 1e-3, "doubled_edge": 1e-3})
    first = run_once(doser, faulty)
    assert first == run_once(doser, faulty)
    assert first != run_once(doser, replace(faulty, seed=2))


def test_the_path_doesn_t_depend_on_the_seed(doser: Axis) -> None:
    assert run_once(doser, preset("doser"))[-1] == run_once(doser, preset("doser", seed=2))[-1]


def test_wall_time_moves_the_same_axis(doser: Axis) -> None:
    clock = WallClock(scale=5.0)
    rig = Rig(doser, preset("doser"), clock)
    drive = rig.drive()
    drive.set_speed(32_000.0)
    drive.set_acceleration(800_000.0)
    drive.enable()
    drive.start_move_by(3200)
    while drive.status().moving:
        clock.sleep(0.02)
    clock.sleep(0.2)
    assert drive.position() == 3200
    assert rig.truth().load_m == pytest.approx(0.032, abs=2e-5)


def test_a_rig_without_encoder_has_no_counter(doser: Axis) -> None:
    with pytest.raises(BadInput, match="no encoder"):
        Rig(replace(doser, encoder=None), preset("doser"), VirtualClock()).counter()


# -- gauge -----------------------------------------------------------------------------------------------------------


def test_gauge_reads_travel_from_its_own_zero_in_its_own_sense(bench: Bench) -> None:
    zero_m = bench.rig.stand_in.gauge.zero_at_m
    true_m = bench.rig.truth().load_m - zero_m
    assert bench.rig.gauge().travel_m() == pytest.approx(true_m, abs=1e-6)
    falling = Rig(bench.rig.axis, bench.rig.stand_in, VirtualClock()).gauge(sense=-1)
    assert falling.travel_m() == pytest.approx(-(0.03 - zero_m), abs=1e-6)


def test_a_part_is_one_part_however_often_it_is_asked_for(bench: Bench) -> None:
    """Two readings from one instrument differ by its noise; two instruments with one seed wouldn't."""
    readings = {bench.rig.gauge().travel_m() for _ in range(20)}
    assert len(readings) > 3
    assert len({bench.rig.meter().current_a() for _ in range(20)}) == 20


def test_gauge_shows_multiples_of_its_resolution_with_noise(bench: Bench) -> None:
    gauge, resolution_m = bench.rig.gauge(), bench.rig.stand_in.gauge.resolution_m
    readings = [gauge.travel_m() for _ in range(200)]
    digits = [reading / resolution_m for reading in readings]
    assert digits == pytest.approx([round(digit) for digit in digits], abs=1e-6)
    assert len(set(readings)) > 3


def test_a_gauge_out_of_calibration_scales(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), gauge={"scale_error": 0.01, "noise_m": 0.0, "resolution_m": 0.0})
    rig = Rig(doser, stand_in, VirtualClock())
    assert rig.gauge().travel_m() == pytest.approx(1.01 * (0.03 + 0.0025), rel=1e-12)


def test_a_tip_that_left_the_range_is_told(doser: Axis, changed: Change) -> None:
    for zero_at_m, range_m in ((0.031, 0.01), (0.0, 0.025)):
        stand_in = changed(preset("doser"), gauge={"zero_at_m": zero_at_m, "range_m": range_m})
        with pytest.raises(OutOfRange):
            Rig(doser, stand_in, VirtualClock()).gauge().travel_m()


def test_a_measuring_force_beyond_the_guides_friction_hides_the_play(doser: Axis, changed: Change) -> None:
    reversals = []
    for force_n in (0.6, 20.0):
        clock = VirtualClock()
        rig = Rig(doser, changed(preset("doser"), gauge={"measuring_force_n": force_n}), clock)
        drive = rig.drive()
        drive.enable()
        drive.set_speed(8000.0)
        places = []
        for target in (-1600, 0, 1600, 0):
            drive.start_move_to(target)
            clock.sleep(1.0)
            places.append(rig.truth().load_m)
        reversals.append(abs(places[1] - places[3]))
    assert reversals[0] > 8e-6
    assert reversals[1] < 3e-6


# -- hands, brake, drag, inputs ----------------------------------------------------------------------------------------


def test_a_planned_hand_pushes_in_its_time_only(doser: Axis, changed: Change) -> None:
    hands = (Hand(from_s=1.0, to_s=2.0, force_n=50.0),)
    clock = VirtualClock()
    rig = Rig(doser, replace(changed(preset("doser")), hands=hands), clock)
    places = []
    for until_s in (0.9, 1.5, 3.0):
        clock.sleep(until_s - clock.now())
        places.append(rig.truth().load_m)
    assert places[1] - places[0] > 3e-6
    # Let go, it springs back a little and stays on the flank.
    assert places[2] == pytest.approx(places[1], abs=3e-6)


def test_a_hand_on_the_load_from_a_test(bench: Bench) -> None:
    before_m = bench.rig.truth().load_m
    bench.rig.push(-50.0)
    bench.clock.sleep(0.1)
    assert before_m - bench.rig.truth().load_m > 3e-6
    bench.rig.push(0.0)


def test_a_shove_at_the_shaft_slips_whole_periods(bench: Bench) -> None:
    bench.rig.shaft_torque(0.6)
    bench.clock.sleep(0.004)
    bench.rig.shaft_torque(0.0)
    bench.clock.sleep(0.3)
    truth = bench.rig.truth()
    assert truth.slipped_full_steps != 0
    assert truth.rotor_turns * 200 == pytest.approx(truth.slipped_full_steps, abs=0.07)
    assert bench.drive.position() == 0


def test_the_brake_is_closed_at_power_up_and_holds_after_its_delay(plate_lift: Axis, bench_of: Any) -> None:
    lift = bench_of(plate_lift)
    brake = lift.rig.brake()
    assert brake.is_closed()
    lift.clock.sleep(5.0)
    assert lift.rig.truth().load_m == pytest.approx(0.06, abs=1e-6)
    lift.drive.enable()
    lift.clock.sleep(0.05)
    brake.open()
    assert not brake.is_closed()
    lift.clock.sleep(0.2)
    held_m = lift.rig.truth().load_m
    assert held_m == pytest.approx(0.06, abs=1e-5)
    # De-energised too early, before the brake has closed: it falls until it does.
    brake.close()
    lift.drive.disable()
    assert brake.is_closed()
    lift.clock.sleep(0.02)
    assert lift.rig.truth().load_m < held_m - 1e-6
    lift.clock.sleep(0.2)
    fallen_m = lift.rig.truth().load_m
    lift.clock.sleep(5.0)
    assert lift.rig.truth().load_m == fallen_m
    assert held_m - fallen_m < 1e-3


def test_closing_a_closed_brake_doesn_t_open_it(plate_lift: Axis, bench_of: Any) -> None:
    lift = bench_of(plate_lift)
    lift.rig.brake().close()
    lift.clock.sleep(1.0)
    assert lift.rig.truth().rotor_turns == 0.0


def test_drag_widens_the_reversal(doser: Axis, bench_of: Any) -> None:
    """Closed form: by 2 Fd/k."""
    found = []
    for drag_n in (0.0, 40.0):
        made = bench_of(doser)
        made.drive.enable()
        made.rig.drag().set_force(drag_n)
        made.drive.set_speed(5.0 * made.per_mm)
        made.drive.set_acceleration(20.0 * made.per_mm)
        gaps = []
        for way in (1, -1):
            made.move(way * 1.0)
            truth = made.rig.truth()
            gaps.append(truth.nut_m - truth.load_m)
        found.append(gaps[0] - gaps[1])
    assert found[1] - found[0] == pytest.approx(2 * 40.0 / 2e7, rel=0.3)


@pytest.mark.parametrize("force_n", [-1.0, float("nan"), float("inf")])
def test_a_senseless_drag_is_refused(bench: Bench, force_n: float) -> None:
    with pytest.raises(Refused):
        bench.rig.drag().set_force(force_n)


def test_limits_trip_where_the_load_stands(bench: Bench) -> None:
    inputs = bench.rig.inputs()
    assert inputs.read().limits == frozenset()
    bench.move(-30.5)
    assert inputs.read().limits == {Side.LOW}
    bench.move(60.7)
    assert inputs.read().limits == {Side.HIGH}


def test_the_stop_circuit_opens_and_closes(bench: Bench) -> None:
    inputs = bench.rig.inputs()
    assert inputs.read().stop_circuit_closed
    bench.rig.open_stop_circuit()
    assert not inputs.read().stop_circuit_closed
    bench.rig.close_stop_circuit()
    assert inputs.read().stop_circuit_closed
