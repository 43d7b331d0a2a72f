"""A healthy stand-in bench as a subject of the checks."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.conformance import Subject
from stepwitness.devices.clock import VirtualClock
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

ENCODER = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
AXIS = Axis("doser", 200, 16, Fraction(1, 500), Fraction(3, 50), Orientation.HORIZONTAL, ENCODER)
START = 160
"""What the drive claims at first: a drive that forgets its position claims 0."""


@pytest.fixture
def settings() -> dict[str, Any]:
    """What a subject on the doser's stand-in is told besides its parts."""
    return {
        "reach": 1600,
        "speed": 8000.0,
        "acceleration": 80_000.0,
        "run_current_a": 1.2,
        "hold_current_a": 0.6,
        "counts_per_microstep": float(AXIS.counts_of_microsteps(1)),
        "travel_per_microstep_m": float(AXIS.microstep_travel),
        "outputs": (1, 2),
    }


@pytest.fixture
def make_subject(settings: dict[str, Any]) -> Callable[..., Subject]:
    """Makes a subject on a rig of its own; `closed_loop` asks for a drive that closes its loop."""

    def make(*, closed_loop: bool = False, **parts: Any) -> Subject:
        clock = VirtualClock()
        rig = Rig(AXIS, preset("doser"), clock)
        drive, counter = rig.drive(closed_loop=closed_loop), rig.counter()
        drive.set_position(START)
        given = {"drive": drive, "counter": counter, "gauge": rig.gauge(), "meter": rig.meter()}
        made = {name: part(given[name]) for name, part in parts.items()}
        return Subject(clock=clock, **{**given, **made}, **settings)

    return make
