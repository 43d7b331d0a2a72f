"""The plant where a test engineer would catch it being wrong."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import GRAVITY_M_PER_S2, Plant, inertia, travel_per_rad
from stepwitness.standin.presets import preset
from stepwitness.standin.screw import dead_band_m, thread_torque

Change = Callable[..., StandIn]
RATED_A = 1.2


def step_rad(axis: Axis) -> float:
    return 2 * math.pi / axis.full_steps


def energised(axis: Axis, stand_in: StandIn, **options: Any) -> Plant:
    plant = Plant(axis, stand_in, **options)
    plant.set_amplitude(stand_in.motor.rated_current_a)
    plant.advance(0.1)
    return plant


def send(plant: Plant, pulses: int, *, interval_s: float = 2e-4, rest_s: float = 0.2) -> None:
    """Evenly spaced pulses from now on, then a rest."""
    start_s = plant.time_s
    plant.set_pulses([start_s + (k + 1) * interval_s for k in range(abs(pulses))], forward=pulses > 0)
    plant.advance(start_s + abs(pulses) * interval_s + rest_s)


# -- friction --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("share", [0.5, 0.999])
def test_friction_holds_without_creep(doser: Axis, share: float) -> None:
    stand_in = preset("doser")
    plant = Plant(doser, stand_in, skip_rest=False)
    plant.set_shaft_torque(share * stand_in.screw.drag_torque_nm * stand_in.screw.drag_static_ratio)
    plant.advance(2.0)
    assert plant.rotor_rad == 0.0


def test_friction_lets_go_beyond_its_static_torque(doser: Axis) -> None:
    stand_in = preset("doser")
    plant = Plant(doser, stand_in)
    plant.set_shaft_torque(1.01 * stand_in.screw.drag_torque_nm * stand_in.screw.drag_static_ratio)
    plant.advance(2.0)
    assert plant.rotor_rad > 0.0


def test_a_rotor_left_alone_comes_to_a_full_stop(doser: Axis) -> None:
    plant = energised(doser, preset("doser"))
    send(plant, 1000)
    assert plant.at_rest
    place = plant.rotor_rad
    plant.advance(plant.time_s + 3600.0)
    assert plant.rotor_rad == place


def test_a_resting_rotor_lies_within_the_friction_band(doser: Axis) -> None:
    """Static lag in closed form: at most asin(friction torque / holding torque) / Nr."""
    stand_in = preset("doser")
    plant = energised(doser, stand_in)
    band = math.asin(
        (stand_in.screw.drag_torque_nm * stand_in.screw.drag_static_ratio + 5.0 * 8.74e-4)
        / stand_in.motor.holding_torque_nm
    )
    sent = 0
    for pulses in (1000, -700, 16, -3):
        send(plant, pulses)
        sent += pulses
        lag = plant.rotor_rad - sent * step_rad(doser) / doser.microsteps
        assert abs(lag) < band / 50


@pytest.mark.parametrize("step_s", [None, 1.6e-5, 3e-6])
def test_skipping_time_at_rest_gives_the_state_that_integrating_gives(doser: Axis, step_s: float | None) -> None:
    """Also where a winding takes several steps to its new current while the rotor still stands."""
    states = []
    for skip in (True, False):
        plant = energised(doser, preset("doser"), skip_rest=skip, step_s=step_s)
        send(plant, 40, interval_s=0.005)
        send(plant, -25, interval_s=0.001)
        plant.set_amplitude(0.0)
        plant.advance(plant.time_s + 0.1)
        states.append((plant.rotor_rad, plant.load_m, plant.currents_a, plant.time_s))
    assert states[0] == states[1]


# -- play ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("backlash_m", [0.0, 8e-6, 3e-5])
@pytest.mark.parametrize(
    ("friction_n", "hand_n", "drag_n"), [(4.0, 0.0, 0.0), (4.0, 3.0, 0.0), (4.0, -30.0, 0.0), (4.0, 0.0, 10.0)]
)
def test_reversal_dead_band_in_state(
    doser: Axis, changed: Change, backlash_m: float, friction_n: float, hand_n: float, drag_n: float
) -> None:
    """From the nut's turning point to where the load follows: b + 2 Ff/k, or 2 Ff/k on one loaded flank."""
    base = changed(preset("doser"), screw={"backlash_m": backlash_m}, gauge={"measuring_force_n": 0.0})
    stand_in = changed(base, load={"friction_n": friction_n, "static_ratio": 1.0})
    plant = energised(doser, stand_in)
    plant.set_external_force(hand_n)
    plant.set_guide_drag(drag_n)
    # So much damping that the rotor never swings back on its way.
    plant.set_viscous(0.05)
    gaps = []
    for pulses in (300, -300, 300):
        send(plant, pulses, interval_s=0.004)
        gaps.append(plant.nut_m - plant.load_m)
    expected = dead_band_m(
        friction_n=friction_n + drag_n,
        external_n=hand_n,
        stiffness_n_per_m=stand_in.screw.stiffness_n_per_m,
        backlash_m=backlash_m,
    )
    assert gaps[0] - gaps[1] == pytest.approx(expected, abs=1e-12)
    assert gaps[2] == pytest.approx(gaps[0], abs=1e-12)


