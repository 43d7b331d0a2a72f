"""A doser bench on stand-ins, described in code so that these tests need no file."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.bench.description import (
    BenchDescription,
    BrakePart,
    Envelope,
    GaugePart,
    Motor,
    Part,
    Reference,
    ReferenceMethod,
    SafeState,
)
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.presets import preset

STAND_IN = Part("stand-in")


@pytest.fixture
def doser() -> BenchDescription:
    """The doser: 200 full steps, 16 microsteps, 2 mm lead, 500 lines at X4."""
    axis = Axis(
        name="doser",
        full_steps=200,
        microsteps=16,
        travel_per_turn=Fraction(2, 1000),
        stroke=Fraction(60, 1000),
        orientation=Orientation.HORIZONTAL,
        encoder=Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
    )
    return BenchDescription(
        name="doser-rig-1",
        path="",
        text="",
        axis=axis,
        motor=Motor(1.2, 0.6, 0.4, 0.03),
        drive=STAND_IN,
        envelope=Envelope(0.001, 0.059, 0.03, 0.5, 1.5),
        safe_state=SafeState.HOLD,
        reference=Reference(ReferenceMethod.LIMIT_SWITCH, 0.0, speed_m_per_s=0.005),
        back_drives=False,
        counter=STAND_IN,
        gauge=GaugePart(STAND_IN, range_m=0.065, resolution_m=1e-7, zero_at_m=-0.0025),
        meter=None,
        inputs=STAND_IN,
        guide_friction_n=4.0,
        stand_in=preset("doser", seed=417),
    )


@pytest.fixture
def physics(doser: BenchDescription) -> StandIn:
    assert doser.stand_in is not None
    return doser.stand_in


@pytest.fixture
def changed() -> Any:
    """``dataclasses.replace``, for a description with one thing changed."""
    return replace


@pytest.fixture
def lift(doser: BenchDescription) -> BenchDescription:
    """The plate lift: vertical, its load turns the screw, so it is braked."""
    axis = Axis(
        name="plate-lift",
        full_steps=400,
        microsteps=16,
        travel_per_turn=Fraction(5, 1000),
        stroke=Fraction(120, 1000),
        orientation=Orientation.VERTICAL,
        encoder=Encoder(Fraction(1000), Decoding.X4, Mounting.MOTOR),
    )
    return replace(
        doser,
        name="lift-rig-1",
        axis=axis,
        motor=Motor(2.0, 2.0, 0.9, 0.08),
        envelope=Envelope(0.001, 0.119, 0.05, 0.5, 2.2),
        safe_state=SafeState.BRAKE,
        back_drives=True,
        gauge=GaugePart(STAND_IN, range_m=0.125, resolution_m=1e-7, zero_at_m=-0.0025),
        brake=BrakePart(STAND_IN, closing_delay_s=0.03),
        stand_in=preset("plate-lift", seed=922),
    )
