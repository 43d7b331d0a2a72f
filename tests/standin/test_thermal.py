"""Slow heat and wear: closed forms of first-order bodies, and what they do to the axis."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from stepwitness.axis import Axis
from stepwitness.standin.parameters import Ambient, StandIn, ThermalPhysics
from stepwitness.standin.plant import Plant
from stepwitness.standin.presets import preset
from stepwitness.standin.thermal import COPPER_PER_K, SlowModel

Change = Callable[..., StandIn]
RATED_A = 1.2
TAU_S = 300.0


def warm(ideal: StandIn, **physics: float) -> StandIn:
    return replace(ideal, thermal=ThermalPhysics(**physics))


def test_a_winding_at_rated_current_warms_as_a_first_order_body(doser: Axis, ideal: StandIn) -> None:
    """Copper's heat grows with its own temperature: rise / (1 - a rise) at the end, as much slower on the way."""
    plant = Plant(doser, warm(ideal, winding_rise_k=50.0, winding_settle_s=TAU_S))
    plant.set_amplitude(RATED_A)
    slower = 1.0 / (1.0 - COPPER_PER_K * 50.0)
    for time_s in (102.0, 402.0, 5004.0):
        plant.advance(time_s)
        expected_k = 50.0 * slower * -math.expm1(-time_s / (TAU_S * slower))
        assert plant.winding_rise_k == pytest.approx(expected_k, rel=0.02)


def test_half_the_current_warms_a_quarter(doser: Axis, ideal: StandIn) -> None:
    plant = Plant(doser, warm(ideal, winding_rise_k=40.0))
    plant.set_amplitude(RATED_A / 2)
    plant.advance(10_000.0)
    assert plant.winding_rise_k == pytest.approx(10.0 / (1 - COPPER_PER_K * 10.0), rel=1e-3)
    plant.set_amplitude(0.0)
    plant.advance(20_000.0)
    assert plant.winding_rise_k == pytest.approx(0.0, abs=1e-9)


def test_a_warm_winding_has_the_resistance_of_warm_copper(doser: Axis, ideal: StandIn) -> None:
    """IEC 60034-1: R2 / R1 = (235 + t2) / (235 + t1). A supply too low for the current shows it: i = V / R."""
    weak = replace(
        ideal,
        motor=replace(ideal.motor, supply_v=1.0),
        ambient=(Ambient(2.0, 60.0),),
        thermal=ThermalPhysics(winding_settle_s=1.0),
    )
    plant = Plant(doser, weak)
    plant.set_amplitude(RATED_A)
    plant.advance(1.0)
    assert plant.currents_a[0] == pytest.approx(1.0 / 2.4, rel=1e-6)
    plant.advance(12.0)
    assert plant.winding_rise_k == pytest.approx(60.0, rel=1e-3)
    assert plant.currents_a[0] == pytest.approx(1.0 / (2.4 * (235 + 80) / (235 + 20)), rel=1e-3)


def test_a_screw_grows_from_its_locating_bearing(doser: Axis, ideal: StandIn) -> None:
    """First principles: a dT x, with x from the bearing to the nut, after the screw has taken the room's warmth."""
    stand_in = replace(
        ideal,
        motor=replace(ideal.motor, viscous_nms=0.02),
        ambient=(Ambient(100.0, 10.0),),
        thermal=ThermalPhysics(expansion=1.2e-5, fixed_at_m=-0.02, screw_settle_s=1000.0),
    )
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.advance(100.0)
    start_m = plant.load_m
    assert start_m == pytest.approx(0.03, abs=1e-12)
    plant.advance(1100.0)
    assert plant.load_m - start_m == pytest.approx(1.2e-5 * 10.0 * 0.05 * (1 - math.exp(-1.0)), rel=0.03)
    plant.advance(20_000.0)
    assert plant.load_m - start_m == pytest.approx(1.2e-5 * 10.0 * 0.05, rel=1e-4)
    assert plant.rotor_rad == 0.0
    # And its lead with it.
    plant.set_pulses([20_000.0 + 2e-4 * (k + 1) for k in range(16_000)], forward=True)
    before_m = plant.load_m
    plant.advance(20_010.0)
    assert plant.load_m - before_m == pytest.approx(0.01 * (1 + 1.2e-4), abs=1e-8)


def test_friction_and_motor_warm_the_screw(doser: Axis, changed: Change) -> None:
    """Closed form at the end of a long run: rise (friction power + share of copper heat) / rated copper heat."""
    stand_in = changed(
        preset("doser"),
        thermal={"screw_rise_k": 20.0, "screw_settle_s": 1.0, "motor_share": 0.25},
        load={"friction_n": 0.0},
        gauge={"measuring_force_n": 0.0},
    )
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.set_pulses([k / 3200 for k in range(3200 * 7)], forward=True)
    plant.advance(6.9)
    rated_w = stand_in.motor.resistance_ohm * RATED_A**2
    friction_w = stand_in.screw.drag_torque_nm * 2 * math.pi * 1.0
    assert plant.screw_rise_k == pytest.approx(20.0 * (friction_w / rated_w + 0.25), rel=0.02)


def test_heat_does_not_depend_on_how_often_anybody_looks(doser: Axis, changed: Change) -> None:
    rises = []
    for look_s in (0.05, 7.0):
        plant = Plant(doser, changed(preset("doser"), thermal={"winding_rise_k": 50.0, "winding_settle_s": 20.0}))
        plant.set_amplitude(RATED_A)
        while plant.time_s < 28.0:
            plant.advance(plant.time_s + look_s)
        rises.append(plant.winding_rise_k)
    assert rises[0] == pytest.approx(rises[1], rel=0.02)


def test_a_nut_wears_with_the_way_it_has_passed(doser: Axis, changed: Change) -> None:
    """Clearance grows by `wear` times the way, there and back."""
    stand_in = changed(
        preset("doser"), screw={"wear": 1e-4}, load={"static_ratio": 1.0}, gauge={"measuring_force_n": 0.0}
    )
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.set_viscous(0.01)
    plant.advance(0.2)
    gaps = []
    for way in (True, False) * 4:
        start_s = plant.time_s
        plant.set_pulses([start_s + 2e-4 * (k + 1) for k in range(8000)], forward=way)
        plant.advance(start_s + 1.9)
        gaps.append(plant.nut_m - plant.load_m)
    bands = [abs(after - before) for before, after in pairwise(gaps)]
    # Half of what is worn on the way shows on either side: from one end to the next, the way of one move.
    assert bands[-1] - bands[0] == pytest.approx(1e-4 * 5e-3 * 6, rel=0.05)


def test_a_model_knows_whether_anything_is_slow() -> None:
    cold = SlowModel(ThermalPhysics(), (), rated_copper_w=3.0, wear=0.0)
    assert not cold.changes
    assert SlowModel(ThermalPhysics(), (Ambient(0.0, 5.0),), rated_copper_w=3.0, wear=0.0).changes


def test_surroundings_follow_their_history() -> None:
    model = SlowModel(ThermalPhysics(), (Ambient(10.0, 5.0), Ambient(0.0, 1.0)), rated_copper_w=3.0, wear=0.0)
    assert [model.ambient_k(time_s) for time_s in (-1.0, 0.0, 9.9, 10.0, 1e9)] == [0.0, 1.0, 1.0, 5.0, 5.0]
