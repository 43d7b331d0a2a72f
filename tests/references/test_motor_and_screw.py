"""Motor, screw and counter against published and closed-form values.

`power-screw.json` holds Example 8-1 of Shigley's Mechanical Engineering Design; `stepper-closed-forms.json` first
principles, computed independently of this code (the file says which facts were also seen published).
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.installation.reference_data import REFERENCES
from stepwitness.standin import motor, screw
from stepwitness.standin.encoder import QuadratureDecoder
from stepwitness.standin.parameters import GaugePhysics, LoadPhysics, MotorPhysics, ScrewPhysics, StandIn
from stepwitness.standin.plant import Plant, inertia

_DATA = REFERENCES / "screw-and-motor"
SCREWS: dict[str, Any] = json.loads((_DATA / "power-screw.json").read_text(encoding="utf-8"))
STEPPER: dict[str, Any] = json.loads((_DATA / "stepper-closed-forms.json").read_text(encoding="utf-8"))
CASE = {key: float(value) for key, value in STEPPER["case"].items()}


def screw_of(inputs: dict[str, float], computed: dict[str, str]) -> tuple[ScrewPhysics, float]:
    physics = ScrewPhysics(
        mean_diameter_m=float(computed["mean_diameter_mm"]) / 1e3,
        friction_coefficient=inputs["f"],
        half_angle_turns=inputs.get("half_angle_deg", 0.0) / 360.0,
    )
    return physics, float(computed["lead_mm"]) / 1e3


@pytest.fixture
def axis() -> Axis:
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
    return Axis("case", 200, 16, Fraction(8, 1000), Fraction(1, 10), Orientation.HORIZONTAL, encoder)


@pytest.fixture
def stand_in() -> StandIn:
    """The motor of the reference case on a screw without friction, mass or play."""
    return StandIn(
        motor=MotorPhysics(
            holding_torque_nm=CASE["T_hold_Nm"],
            rated_current_a=CASE["I_A"],
            resistance_ohm=CASE["R_ohm"],
            inductance_h=CASE["L_H"],
            rotor_inertia_kgm2=CASE["J_total_kgm2"],
            viscous_nms=0.0,
            supply_v=CASE["V"],
        ),
        screw=ScrewPhysics(friction_coefficient=0.0, drag_torque_nm=0.0, backlash_m=0.0, inertia_kgm2=0.0),
        load=LoadPhysics(mass_kg=0.0, friction_n=0.0),
        gauge=GaugePhysics(measuring_force_n=0.0),
    )


# -- screw ---------------------------------------------------------------------------------------------------------


def test_handbook_screw_to_the_published_digits() -> None:
    inputs, published = SCREWS["inputs"], SCREWS["published"]
    physics, lead_m = screw_of(inputs, SCREWS["computed"])
    thread = screw.thread_torque(physics, lead_m)
    collar_nm = inputs["F_N"] * inputs["f_collar"] * inputs["collar_diameter_mm"] / 2e3
    raise_nm = inputs["F_N"] * thread.raise_m
    assert round(raise_nm, 2) == published["T_raise_thread_Nm"]
    assert round(raise_nm + collar_nm, 2) == published["T_raise_Nm"]
    assert round(inputs["F_N"] * thread.lower_m + collar_nm, 2) == published["T_lower_Nm"]
    overall = inputs["F_N"] * lead_m / (2 * math.pi * (raise_nm + collar_nm))
    assert round(overall, 3) == published["efficiency_overall"]


@pytest.mark.parametrize(
    ("inputs", "computed"),
    [
        pytest.param(SCREWS["inputs"], SCREWS["computed"], id="square"),
        *(
            pytest.param(SCREWS[name]["inputs"], SCREWS[name]["computed"], id=name.removeprefix("computed_case_"))
            for name in ("computed_case_trapezoidal", "computed_case_self_locking")
        ),
    ],
)
def test_screw_equation(inputs: dict[str, float], computed: dict[str, Any]) -> None:
    physics, lead_m = screw_of(inputs, computed)
    thread = screw.thread_torque(physics, lead_m)
    assert thread.raise_m * inputs["F_N"] == pytest.approx(float(computed["T_raise_thread_Nm"]), rel=1e-13)
    assert thread.lower_m * inputs["F_N"] == pytest.approx(float(computed["T_lower_thread_Nm"]), rel=1e-13)
    assert screw.efficiency(physics, lead_m) == pytest.approx(float(computed["efficiency_thread"]), rel=1e-13)
    assert thread.self_locking is computed["self_locking_thread"]


# -- motor: closed forms ------------------------------------------------------------------------------------------


def test_torque_law_of_the_plant(axis: Axis, stand_in: StandIn) -> None:
    """A rotor that is pushed out by just less than the torque at one full step stands still before it, and runs
    away when pushed by more: the peak of the curve is the holding torque."""
    damped = replace(stand_in, motor=replace(stand_in.motor, viscous_nms=0.02))
    for share, holds in ((0.999, True), (1.001, False)):
        plant = Plant(axis, damped)
        plant.set_amplitude(CASE["I_A"])
        plant.set_shaft_torque(share * CASE["T_hold_Nm"])
        plant.advance(5.0)
        steps = plant.rotor_rad / (2 * math.pi) * 200
        assert (0.9 < steps < 1.0) is holds


def test_static_lag(axis: Axis, stand_in: StandIn) -> None:
    expected = float(STEPPER["static_lead_angle"]["rad"])
    found = motor.static_lag_rad(CASE["T_load_Nm"], CASE["T_hold_Nm"], 50)
    assert found == pytest.approx(expected, rel=1e-13)
    damped = replace(stand_in, motor=replace(stand_in.motor, viscous_nms=0.02))
    plant = Plant(axis, damped)
    plant.set_amplitude(CASE["I_A"])
    plant.set_shaft_torque(CASE["T_load_Nm"])
    plant.advance(1.0)
    assert plant.rotor_rad == pytest.approx(expected, rel=1e-9)
    assert (plant.load_m - damped.start_m) * 1e6 == pytest.approx(
        float(STEPPER["static_lead_angle"]["travel_um"]), rel=1e-6
    )


def test_a_load_beyond_the_holding_torque_has_no_rest() -> None:
    with pytest.raises(ValueError, match="exceeds"):
        motor.static_lag_rad(0.46, 0.45, 50)


def zero_crossings_s(plant: Plant, *, around_rad: float, periods: int, sample_s: float) -> list[float]:
    times: list[float] = []
    last_s, last = plant.time_s, plant.rotor_rad - around_rad
    while len(times) <= periods:
        plant.advance(last_s + sample_s)
        now = plant.rotor_rad - around_rad
        if last < 0.0 <= now:
            times.append(last_s + (plant.time_s - last_s) * last / (last - now))
        last_s, last = plant.time_s, now
    return times


@pytest.mark.parametrize("loaded", [False, True])
def test_small_swing_resonance(axis: Axis, stand_in: StandIn, loaded: bool) -> None:
    block = STEPPER["resonance"]["loaded"] if loaded else STEPPER["resonance"]
    expected = float(block["Hz"])
    lag = float(STEPPER["static_lead_angle"]["rad"]) if loaded else 0.0
    stiffness = motor.stiffness_nm_per_rad(CASE["T_hold_Nm"], 50, lag)
    assert motor.resonance_hz(stiffness, CASE["J_total_kgm2"]) == pytest.approx(expected, rel=1e-12)
    if not loaded:
        assert stiffness == pytest.approx(float(STEPPER["stiffness"]["Nm_per_rad"]), rel=1e-13)

    # A swing small enough for the linear law, in a winding stiff enough to hold its current against the back-EMF.
    stiff = replace(stand_in, motor=replace(stand_in.motor, supply_v=1e6))
    plant = Plant(axis, stiff, step_s=2e-6)
    plant.set_amplitude(CASE["I_A"])
    torque = CASE["T_load_Nm"] if loaded else 0.0
    plant.set_shaft_torque(torque + 1e-4)
    plant.advance(1e-4)
    plant.set_shaft_torque(torque)
    if loaded:
        damped = replace(stiff, motor=replace(stiff.motor, viscous_nms=0.02))
        plant = Plant(axis, damped, step_s=2e-6)
        plant.set_amplitude(CASE["I_A"])
        plant.set_shaft_torque(torque)
        plant.advance(0.5)
        plant.set_viscous(0.0)
        plant.set_shaft_torque(torque + 1e-4)
        plant.advance(plant.time_s + 1e-4)
        plant.set_shaft_torque(torque)
    times = zero_crossings_s(plant, around_rad=lag, periods=20, sample_s=2e-5)
    assert (len(times) - 1) / (times[-1] - times[0]) == pytest.approx(expected, rel=1e-4)


def test_current_rise_of_the_plant(axis: Axis, stand_in: StandIn) -> None:
    block = STEPPER["current_rise"]
    windings = {"voltage_v": CASE["V"], "resistance_ohm": CASE["R_ohm"], "inductance_h": CASE["L_H"]}
    assert motor.current_after_s(1e-4, **windings) == pytest.approx(float(block["i_at_100us_A"]), rel=1e-12)
    assert motor.rise_time_s(CASE["I_A"], **windings) == pytest.approx(float(block["t_to_1.7A_s"]), rel=1e-12)
    plant = Plant(axis, stand_in)
    plant.set_amplitude(CASE["I_A"])
    plant.advance(1e-4)
    assert plant.currents_a[0] == pytest.approx(float(block["i_at_100us_A"]), rel=1e-9)
    plant.advance(float(block["t_to_1.7A_s"]) * 0.999)
    assert plant.currents_a[0] < CASE["I_A"]
    plant.advance(float(block["t_to_1.7A_s"]) * 1.001)
    assert plant.currents_a[0] == CASE["I_A"]


def test_a_supply_too_low_for_the_current_gives_what_it_can(axis: Axis, stand_in: StandIn) -> None:
    """First principles: at rest the current can't exceed V/R, and the rise never ends."""
    weak = replace(stand_in, motor=replace(stand_in.motor, supply_v=1.5))
    plant = Plant(axis, weak)
    plant.set_amplitude(CASE["I_A"])
    plant.advance(0.1)
    assert plant.currents_a[0] == pytest.approx(1.5 / CASE["R_ohm"], rel=1e-9)
    assert motor.rise_time_s(1.7, voltage_v=1.5, resistance_ohm=1.5, inductance_h=1e-3) == math.inf