def test_inside_the_dead_band_the_load_stands_still(doser: Axis) -> None:
    plant = energised(doser, preset("doser"))
    plant.set_viscous(0.05)
    send(plant, 300, interval_s=0.004)
    load_m, nut_m = plant.load_m, plant.nut_m
    send(plant, -15, interval_s=0.004)
    assert nut_m - plant.nut_m > 0.8e-5
    assert plant.load_m == load_m


def test_static_friction_of_the_guide_lets_the_load_jump(doser: Axis, changed: Change) -> None:
    """Closed form: it breaks away at Fs and slides at Ff, so it jumps by (Fs - Ff)/k."""
    stand_in = changed(preset("doser"), load={"friction_n": 40.0, "static_ratio": 1.5})
    plant = energised(doser, stand_in)
    plant.set_viscous(0.05)
    send(plant, 100, interval_s=0.004)
    load_m, jump_m = plant.load_m, 0.0
    plant.set_pulses([plant.time_s + 0.002 * (k + 1) for k in range(60)], forward=False)
    while not jump_m:
        plant.advance(plant.time_s + 1e-5)
        jump_m = load_m - plant.load_m
    assert jump_m == pytest.approx(20.0 / 2e7, rel=0.05)


def test_a_hand_moves_the_load_through_the_play_and_no_further(doser: Axis) -> None:
    """A push on the load of a self-locking screw turns nothing."""
    stand_in = preset("doser")
    assert thread_torque(stand_in.screw, 0.002).self_locking
    plant = energised(doser, stand_in)
    plant.set_amplitude(0.0)
    rotor = plant.rotor_rad
    travelled = []
    for force_n in (100.0, -100.0):
        plant.set_external_force(force_n)
        plant.advance(plant.time_s + 0.5)
        travelled.append(plant.load_m)
    assert plant.rotor_rad == rotor
    friction_n = stand_in.load.friction_n * stand_in.load.static_ratio
    assert travelled[0] - travelled[1] == pytest.approx(
        stand_in.screw.backlash_m + (200.0 - 2 * friction_n) / stand_in.screw.stiffness_n_per_m, rel=0.02
    )


# -- slips -----------------------------------------------------------------------------------------------------------


def test_at_holding_torque_slips_are_whole_electrical_periods(doser: Axis) -> None:
    stand_in = preset("doser")
    landings = set()
    for duration_s in (0.001, 0.002, 0.004, 0.008, 0.016):
        plant = energised(doser, stand_in)
        plant.set_shaft_torque(0.55)
        plant.advance(plant.time_s + duration_s)
        plant.set_shaft_torque(0.0)
        plant.advance(plant.time_s + 0.5)
        steps = plant.rotor_rad / step_rad(doser)
        # Friction may hold the rotor asin(0.036 / 0.40) off its rest: 0.06 of a full step.
        assert abs(steps - 4 * round(steps / 4)) < 0.07
        landings.add(round(steps / 4))
    assert len(landings) > 2


def test_held_by_friction_alone_any_number_may_be_lost(doser: Axis) -> None:
    """And the rotor snaps to the nearest equilibrium, at most two full steps away, when current returns."""
    stand_in = preset("doser")
    snaps = []
    for lost_microsteps in range(0, 64, 7):
        plant = Plant(doser, stand_in)
        plant.set_amplitude(0.05)
        plant.advance(0.1)
        send(plant, lost_microsteps)
        assert abs(plant.rotor_rad) < 0.001 * step_rad(doser)
        plant.set_amplitude(RATED_A)
        plant.advance(plant.time_s + 0.3)
        lost = lost_microsteps / doser.microsteps
        nearest = lost - 4 * round(lost / 4)
        snap = plant.rotor_rad / step_rad(doser)
        assert snap == pytest.approx(nearest, abs=0.07)
        snaps.append(abs(snap))
    assert 1.7 < max(snaps) <= 2.0


def test_a_stalled_rotor_stands_while_pulses_go_on(doser: Axis) -> None:
    plant = Plant(doser, preset("doser"))
    plant.set_amplitude(0.05)
    plant.advance(0.1)
    send(plant, 16_000, interval_s=3e-5)
    assert plant.pulses_sent == 16_000
    assert abs(plant.rotor_rad) < 0.01 * step_rad(doser)
    assert plant.load_m == pytest.approx(0.03, abs=1e-5)


