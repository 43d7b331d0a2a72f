"""Friction and contact: Stribeck's curve, and what the usual short cuts would get wrong."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from stepwitness.axis import Axis
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant, travel_per_rad
from stepwitness.standin.presets import preset
from stepwitness.standin.pulses import PulseTrain
from stepwitness.standin.screw import dead_band_m, stiffness_n_per_m

Change = Callable[..., StandIn]
RATED_A = 1.2
STRIBECK = 4e-3


def send(plant: Plant, pulses: int, *, interval_s: float = 4e-3, rest_s: float = 0.3) -> None:
    start_s = plant.time_s
    plant.set_pulses([start_s + (k + 1) * interval_s for k in range(abs(pulses))], forward=pulses > 0)
    plant.advance(start_s + abs(pulses) * interval_s + rest_s)


# -- Stribeck --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mm_per_s", [1.0, 4.0, 16.0])
def test_drag_follows_stribeck_s_curve(doser: Axis, ideal: StandIn, mm_per_s: float) -> None:
    """sin(Nr lag) = T(v) / Th at constant speed, T(v) = Tc + (Ts - Tc) / (1 + (v / vs)^2).

    The curve is Hess and Soom's (from memory; it stands in Armstrong-Helouvry's survey of friction models beside the
    exponential ones).
    """
    screw = replace(ideal.screw, drag_torque_nm=0.03, drag_static_ratio=2.0, stribeck_m_per_s=STRIBECK)
    # Heavily damped, so that speed is steady between the pulses; the damping torque is known and taken off.
    stand_in = replace(ideal, screw=screw, motor=replace(ideal.motor, viscous_nms=0.002, supply_v=1e6))
    fine = replace(doser, microsteps=256)
    plant = Plant(fine, stand_in)
    plant.set_amplitude(RATED_A)
    plant.advance(0.01)
    speed = mm_per_s * 1e-3 / travel_per_rad(doser)
    per_pulse = 2 * math.pi / fine.microsteps_per_turn
    times = [0.01 + (index + 0.5) * per_pulse / speed for index in range(round(0.3 * speed / per_pulse))]
    plant.set_pulses(times, forward=True)
    plant.advance(times[-200])
    lags = []
    for index in range(len(times) - 200, len(times) - 1):
        plant.advance(0.5 * (times[index] + times[index + 1]))
        lags.append((index + 1) * per_pulse - plant.rotor_rad)
    expected_nm = 0.03 + 0.03 / (1 + (mm_per_s * 1e-3 / STRIBECK) ** 2) + 0.002 * speed
    assert 0.40 * math.sin(50 * np.mean(lags)) == pytest.approx(expected_nm, rel=0.01)


def test_the_guide_follows_stribeck_s_curve(doser: Axis, ideal: StandIn) -> None:
    """The load trails the nut by F(v) / k while it slides."""
    load = replace(ideal.load, friction_n=20.0, static_ratio=2.0, stribeck_m_per_s=STRIBECK)
    stand_in = replace(ideal, load=load, motor=replace(ideal.motor, viscous_nms=2e-4))
    plant = Plant(doser, stand_in)
    plant.set_shaft_torque(0.03)
    seen = []
    for _ in range(6):
        plant.advance(plant.time_s + 0.005)
        v = plant.speed_rad_per_s * travel_per_rad(doser)
        friction_n = 20.0 + 20.0 / (1 + (v / STRIBECK) ** 2)
        gap_m = plant.nut_m - plant.load_m
        assert gap_m == pytest.approx(friction_n / stand_in.screw.stiffness_n_per_m, rel=0.03)
        seen.append(friction_n)
    assert seen[0] > 22.0
    assert seen[-1] < 21.0


@pytest.mark.parametrize("share", [0.5, 0.999])
def test_stribeck_friction_holds_without_creep(doser: Axis, changed: Change, share: float) -> None:
    stand_in = changed(
        preset("doser"), screw={"stribeck_m_per_s": STRIBECK}, load={"stribeck_m_per_s": STRIBECK, "static_ratio": 1.5}
    )
    plant = Plant(doser, stand_in, skip_rest=False)
    plant.set_shaft_torque(share * stand_in.screw.drag_torque_nm * stand_in.screw.drag_static_ratio)
    plant.advance(1.0)
    assert plant.rotor_rad == 0.0


def test_stribeck_friction_comes_to_a_full_stop(doser: Axis, changed: Change) -> None:
    stand_in = changed(
        preset("doser"), screw={"stribeck_m_per_s": STRIBECK}, load={"stribeck_m_per_s": STRIBECK, "static_ratio": 1.5}
    )
    plant = Plant(doser, stand_in, skip_rest=False)
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    send(plant, 500, interval_s=2e-4)
    assert plant.at_rest
    place = (plant.rotor_rad, plant.load_m)
    plant.advance(plant.time_s + 1.0)
    assert (plant.rotor_rad, plant.load_m) == place


def test_a_falling_curve_makes_slow_motion_jerk(doser: Axis, changed: Change) -> None:
    """Stick-slip: friction that falls with speed lets the rotor stand and leap; the same without the fall doesn't."""
    stood = []
    for ratio in (1.0, 3.0):
        stand_in = changed(
            preset("doser"), screw={"drag_torque_nm": 0.03, "drag_static_ratio": ratio, "stribeck_m_per_s": 1e-3}
        )
        fine = replace(doser, microsteps=256)
        plant = Plant(fine, stand_in)
        plant.set_amplitude(RATED_A)
        plant.advance(0.1)
        plant.set_pulses([0.1 + 2e-4 * k for k in range(3000)], forward=True)
        plant.advance(0.4)
        standing = 0
        for _ in range(1000):
            plant.advance(plant.time_s + 2e-4)
            standing += plant.at_rest
        stood.append(standing / 1000)
    assert stood[1] > stood[0] + 0.2


