"""The plant where a test engineer would catch it being wrong."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from stepwitness.axis import Axis
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
    for pulses in (1000, -700, 16, -3):
        send(plant, pulses)
        lag = plant.rotor_rad - plant.pulses_net * step_rad(doser) / doser.microsteps
        assert abs(lag) < band / 50


def test_skipping_time_at_rest_gives_the_state_that_integrating_gives(doser: Axis) -> None:
    states = []
    for skip in (True, False):
        plant = energised(doser, preset("doser"), skip_rest=skip)
        send(plant, 40, interval_s=0.02)
        send(plant, -25, interval_s=0.001)
        plant.set_amplitude(0.0)
        plant.advance(plant.time_s + 0.5)
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
    send(plant, 1600)
    expected = dead_band_m(
        friction_n=friction_n + drag_n,
        external_n=hand_n,
        stiffness_n_per_m=stand_in.screw.stiffness_n_per_m,
        backlash_m=backlash_m,
    )
    up = plant.nut_m - plant.load_m
    highest_nut = max_nut(plant)
    send(plant, -1600)
    down = plant.nut_m - plant.load_m
    assert up - down <= expected + 1e-12
    # A rotor that swings back at the end of a move stops inside the band; driven by less than a step at a time
    # without any swing it shows the whole band.
    assert highest_nut - plant.load_m > 0
    crawl_up_m, crawl_down_m = crawl(plant, doser)
    assert crawl_up_m - crawl_down_m == pytest.approx(expected, abs=1e-12)


def max_nut(plant: Plant) -> float:
    return plant.nut_m


def crawl(plant: Plant, axis: Axis) -> tuple[float, float]:
    """Extremes of nut less load while a heavily damped rotor goes up and comes back."""
    plant.set_viscous(0.5)
    extremes = []
    for way in (1, -1):
        start_s, widest = plant.time_s, 0.0
        plant.set_pulses([start_s + 0.002 * (k + 1) for k in range(160)], forward=way > 0)
        for _ in range(160):
            plant.advance(plant.time_s + 0.002)
            widest = max(widest, way * (plant.nut_m - plant.load_m), key=lambda gap: gap if widest else math.inf)
        extremes.append(way * widest)
    return extremes[0], extremes[1]
