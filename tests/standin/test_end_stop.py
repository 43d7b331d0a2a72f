"""A run-away axis hits its end stop: a spring, with damping where it has some."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import pytest
from scipy.optimize import brentq

from stepwitness.axis import Axis
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant, travel_per_rad
from stepwitness.standin.presets import preset

Change = Callable[..., StandIn]
STOP_N_PER_M, SCREW_N_PER_M = 2e6, 2e8


def at_the_stop(ideal: StandIn, *, damping_m_per_s: float = 0.0) -> StandIn:
    """A rotor and nothing else, 1 mm from its upper stop."""
    return replace(
        ideal,
        screw=replace(ideal.screw, stiffness_n_per_m=SCREW_N_PER_M),
        load=replace(
            ideal.load,
            stop_high_m=0.031,
            stop_stiffness_n_per_m=STOP_N_PER_M,
            stop_damping_m_per_s=damping_m_per_s,
        ),
    )


def impact(axis: Axis, stand_in: StandIn, *, shove_nm: float) -> tuple[float, float, float]:
    """Speed into the stop, speed back out of it, and how far the stop gave, in m and s."""
    plant = Plant(axis, stand_in, step_s=5e-7)
    plant.set_shaft_torque(shove_nm)
    plant.advance(1e-3)
    plant.set_shaft_torque(0.0)
    stop_m = stand_in.load.stop_high_m
    into = depth_m = 0.0
    while plant.load_m < stop_m:
        into = plant.speed_rad_per_s * travel_per_rad(axis)
        plant.advance(plant.time_s + 1e-6)
    while plant.load_m >= stop_m:
        depth_m = max(depth_m, plant.load_m - stop_m)
        plant.advance(plant.time_s + 1e-6)
    return into, -plant.speed_rad_per_s * travel_per_rad(axis), depth_m


def test_an_elastic_stop_gives_all_speed_back(doser: Axis, ideal: StandIn) -> None:
    """First principles: depth v sqrt(m k) / k_stop, with m = J / (lead / 2 pi)^2 and both springs in series."""
    stand_in = at_the_stop(ideal)
    into, out, depth_m = impact(doser, stand_in, shove_nm=0.5)
    assert into > 0.02
    assert out == pytest.approx(into, rel=1e-3)
    mass_kg = stand_in.motor.rotor_inertia_kgm2 / travel_per_rad(doser) ** 2
    spring = 1 / (1 / STOP_N_PER_M + 1 / SCREW_N_PER_M)
    assert depth_m == pytest.approx(into * math.sqrt(mass_kg * spring) / STOP_N_PER_M, rel=1e-3)


@pytest.mark.parametrize("damping_m_per_s", [0.05, 0.2])
def test_a_damped_stop_gives_back_what_hunt_and_crossley_say(
    doser: Axis, ideal: StandIn, damping_m_per_s: float
) -> None:
    """For m v dv/dx = -k x (1 + v / c), with u = v / c: u - ln(1 + u) is the same going in and coming out."""
    into, out, _ = impact(doser, at_the_stop(ideal, damping_m_per_s=damping_m_per_s), shove_nm=0.5)
    entered = into / damping_m_per_s
    level = entered - math.log1p(entered)
    left = brentq(lambda u: u - math.log1p(u) - level, -1 + 1e-12, -1e-9)
    # The screw's own give, a hundredth of the stop's, is undamped.
    assert out / into == pytest.approx(-left / entered, rel=0.01)
    assert out / into < 0.93


def test_a_run_away_move_pushes_no_harder_than_motor_and_momentum_can(doser: Axis, changed: Change) -> None:
    """At 20 mm/s: 0.8 kg and a rotor that weighs J / (lead / 2 pi)^2, on stop and screw in series, and the motor."""
    stand_in = changed(preset("doser"), load={"stop_high_m": 0.035, "stop_damping_m_per_s": 0.1})
    plant = Plant(doser, stand_in)
    plant.set_amplitude(1.2)
    plant.advance(0.1)
    plant.set_pulses([0.1 + 1 / 3200 + k / 32_000 for k in range(12_000)], forward=True)
    deepest_m = 0.0
    while plant.time_s < 0.8:
        plant.advance(plant.time_s + 1e-4)
        deepest_m = max(deepest_m, plant.load_m - stand_in.load.stop_high_m)
    inertia_kgm2 = stand_in.motor.rotor_inertia_kgm2 + stand_in.screw.inertia_kgm2
    mass_kg = stand_in.load.mass_kg + inertia_kgm2 / travel_per_rad(doser) ** 2
    spring = 1 / (1 / stand_in.load.stop_stiffness_n_per_m + 1 / stand_in.screw.stiffness_n_per_m)
    momentum_n = 0.03 * math.sqrt(mass_kg * spring)
    motor_n = stand_in.motor.holding_torque_nm / travel_per_rad(doser)
    pushed_n = deepest_m * stand_in.load.stop_stiffness_n_per_m
    assert 50.0 < pushed_n < momentum_n + motor_n
    plant.set_amplitude(0.0)
    plant.advance(2.0)
    assert plant.at_rest