# -- what short cuts would do ------------------------------------------------------------------------------------------


def test_friction_as_a_tanh_would_creep(doser: Axis) -> None:
    """At half the friction torque a smoothed law slides at v0 atanh(1/2) for ever; projection stands."""
    stand_in = preset("doser")
    torque_nm = 0.5 * stand_in.screw.drag_torque_nm
    inertia_kgm2, smooth_rad_per_s, step_s = 6e-6, 0.2, 1e-5
    speed = crept = 0.0
    for _ in range(20_000):
        friction_nm = stand_in.screw.drag_torque_nm * math.tanh(speed / smooth_rad_per_s)
        speed += step_s / inertia_kgm2 * (torque_nm - friction_nm)
        crept += step_s * speed
    assert speed == pytest.approx(smooth_rad_per_s * math.atanh(0.5), rel=1e-3)
    assert crept / (2 * math.pi) * 200 > 0.004
    plant = Plant(doser, stand_in, skip_rest=False)
    plant.set_shaft_torque(torque_nm)
    plant.advance(0.2)
    assert plant.rotor_rad == 0.0


@pytest.mark.parametrize("nut_n_per_m", [0.0, 2e6, 1e7])
def test_contact_in_the_nut_widens_the_dead_band_by_its_give(doser: Axis, changed: Change, nut_n_per_m: float) -> None:
    """b + 2 F (1/k + 1/kn) with a springy contact; a play operator adds nothing to b + 2 F/k."""
    stand_in = changed(
        preset("doser"),
        screw={"nut_stiffness_n_per_m": nut_n_per_m},
        load={"static_ratio": 1.0},
        gauge={"measuring_force_n": 0.0},
    )
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.advance(0.1)
    plant.set_viscous(0.05)
    gaps = []
    for pulses in (300, -300):
        send(plant, pulses)
        gaps.append(plant.nut_m - plant.load_m)
    give = 1 / 2e7 + (1 / nut_n_per_m if nut_n_per_m else 0.0)
    assert stiffness_n_per_m(stand_in.screw) == pytest.approx(1 / give)
    expected = dead_band_m(friction_n=4.0, external_n=0.0, stiffness_n_per_m=1 / give, backlash_m=1e-5)
    assert expected == pytest.approx(1e-5 + 8.0 * give)
    assert gaps[0] - gaps[1] == pytest.approx(expected, abs=1e-12)


def test_a_contact_spring_alone_biases_by_force_over_stiffness(doser: Axis, changed: Change) -> None:
    """The load that a spring holds hangs F/k low; the play operator's hangs half the play and no more."""
    force_n, contact_n_per_m, backlash_m = 50.0, 5e6, 1e-5
    mass_kg, step_s, damping = 1.0, 1e-5, 2000.0
    place = speed = 0.0
    for _ in range(20_000):
        stretch = max(-place - backlash_m / 2, 0.0)
        speed += step_s / mass_kg * (contact_n_per_m * stretch - force_n - damping * speed)
        place += step_s * speed
    assert -place == pytest.approx(backlash_m / 2 + force_n / contact_n_per_m, rel=1e-6)

    rigid = changed(
        preset("doser"),
        screw={"stiffness_n_per_m": 1e12},
        load={"friction_n": 0.0},
        gauge={"measuring_force_n": 0.0},
    )
    plant = Plant(doser, rigid)
    plant.set_external_force(-force_n)
    plant.advance(0.1)
    assert plant.nut_m - plant.load_m == pytest.approx(backlash_m / 2, abs=1e-10)


@pytest.mark.parametrize("viscous_nms", [2e-4, 0.05])
def test_overshoot_ratchets_the_load_through_the_play(doser: Axis, changed: Change, viscous_nms: float) -> None:
    """Why a reading on reversal shows less than the set play: the swing at the end of a move carries the load beyond
    where the nut then comes to rest. On the way the dead band is as set; without a swing so it is at rest."""
    stand_in = changed(
        preset("doser"), screw={"backlash_m": 3e-5}, gauge={"measuring_force_n": 0.0}, load={"static_ratio": 1.0}
    )
    plant = Plant(doser, stand_in)
    plant.set_amplitude(RATED_A)
    plant.set_viscous(viscous_nms)
    plant.advance(0.1)
    at_rest, on_the_way = [], []
    for pulses in (1600, -1600):
        start_s = plant.time_s
        train = PulseTrain(start_s=start_s, pulses=abs(pulses), speed=16_000.0, acceleration=3_200_000.0)
        plant.set_pulses(train.times_s(0), forward=pulses > 0)
        while plant.time_s < train.end_s + 0.3:
            plant.advance(plant.time_s + 1e-3)
            on_the_way.append(plant.nut_m - plant.load_m)
        at_rest.append(on_the_way[-1])
    set_m = 3e-5 + 2 * 4.0 / 2e7
    assert max(on_the_way) - min(on_the_way) == pytest.approx(set_m, abs=1e-7)
    if viscous_nms > 0.01:
        assert at_rest[0] - at_rest[1] == pytest.approx(set_m, abs=1e-12)
    else:
        assert 0.8 * set_m < at_rest[0] - at_rest[1] < 0.999 * set_m