def test_back_emf() -> None:
    block = STEPPER["back_emf"]
    physics = MotorPhysics(holding_torque_nm=CASE["K_e_Vs_per_rad"], rated_current_a=1.0)
    rad_per_s = 600 / 60 * 2 * math.pi
    assert motor.back_emf_v(physics, rad_per_s) == pytest.approx(float(block["at_600_rpm_V"]), rel=1e-13)
    rpm = 24 / motor.torque_constant_nm_per_a(physics) * 60 / (2 * math.pi)
    assert rpm == pytest.approx(float(block["speed_where_emf_equals_24V_rpm"]), rel=1e-12)


@pytest.mark.parametrize(("share", "follows"), [(0.9, True), (1.1, False)])
def test_speed_at_which_current_can_no_longer_follow(stand_in: StandIn, share: float, follows: bool) -> None:
    """First principles: a sine of amplitude I at w needs I sqrt(R^2 + (w L)^2) volts while the rotor stands."""
    fine = Axis("fine", 200, 256, Fraction(8, 1000), Fraction(1, 10), Orientation.HORIZONTAL)
    locked = replace(stand_in, screw=replace(stand_in.screw, drag_torque_nm=10.0))
    limit = math.sqrt((CASE["V"] / CASE["I_A"]) ** 2 - CASE["R_ohm"] ** 2) / CASE["L_H"]
    interval_s = 2 * math.pi / (share * limit) / (4 * 256)
    plant = Plant(fine, locked)
    plant.set_amplitude(CASE["I_A"])
    plant.advance(0.01)
    times = [0.01 + index * interval_s for index in range(4 * 256 * 5)]
    plant.set_pulses(times, forward=True)
    worst = 0.0
    for index in range(4 * 256 * 4, len(times)):
        # Just before the next pulse the current should have reached the table's value for the last one.
        plant.advance(times[index])
        angle = 2 * math.pi * index / (4 * 256)
        wanted = (CASE["I_A"] * math.cos(angle), CASE["I_A"] * math.sin(angle))
        worst = max(worst, *(abs(is_ - want) for is_, want in zip(plant.currents_a, wanted, strict=True)))
    assert plant.rotor_rad == 0.0
    assert (worst < 0.02 * CASE["I_A"]) is follows