# -- gravity, brake, stops -------------------------------------------------------------------------------------------


def test_free_fall_down_a_screw_that_does_not_lock(plate_lift: Axis, changed: Change) -> None:
    """First principles: (|lower| (m g - Ff) - drag) over (J + m lead/2pi |lower|), |lower| by the screw equation."""
    stand_in = changed(
        preset("plate-lift"),
        motor={"viscous_nms": 0.0},
        gauge={"measuring_force_n": 0.0},
        load={"stop_low_m": -10.0},
    )
    load, screw = stand_in.load, stand_in.screw
    lever_m = -thread_torque(screw, 0.005).lower_m
    torque_nm = lever_m * (load.mass_kg * GRAVITY_M_PER_S2 - load.friction_n) - screw.drag_torque_nm
    inertia_kgm2 = (
        stand_in.motor.rotor_inertia_kgm2 + screw.inertia_kgm2 + load.mass_kg * travel_per_rad(plate_lift) * lever_m
    )
    plant = Plant(plate_lift, stand_in)
    # Once the guide's friction has come up to the full, which takes 2 Ff/k of travel.
    plant.advance(0.1)
    rotor_rad, speed_rad_per_s, load_m = plant.rotor_rad, plant.speed_rad_per_s, plant.load_m
    plant.advance(0.2)
    acceleration = -torque_nm / inertia_kgm2
    assert plant.speed_rad_per_s - speed_rad_per_s == pytest.approx(acceleration * 0.1, rel=1e-6)
    fallen = speed_rad_per_s * 0.1 + 0.5 * acceleration * 0.1**2
    assert plant.rotor_rad - rotor_rad == pytest.approx(fallen, rel=1e-6)
    assert plant.load_m - load_m == pytest.approx(fallen * travel_per_rad(plate_lift), rel=1e-6)


def test_a_brake_holds_what_would_fall(plate_lift: Axis) -> None:
    plant = Plant(plate_lift, preset("plate-lift"))
    plant.set_brake(holds=True)
    plant.advance(10.0)
    assert plant.rotor_rad == 0.0
    plant.set_brake(holds=False)
    plant.advance(10.1)
    assert plant.rotor_rad < -0.1


def test_a_weak_brake_lets_it_fall_more_slowly(plate_lift: Axis, changed: Change) -> None:
    stand_in = changed(preset("plate-lift"), brake={"torque_nm": 0.002})
    fallen = []
    for holds in (True, False):
        plant = Plant(plate_lift, stand_in)
        plant.set_brake(holds=holds)
        plant.advance(0.3)
        fallen.append(-plant.rotor_rad)
    assert 0.0 < fallen[0] < fallen[1]


def test_a_screw_that_locks_needs_no_brake(plate_lift: Axis, changed: Change) -> None:
    locking = changed(preset("plate-lift"), screw={"friction_coefficient": 0.3})
    plant = Plant(plate_lift, locking)
    plant.advance(10.0)
    assert plant.rotor_rad == 0.0


def test_a_run_away_move_stalls_against_the_end_stop(doser: Axis) -> None:
    stand_in = preset("doser")
    plant = energised(doser, stand_in)
    send(plant, 56_000, interval_s=1e-4)
    assert plant.load_m == pytest.approx(stand_in.load.stop_high_m, abs=1e-4)
    assert plant.load_m > stand_in.load.stop_high_m
    lost = plant.rotor_rad / step_rad(doser) - 56_000 / doser.microsteps
    assert lost < -100
    # It comes off the stop again, having lost whole electrical periods.
    before_m = plant.load_m
    send(plant, -16_000, interval_s=1e-4)
    assert before_m - plant.load_m == pytest.approx(0.01, abs=3e-4)
    lost = plant.rotor_rad / step_rad(doser) - 40_000 / doser.microsteps
    assert abs(lost - 4 * round(lost / 4)) < 0.1


def test_force_on_the_end_stop_balances_the_motor(doser: Axis) -> None:
    """At rest against the stop the push is what thread and guide leave of the motor's torque: never more than
    holding torque over the raising lever."""
    stand_in = preset("doser")
    plant = energised(doser, stand_in)
    send(plant, 51_210, interval_s=1e-4)
    depth_m = plant.load_m - stand_in.load.stop_high_m
    force_n = depth_m * stand_in.load.stop_stiffness_n_per_m
    limit_n = stand_in.motor.holding_torque_nm / thread_torque(stand_in.screw, 0.002).raise_m
    assert 0.0 < force_n < limit_n


