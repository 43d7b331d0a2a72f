"""Stand-in axes with a name. All numbers are invented for the demo, in the range of small motors and screws."""

from __future__ import annotations

from dataclasses import replace

from stepwitness.errors import BadInput, near_miss
from stepwitness.standin.parameters import (
    BrakePhysics,
    GaugePhysics,
    LoadPhysics,
    MotorPhysics,
    ScrewPhysics,
    StandIn,
)

_DOSER = StandIn(
    motor=MotorPhysics(
        holding_torque_nm=0.40,
        rated_current_a=1.2,
        resistance_ohm=2.4,
        inductance_h=2.8e-3,
        rotor_inertia_kgm2=5.7e-6,
        viscous_nms=2.0e-4,
        supply_v=36.0,
    ),
    screw=ScrewPhysics(drag_torque_nm=0.026, backlash_m=1.0e-5),
    load=LoadPhysics(mass_kg=0.8, friction_n=4.0),
)

_PLATE_LIFT = StandIn(
    motor=MotorPhysics(
        holding_torque_nm=1.1,
        rated_current_a=2.0,
        resistance_ohm=1.1,
        inductance_h=2.6e-3,
        rotor_inertia_kgm2=2.8e-5,
        viscous_nms=5.0e-4,
        supply_v=36.0,
    ),
    screw=ScrewPhysics(
        mean_diameter_m=9.0e-3,
        friction_coefficient=0.02,
        half_angle_turns=0.125,
        inertia_kgm2=1.2e-6,
        drag_torque_nm=0.010,
        backlash_m=4.0e-6,
        stiffness_n_per_m=4.0e7,
    ),
    load=LoadPhysics(mass_kg=3.0, friction_n=6.0, vertical=True, stop_low_m=-0.002, stop_high_m=0.122),
    gauge=GaugePhysics(range_m=0.125, measuring_force_n=0.8),
    brake=BrakePhysics(torque_nm=0.5, closing_delay_s=0.03),
    start_m=0.06,
    limit_high_m=0.12,
)

PRESETS = {"doser": _DOSER, "plate-lift": _PLATE_LIFT}


def preset(name: str, *, seed: int = 1) -> StandIn:
    """The stand-in called `name`, with its own `seed`.

    Raises
    ------
    BadInput : for a name that isn't known.
    """
    if name not in PRESETS:
        allowed = ", ".join(sorted(PRESETS))
        raise BadInput("an unknown preset", found=f"'{name}'", allowed=allowed, cure=near_miss(name, PRESETS))
    return replace(PRESETS[name], seed=seed)
