"""Iron that saturates, a regulator that ripples, a supply that gives only so much."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest

from stepwitness.axis import Axis
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import Refused
from stepwitness.standin import motor
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.parts import MOST_LIMIT_A
from stepwitness.standin.plant import Plant
from stepwitness.standin.presets import preset
from stepwitness.standin.pulses import PulseTrain
from stepwitness.standin.rig import Rig

Change = Callable[..., StandIn]
RATED_A, HOLDING_NM, TEETH = 1.2, 0.40, 50.0


def damped(ideal: StandIn, **physics: float) -> StandIn:
    return replace(ideal, motor=replace(ideal.motor, viscous_nms=0.02, **physics))


def lag_rad(axis: Axis, stand_in: StandIn, *, current_a: float, torque_nm: float, microsteps: int = 0) -> float:
    """By how much the rotor at rest trails `microsteps` under a torque."""
    plant = Plant(axis, stand_in)
    plant.set_amplitude(current_a)
    plant.set_pulses([0.01 * (k + 1) for k in range(microsteps)], forward=True)
    plant.advance(0.3)
    undisturbed = plant.rotor_rad
    plant.set_shaft_torque(torque_nm)
    plant.advance(1.3)
    return plant.rotor_rad - undisturbed


# -- saturation --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("current_a", [0.3, 0.6, 1.2, 2.4])
def test_static_lag_tells_the_saturated_holding_torque(doser: Axis, ideal: StandIn, current_a: float) -> None:
    """First principles: sin(Nr lag) = T / T(i), with T(i) = K(0) i / sqrt(1 + (s i / Ir)^2)."""
    stand_in = damped(ideal, saturation=0.8)
    expected_nm = HOLDING_NM * (current_a / RATED_A) * math.sqrt(1.64 / (1 + 0.64 * (current_a / RATED_A) ** 2))
    assert motor.holding_torque_nm(stand_in.motor, current_a) == pytest.approx(expected_nm, rel=1e-12)
    lag = lag_rad(doser, stand_in, current_a=current_a, torque_nm=0.05)
    assert math.sin(TEETH * lag) == pytest.approx(0.05 / expected_nm, rel=1e-6)


def test_holding_torque_at_rated_current_stays_what_was_set(doser: Axis, ideal: StandIn) -> None:
    for saturation in (0.0, 0.5, 2.0):
        stand_in = damped(ideal, saturation=saturation)
        assert motor.holding_torque_nm(stand_in.motor, RATED_A) == pytest.approx(HOLDING_NM, rel=1e-12)
        lag = lag_rad(doser, stand_in, current_a=RATED_A, torque_nm=0.2)
        assert lag == pytest.approx(motor.static_lag_rad(0.2, HOLDING_NM, 50), rel=1e-9)


def test_between_full_steps_two_windings_saturate_less_than_one(doser: Axis, ideal: StandIn) -> None:
    """First principles: at a half step each winding carries I/sqrt(2), and both push alike."""
    stand_in = damped(ideal, saturation=1.0)
    lag = lag_rad(doser, stand_in, current_a=RATED_A, torque_nm=0.2, microsteps=8)
    peak_nm = math.sqrt(2) * motor.holding_torque_nm(stand_in.motor, RATED_A / math.sqrt(2))
    assert peak_nm > 1.1 * HOLDING_NM
    assert math.sin(TEETH * lag) == pytest.approx(0.2 / peak_nm, rel=1e-6)


def test_energy_balances_with_saturated_iron(doser: Axis, ideal: StandIn) -> None:
    """Through a move from rest to rest, electrical energy less copper heat is what damping took."""
    stand_in = damped(ideal, saturation=0.8)
    physics, step_s = stand_in.motor, 2e-6
    plant = Plant(doser, stand_in, step_s=step_s)
    plant.set_amplitude(RATED_A)
    plant.advance(0.05)
    train = PulseTrain(start_s=0.05, pulses=1600, speed=16_000.0, acceleration=800_000.0)
    plant.set_pulses(train.times_s(0), forward=True)
    into_shaft = damping = 0.0
    before = (plant.rotor_rad, plant.speed_rad_per_s, *plant.currents_a)
    for index in range(round((train.end_s - 0.05 + 0.05) / step_s)):
        plant.advance(0.05 + (index + 1) * step_s)
        now = (plant.rotor_rad, plant.speed_rad_per_s, *plant.currents_a)
        rotor, speed, ia, ib = ((a + b) / 2 for a, b in zip(before, now, strict=True))
        for current, direction in ((ia, -math.sin(TEETH * rotor)), (ib, math.cos(TEETH * rotor))):
            weaker = math.sqrt(1 + motor.saturation_per_a2(physics) * current**2)
            emf_v = motor.unsaturated_constant_nm_per_a(physics) / weaker * speed * direction
            into_shaft += emf_v * current * step_s
        damping += physics.viscous_nms * speed**2 * step_s
        before = now
    assert damping > 0.05
    assert into_shaft == pytest.approx(damping, rel=1e-3)


# -- ripple ------------------------------------------------------------------------------------------------------------


def test_a_peak_regulator_s_mean_lies_half_its_ripple_lower(doser: Axis, ideal: StandIn) -> None:
    plant = Plant(doser, damped(ideal, ripple_a=0.1))
    plant.set_amplitude(RATED_A)
    plant.set_pulses([0.01 * (k + 1) for k in range(8)], forward=True)
    plant.advance(0.005)
    assert plant.currents_a == (pytest.approx(RATED_A - 0.05), 0.0)
    plant.advance(0.3)
    both = RATED_A / math.sqrt(2) - 0.05
    assert plant.currents_a == (pytest.approx(both), pytest.approx(both))


def test_ripple_flattens_microsteps_beside_a_full_step(doser: Axis, ideal: StandIn) -> None:
    """First principles: a winding whose current would be less than half the ripple gets none."""
    rested = lag_rad(doser, damped(ideal, ripple_a=0.3), current_a=RATED_A, torque_nm=0.0, microsteps=1)
    plant = Plant(doser, damped(ideal, ripple_a=0.3))
    plant.set_amplitude(RATED_A)
    plant.set_pulses([0.01], forward=True)
    plant.advance(0.5)
    assert RATED_A * math.sin(2 * math.pi / 64) < 0.15
    assert abs(plant.rotor_rad) < 1e-9
    assert rested == 0.0


def test_a_meter_sees_the_ripple(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), motor={"ripple_a": 0.1}, meter={"noise_a": 0.0})
    clock = VirtualClock()
    rig = Rig(doser, stand_in, clock)
    rig.drive().enable()
    clock.sleep(0.1)
    readings = [rig.meter().current_a() for _ in range(400)]
    mean = sum(readings) / len(readings)
    assert mean == pytest.approx(1.2 - 0.05, abs=0.005)
    assert min(readings) > 1.1
    assert max(readings) < 1.2
    assert max(readings) - min(readings) > 0.095


def test_a_meter_shows_multiples_of_its_resolution(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), meter={"resolution_a": 0.01})
    clock = VirtualClock()
    rig = Rig(doser, stand_in, clock)
    rig.drive().enable()
    clock.sleep(0.1)
    assert rig.meter().current_a() * 100 == pytest.approx(120, abs=1e-9)


# -- supply ------------------------------------------------------------------------------------------------------------


def test_a_supply_at_its_limit_holds_what_copper_leaves(doser: Axis, ideal: StandIn) -> None:
    """First principles: at rest all power is copper, R i^2 = V limit. A supply that can't give it at its full voltage
    sags until V = R i, and then i is the limit itself."""
    stand_in = replace(damped(ideal), supply=replace(ideal.supply, limit_a=0.1))
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.advance(2.0)
    assert 0.1 * stand_in.motor.supply_v < stand_in.motor.resistance_ohm * RATED_A**2
    assert plant.currents_a[0] == pytest.approx(0.1, rel=1e-3)
    assert plant.supply_v == pytest.approx(0.1 * stand_in.motor.resistance_ohm, rel=1e-3)


def test_a_supply_sags_by_what_its_capacitors_give(doser: Axis, ideal: StandIn) -> None:
    """First principles: what a rising current takes, L i^2 / 2 and a little copper, comes from C V^2 / 2."""
    stand_in = replace(damped(ideal), supply=replace(ideal.supply, limit_a=1e-3, hold_up_s=4.0))
    physics = stand_in.motor
    plant = Plant(doser, stand_in, step_s=1e-6)
    plant.set_amplitude(RATED_A)
    rise_s = motor.rise_time_s(
        RATED_A,
        voltage_v=physics.supply_v,
        resistance_ohm=physics.resistance_ohm,
        inductance_h=physics.inductance_h,
    )
    plant.advance(rise_s)
    farad = 1e-3 * 4.0 / physics.supply_v
    copper_j = physics.resistance_ohm * RATED_A**2 * rise_s / 3
    taken_j = 0.5 * physics.inductance_h * RATED_A**2 + copper_j
    expected_v = math.sqrt(physics.supply_v**2 - 2 * taken_j / farad)
    assert physics.supply_v - expected_v > 0.5
    assert plant.supply_v == pytest.approx(expected_v, abs=0.03)


def test_an_ample_supply_changes_no_bit(doser: Axis, changed: Change) -> None:
    ends = []
    for limit_a in (0.0, 1e3):
        plant = Plant(doser, changed(preset("doser"), supply={"limit_a": limit_a}))
        plant.set_amplitude(RATED_A)
        plant.advance(0.05)
        train = PulseTrain(start_s=0.05, pulses=1600, speed=32_000.0, acceleration=800_000.0)
        plant.set_pulses(train.times_s(0), forward=True)
        plant.advance(0.5)
        ends.append((plant.rotor_rad, plant.load_m, plant.currents_a))
    assert ends[0] == ends[1]


def test_a_weak_supply_loses_steps_where_an_ample_one_does_not(doser: Axis, changed: Change) -> None:
    slipped = []
    for limit_a in (3.0, 0.12):
        clock = VirtualClock()
        rig = Rig(doser, changed(preset("doser"), supply={"limit_a": limit_a}), clock)
        drive = rig.drive()
        drive.set_speed(48_000.0)
        drive.set_acceleration(1_600_000.0)
        drive.enable()
        clock.sleep(0.3)
        drive.start_move_by(16_000)
        clock.sleep(1.0)
        slipped.append(rig.truth().slipped_full_steps)
    assert slipped[0] == 0
    assert slipped[1] < -10


@pytest.mark.parametrize("own_limit_a", [0.0, 3.0])
def test_a_limit_that_is_set_acts_on_the_windings(doser: Axis, ideal: StandIn, own_limit_a: float) -> None:
    """As above, R i^2 = V limit and the voltage sags until V = R i; lifted again, the windings have what they had."""
    stand_in = replace(damped(ideal), supply=replace(ideal.supply, limit_a=own_limit_a))
    clock = VirtualClock()
    rig = Rig(doser, stand_in, clock)
    drive, supply = rig.drive(), rig.supply()
    drive.set_run_current(RATED_A)
    drive.set_hold_current(RATED_A)
    drive.enable()
    clock.sleep(1.0)
    assert supply.current_limit_a() == MOST_LIMIT_A
    assert math.hypot(*rig.truth().currents_a) == pytest.approx(RATED_A, rel=1e-3)
    supply.set_current_limit(0.1)
    clock.sleep(2.0)
    assert supply.current_limit_a() == 0.1
    assert math.hypot(*rig.truth().currents_a) == pytest.approx(0.1, rel=1e-3)
    assert supply.voltage_v() == pytest.approx(0.1 * stand_in.motor.resistance_ohm, rel=1e-3)
    supply.set_current_limit(MOST_LIMIT_A)
    clock.sleep(2.0)
    assert math.hypot(*rig.truth().currents_a) == pytest.approx(RATED_A, rel=1e-3)
    assert supply.voltage_v() == pytest.approx(stand_in.motor.supply_v, rel=1e-3)
    with pytest.raises(Refused, match="a current limit of 50 A"):
        supply.set_current_limit(50.0)


def test_a_limit_that_is_set_costs_steps(doser: Axis) -> None:
    """The same move and the same supply as above, weak by its setting alone."""
    slipped = []
    for limit_a in (3.0, 0.12):
        clock = VirtualClock()
        rig = Rig(doser, preset("doser"), clock)
        drive = rig.drive()
        drive.set_speed(48_000.0)
        drive.set_acceleration(1_600_000.0)
        drive.enable()
        rig.supply().set_current_limit(limit_a)
        clock.sleep(0.3)
        drive.start_move_by(16_000)
        clock.sleep(1.0)
        slipped.append(rig.truth().slipped_full_steps)
    assert slipped[0] == 0
    assert slipped[1] < -10


def test_a_supply_reports_its_ripple_and_resolution(doser: Axis, changed: Change) -> None:
    stand_in = changed(preset("doser"), supply={"ripple_v": 0.4, "resolution_v": 0.1})
    rig = Rig(doser, stand_in, VirtualClock())
    readings = [rig.supply().voltage_v() for _ in range(100)]
    assert min(readings) == pytest.approx(35.8)
    assert max(readings) == pytest.approx(36.2)
    assert all(reading * 10 == pytest.approx(round(reading * 10), abs=1e-9) for reading in readings)
    rig.supply().set_output(False)
    assert rig.supply().voltage_v() == 0.0