def test_sticky_zone_takes_more_torque_only_inside(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), load={"sticky_from_m": 0.032, "sticky_to_m": 0.034, "sticky_friction_n": 100.0})
    plant = energised(doser, stand_in)
    plant.set_viscous(0.05)
    gaps = []
    for _ in range(3):
        send(plant, 2400, interval_s=0.001)
        gaps.append(plant.nut_m - plant.load_m)
    extra_m = 100.0 / stand_in.screw.stiffness_n_per_m
    assert gaps[1] - gaps[0] == pytest.approx(extra_m, abs=1e-9)
    assert gaps[2] == pytest.approx(gaps[0], abs=1e-9)


# -- geometry of the screw, inertia ----------------------------------------------------------------------------------


def test_a_mis_set_lead_scales_travel(doser: Axis, changed: Change) -> None:
    loads = []
    for error in (0.0, 1e-3):
        plant = energised(doser, changed(preset("doser"), screw={"lead_error": error}))
        send(plant, 16_000, interval_s=1e-4)
        loads.append(plant.load_m)
    assert loads[1] - loads[0] == pytest.approx(0.010 * 1e-3, rel=0.01)


def test_pitch_error_has_the_period_of_a_turn(doser: Axis, changed: Change) -> None:
    plain, wavy = (energised(doser, changed(preset("doser"), screw={"pitch_error_m": error})) for error in (0.0, 5e-6))
    deviations = []
    for _ in range(4):
        for plant in (plain, wavy):
            send(plant, 800)
        deviations.append(wavy.load_m - plain.load_m)
    assert deviations == pytest.approx([5e-6, 0.0, -5e-6, 0.0], abs=2e-7)


def test_a_screw_with_friction_weighs_more_when_it_raises(plate_lift: Axis) -> None:
    masses = inertia(plate_lift, preset("plate-lift"))
    ideal = masses.turning + 3.0 * travel_per_rad(plate_lift) ** 2
    assert masses.lowering < ideal < masses.raising


def test_detent_torque_holds_a_rotor_without_current(doser: Axis, ideal: StandIn) -> None:
    """First principles: the fourth harmonic alone has its rests one full step apart."""
    stand_in = replace(ideal, motor=replace(ideal.motor, detent_torque_nm=0.02, viscous_nms=0.02))
    plant = Plant(doser, stand_in)
    plant.set_shaft_torque(0.019)
    plant.advance(2.0)
    assert plant.rotor_rad / step_rad(doser) == pytest.approx(math.asin(0.95) / (2 * math.pi), rel=1e-6)
    plant.set_shaft_torque(0.021)
    plant.advance(2.2)
    plant.set_shaft_torque(0.0)
    plant.advance(4.0)
    steps = plant.rotor_rad / step_rad(doser)
    assert steps > 0.5
    assert steps == pytest.approx(round(steps), abs=1e-6)


# -- encoders --------------------------------------------------------------------------------------------------------


def test_counts_follow_the_rotor_to_the_edge(doser: Axis) -> None:
    assert doser.encoder is not None
    plant = Plant(doser, preset("doser"))
    decoder = plant.watch(doser.encoder, seed="counter")
    plant.set_amplitude(RATED_A)
    for pulses in (1000, -333, 7, -2000):
        send(plant, pulses)
        assert decoder.counts == math.floor(plant.rotor_rad / (2 * math.pi) * 2000 + 0.5)
    assert decoder.faults == 0


def test_an_encoder_on_the_load_sees_the_play(doser: Axis) -> None:
    scale = Encoder(Fraction(250_000), Decoding.X4, Mounting.LOAD)
    plant = energised(doser, preset("doser"))
    decoder = plant.watch(scale, seed="counter")
    send(plant, 1600)
    before = decoder.counts
    send(plant, -4)
    assert decoder.counts == before
    send(plant, -1600)
    assert decoder.counts < before - 900
    assert plant.load_m - preset("doser").start_m == pytest.approx(decoder.counts * 1e-6, abs=2e-5)


def test_edges_of_a_swing_are_counted_even_between_two_looks(doser: Axis, changed: Change) -> None:
    """A decoder that misses every other edge or so keeps a trace of a swing that ends where it began."""
    assert doser.encoder is not None
    plant = Plant(doser, changed(preset("doser"), encoder={"missed_edge": 0.5}))
    decoder = plant.watch(doser.encoder, seed="counter")
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    plant.set_shaft_torque(0.3)
    plant.advance(plant.time_s + 0.001)
    plant.set_shaft_torque(0.0)
    plant.advance(plant.time_s + 0.5)
    assert abs(plant.rotor_rad) < 0.1 * step_rad(doser)
    assert decoder.faults > 0


def test_a_reversed_encoder_counts_down_while_travel_grows(doser: Axis) -> None:
    assert doser.encoder is not None
    plant = energised(doser, preset("doser"))
    decoder = plant.watch(replace(doser.encoder, reversed=True), seed="counter")
    send(plant, 1600)
    assert decoder.counts == pytest.approx(-1000, abs=1)