def test_slip_lands_four_full_steps_away(axis: Axis, stand_in: StandIn) -> None:
    """Pushed slowly just past two full steps a rotor settles four away; just short of them, where it was."""
    slow = replace(stand_in, motor=replace(stand_in.motor, viscous_nms=0.5))
    step = 2 * math.pi / 200
    for goal, settled in ((1.9, 0), (2.1, 4)):
        plant = Plant(axis, slow)
        plant.set_amplitude(CASE["I_A"])
        plant.set_shaft_torque(1.2 * CASE["T_hold_Nm"])
        while plant.rotor_rad < goal * step:
            plant.advance(plant.time_s + 1e-4)
        plant.set_shaft_torque(0.0)
        plant.advance(plant.time_s + 2.0)
        assert plant.rotor_rad / step == pytest.approx(settled, abs=1e-6)


def test_travel_of_steps(axis: Axis) -> None:
    block = STEPPER["travel"]
    assert float(axis.step_travel * 10**6) == float(block["full_step_um_lead_8"])
    assert float(axis.microstep_travel * 10**6) == float(block["microstep_16_um_lead_8"])
    slip_mm = axis.step_travel * 4 * 1000
    assert float(slip_mm) == float(STEPPER["lost_steps"]["travel_per_slip_mm_lead_8"])
    assert float(axis.count_travel * 10**6) == float(STEPPER["quadrature"]["travel_per_X4_count_um_lead_8"])


