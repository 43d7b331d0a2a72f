"""Known cases of the stand-ins' physics and of the axis' arithmetic."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.installation.case import Case, Check, near, same
from stepwitness.installation.reference_data import case
from stepwitness.standin import motor, screw
from stepwitness.standin.parameters import ScrewPhysics


def _screw(_: Path) -> Iterator[Check]:
    told = case("screw-and-motor/power-screw.json")
    inputs, computed, published = told["inputs"], told["computed"], told["published"]
    physics = ScrewPhysics(
        mean_diameter_m=float(computed["mean_diameter_mm"]) / 1e3,
        friction_coefficient=inputs["f"],
        half_angle_turns=0.0,  # a square thread
    )
    lead_m = float(computed["lead_mm"]) / 1e3
    thread = screw.thread_torque(physics, lead_m)
    collar_nm = inputs["F_N"] * inputs["f_collar"] * inputs["collar_diameter_mm"] / 2e3
    raising_nm = inputs["F_N"] * thread.raise_m
    yield same("raising, thread / N·m", published["T_raise_thread_Nm"], round(raising_nm, 2))
    yield same("raising with collar / N·m", published["T_raise_Nm"], round(raising_nm + collar_nm, 2))
    yield same("lowering / N·m", published["T_lower_Nm"], round(inputs["F_N"] * thread.lower_m + collar_nm, 2))
    overall = inputs["F_N"] * lead_m / (2 * math.pi * (raising_nm + collar_nm))
    yield same("overall efficiency", published["efficiency_overall"], round(overall, 3))


def _motor(_: Path) -> Iterator[Check]:
    told = case("screw-and-motor/stepper-closed-forms.json")
    given = {key: float(value) for key, value in told["case"].items()}
    lag_rad = motor.static_lag_rad(given["T_load_Nm"], given["T_hold_Nm"], 50)
    yield near("static lag / rad", told["static_lead_angle"]["rad"], lag_rad, relative=1e-13)
    stiffness = motor.stiffness_nm_per_rad(given["T_hold_Nm"], 50, 0.0)
    yield near("stiffness / N·m/rad", told["stiffness"]["Nm_per_rad"], stiffness, relative=1e-13)
    resonance_hz = motor.resonance_hz(stiffness, given["J_total_kgm2"])
    yield near("resonance / Hz", told["resonance"]["Hz"], resonance_hz, relative=1e-12)
    current_a = motor.current_after_s(
        1e-4, voltage_v=given["V"], resistance_ohm=given["R_ohm"], inductance_h=given["L_H"]
    )
    yield near("current after 100 µs / A", told["current_rise"]["i_at_100us_A"], current_a, relative=1e-12)


def _axis(_: Path) -> Iterator[Check]:
    told = case("screw-and-motor/stepper-closed-forms.json")
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
    axis = Axis("case", 200, 16, Fraction(8, 1000), Fraction(1, 10), Orientation.HORIZONTAL, encoder)
    for figure, due, found in (
        ("full step / µm", told["travel"]["full_step_um_lead_8"], axis.step_travel),
        ("microstep / µm", told["travel"]["microstep_16_um_lead_8"], axis.microstep_travel),
        ("count / µm", told["quadrature"]["travel_per_X4_count_um_lead_8"], axis.count_travel),
    ):
        yield same(figure, float(due), float(found * 10**6))


CASES = (
    Case("power screw", "Shigley, Mechanical Engineering Design, example 8-1, published", _screw),
    Case("two-phase stepper", "closed forms of the ideal motor, first principles", _motor),
    Case("steps, microsteps and counts as travel", "closed forms, first principles", _axis),
)
