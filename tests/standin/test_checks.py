"""Numbers that no axis could have are told by their key; defects aren't."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from stepwitness.axis import Axis
from stepwitness.devices.clock import VirtualClock
from stepwitness.errors import BadInput
from stepwitness.standin.checks import check
from stepwitness.standin.parameters import Hand, StandIn
from stepwitness.standin.presets import PRESETS, preset
from stepwitness.standin.rig import Rig

Change = Callable[..., StandIn]


@pytest.mark.parametrize(
    ("wrong", "key"),
    [
        ({"motor": {"inductance_h": 0.0}}, "stand_in.motor.inductance_h"),
        ({"motor": {"resistance_ohm": -1.0}}, "stand_in.motor.resistance_ohm"),
        ({"motor": {"rotor_inertia_kgm2": float("nan")}}, "stand_in.motor.rotor_inertia_kgm2"),
        ({"motor": {"rotor_inertia_kgm2": 0.0}, "screw": {"inertia_kgm2": 0.0}}, "rotor_inertia"),
        ({"screw": {"friction_coefficient": 12.0}}, "stand_in.screw.friction_coefficient"),
        ({"screw": {"drag_static_ratio": 0.5}}, "drag_static_ratio"),
        ({"load": {"static_ratio": 0.9}}, "static_ratio"),
        ({"load": {"stop_low_m": 0.1}}, "stop_low_m"),
        ({"load": {"friction_n": -4.0}}, "stand_in.load.friction_n"),
        ({"encoder": {"missed_edge": 1.5}}, "stand_in.encoder.missed_edge"),
        ({"encoder": {"missed_edge": 0.6, "doubled_edge": 0.6}}, "missed_edge"),
        ({"encoder": {"decoding": 3}}, "stand_in.encoder.decoding"),
        ({"encoder": {"phase_error": 0.2}}, "stand_in.encoder.phase_error"),
        ({"screw": {"drag_wave": 1.5}}, "stand_in.screw.drag_wave"),
        ({"exchange_s": float("inf")}, "stand_in.exchange_s"),
        ({"hands": (Hand(0.0, float("inf"), 1.0),)}, "stand_in.hands.1.to_s"),
    ],
)
def test_contradictions_are_told(doser: Axis, changed: Change, wrong: dict[str, Any], key: str) -> None:
    with pytest.raises(BadInput, match=key):
        Rig(doser, changed(preset("doser"), **wrong), VirtualClock())


@pytest.mark.parametrize(
    "defect",
    [
        {"screw": {"backlash_m": 1e-3, "lead_error": -0.01}},
        {"motor": {"current_scale": 0.0}},
        {"gauge": {"scale_error": -0.02, "zero_at_m": 0.05}},
        {"encoder": {"missed_edge": 1.0}},
        {"load": {"stop_high_m": 0.035}},
        {"hands": (Hand(1.0, 2.0, -5.0),)},
    ],
)
def test_defects_are_no_contradictions(doser: Axis, changed: Change, defect: dict[str, Any]) -> None:
    check(doser, changed(preset("doser"), **defect))


@pytest.mark.parametrize("name", sorted(PRESETS))
def test_presets_are_axes(doser: Axis, plate_lift: Axis, name: str) -> None:
    check(plate_lift if name == "plate-lift" else doser, preset(name))