def test_reflected_inertia(axis: Axis, stand_in: StandIn) -> None:
    block = STEPPER["reflected_inertia"]
    loaded = inertia(axis, replace(stand_in, load=replace(stand_in.load, mass_kg=float(block["m_kg"]))))
    assert loaded.raising - loaded.turning == pytest.approx(float(block["kgm2"]), rel=1e-12)
    assert loaded.lowering == pytest.approx(loaded.raising, rel=1e-12)


# -- quadrature ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("decoding", "counts"), [(Decoding.X4, 4), (Decoding.X2, 2), (Decoding.X1, 1)])
def test_quadrature_of_one_line(decoding: Decoding, counts: int) -> None:
    """Sequence AB 00 10 11 01 00."""
    decoder = QuadratureDecoder(decoding)
    for a, b in ((1, 0), (1, 1), (0, 1), (0, 0)):
        decoder.see(a, b)
    assert (decoder.counts, decoder.faults) == (counts, 0)
    per_turn = STEPPER["quadrature"]["counts_per_rev"]
    assert counts * per_turn["lines"] == per_turn[decoding.name]


@pytest.mark.parametrize(("before", "after"), [((0, 0), (1, 1)), ((1, 0), (0, 1))])
def test_an_illegal_transition_is_an_error_and_no_count(before: tuple[int, int], after: tuple[int, int]) -> None:
    decoder = QuadratureDecoder(Decoding.X4)
    if before != (0, 0):
        decoder.see(*before)
    counts = decoder.counts
    decoder.see(*after)
    assert (decoder.counts, decoder.faults) == (counts, 1)
