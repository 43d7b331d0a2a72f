"""What a stand-in's numbers must be to be an axis at all. A defect is allowed; a contradiction isn't."""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass
from typing import Any

from stepwitness.axis import Axis
from stepwitness.errors import BadInput, Place
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import inertia
from stepwitness.standin.screw import thread_torque

_POSITIVE = {
    "motor": ("holding_torque_nm", "rated_current_a", "resistance_ohm", "inductance_h", "supply_v"),
    "screw": ("mean_diameter_m", "stiffness_n_per_m"),
    "load": ("stop_stiffness_n_per_m", "pitch_period_m"),
    "gauge": ("range_m", "drift_settle_s"),
    "supply": ("hold_up_s",),
    "thermal": ("winding_settle_s", "screw_settle_s"),
}
"""Fields that must exceed 0; every other number is only kept from being negative where `_SIGNED` doesn't list it."""

_SIGNED = {
    "start_m",
    "limit_low_m",
    "limit_high_m",
    "stop_low_m",
    "stop_high_m",
    "sticky_from_m",
    "sticky_to_m",
    "zero_at_m",
    "scale_error",
    "lead_error",
    "table_error",
    "phase_error",
    "duty_error",
    "tilt_turns",
    "pitch_turns",
    "index_turns",
    "abbe_offset_m",
    "drift_m",
    "fixed_at_m",
    "rise_k",
    "from_s",
    "to_s",
    "force_n",
}

_SHARES = {"missed_edge", "doubled_edge", "phase", "drag_wave", "motor_share"}
"""Fields that lie between 0 and 1."""


WIDEST_EDGE_SHIFT = 0.1
"""In lines: with shifts up to this no two edges of one line change places."""


def check(axis: Axis, stand_in: StandIn) -> None:
    """Raise `BadInput` for the first number of `stand_in` that no axis could have.

    Its place is the field's dotted name below ``stand_in``, items of a list counted from 1.
    """
    _check_numbers(stand_in, "stand_in")
    for section, names in _POSITIVE.items():
        for name in names:
            value = getattr(getattr(stand_in, section), name)
            if value <= 0.0:
                raise _wrong(f"stand_in.{section}.{name}", value, "more than 0")
    for name in ("static_ratio", "drag_static_ratio"):
        holder = stand_in.load if name == "static_ratio" else stand_in.screw
        if getattr(holder, name) < 1.0:
            section = "load" if holder is stand_in.load else "screw"
            raise _wrong(
                f"stand_in.{section}.{name}", getattr(holder, name), "1 or more: friction at rest is never less"
            )
    if stand_in.encoder.missed_edge + stand_in.encoder.doubled_edge > 1.0:
        both = stand_in.encoder.missed_edge + stand_in.encoder.doubled_edge
        raise _wrong("stand_in.encoder.missed_edge", both, "together with doubled_edge at most 1")
    for name in ("phase_error", "duty_error"):
        value = getattr(stand_in.encoder, name)
        if abs(value) > WIDEST_EDGE_SHIFT:
            raise _wrong(f"stand_in.encoder.{name}", value, f"at most {WIDEST_EDGE_SHIFT:g} of a line either way")
    if stand_in.encoder.decoding not in (0, 1, 2, 4):
        raise _wrong("stand_in.encoder.decoding", stand_in.encoder.decoding, "1, 2, 4, or 0 for the bench's own")
    if stand_in.load.stop_low_m >= stand_in.load.stop_high_m:
        raise _wrong("stand_in.load.stop_low_m", stand_in.load.stop_low_m, "less than stop_high_m")
    try:
        thread_torque(stand_in.screw, float(axis.travel_per_turn))
    except ValueError as err:
        friction = stand_in.screw.friction_coefficient
        raise _wrong("stand_in.screw.friction_coefficient", friction, "a screw that can be turned", str(err)) from None
    if min(inertia(axis, stand_in).turning, inertia(axis, stand_in).lowering) <= 0.0:
        inertia_kgm2 = stand_in.motor.rotor_inertia_kgm2
        raise _wrong("stand_in.motor.rotor_inertia_kgm2", inertia_kgm2, "an inertia for what the screw carries")


def _check_numbers(value: Any, key: str) -> None:
    if is_dataclass(value):
        for item in fields(value):
            _check_numbers(getattr(value, item.name), f"{key}.{item.name}")
    elif isinstance(value, tuple):
        for index, item in enumerate(value, start=1):
            _check_numbers(item, f"{key}.{index}")
    elif not isinstance(value, bool):
        name = key.rsplit(".", 1)[-1]
        if not math.isfinite(value):
            raise _wrong(key, value, "a finite number")
        if name in _SHARES and not 0.0 <= value <= 1.0:
            raise _wrong(key, value, "0 to 1")
        if value < 0.0 and name not in _SIGNED:
            raise _wrong(key, value, "0 or more")


def _wrong(key: str, found: float, allowed: str, why: str = "") -> BadInput:
    return BadInput("no axis could have this", place=Place(key=key), found=f"{found:g}", allowed=allowed, cure=why)
