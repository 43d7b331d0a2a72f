"""Stand-in axes with a name, and where their numbers come from.

1. The axes of Tarnbrook Dosing are invented for the demo, in the range of small motors and screws.
2. A frame is a motor of a common size on a plain screw. Its numbers lie within `FRAME_RANGES`.
"""

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

_FRAME_42 = StandIn(
    motor=MotorPhysics(
        holding_torque_nm=0.42,
        rated_current_a=1.7,
        resistance_ohm=1.6,
        inductance_h=3.0e-3,
        rotor_inertia_kgm2=6.0e-6,
        detent_torque_nm=0.022,
        viscous_nms=2.0e-4,
        supply_v=24.0,
        saturation=0.4,
    ),
    screw=ScrewPhysics(drag_torque_nm=0.015),
)

_FRAME_57 = StandIn(
    motor=MotorPhysics(
        holding_torque_nm=1.2,
        rated_current_a=2.8,
        resistance_ohm=0.9,
        inductance_h=3.0e-3,
        rotor_inertia_kgm2=2.8e-5,
        detent_torque_nm=0.06,
        viscous_nms=5.0e-4,
        supply_v=36.0,
        saturation=0.4,
    ),
    screw=ScrewPhysics(mean_diameter_m=9.0e-3, inertia_kgm2=1.5e-6, drag_torque_nm=0.03, stiffness_n_per_m=4.0e7),
    load=LoadPhysics(mass_kg=3.0, friction_n=8.0),
)

FRAME_RANGES = {
    "frame-42": {
        "motor.holding_torque_nm": (0.2, 0.6),
        "motor.rated_current_a": (0.4, 2.5),
        "motor.resistance_ohm": (0.9, 30.0),
        "motor.inductance_h": (1.0e-3, 4.0e-2),
        "motor.rotor_inertia_kgm2": (3.5e-6, 1.1e-5),
    },
    "frame-57": {
        "motor.holding_torque_nm": (0.5, 3.0),
        "motor.rated_current_a": (1.0, 4.5),
        "motor.resistance_ohm": (0.3, 8.0),
        "motor.inductance_h": (0.8e-3, 2.0e-2),
        "motor.rotor_inertia_kgm2": (1.2e-5, 8.0e-5),
    },
}
"""Ranges in which two-phase hybrid motors of 42 mm and 57 mm frames with 1.8 degree steps lie; see `SOURCES`."""

DETENT_SHARE = (0.05, 0.10)
"""Detent torque over holding torque, as a public page on the terms of stepping motors has it."""

_FRAME_SOURCE = (
    "frame sizes as in NEMA ICS 16; ranges from memory of what textbooks (P. Acarnley, Stepping Motors; A. Hughes and "
    "B. Drury, Electric Motors and Drives) and open catalogues give for such motors; a plain trapezoidal screw"
)

SOURCES = {
    "doser": "invented for the demo",
    "plate-lift": "invented for the demo",
    "frame-42": _FRAME_SOURCE,
    "frame-57": _FRAME_SOURCE,
}
"""Where the numbers of each preset come from."""

PRESETS = {"doser": _DOSER, "plate-lift": _PLATE_LIFT, "frame-42": _FRAME_42, "frame-57": _FRAME_57}


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
