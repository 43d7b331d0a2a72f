"""Axes and rigs for the tests of the stand-in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.clock import VirtualClock
from stepwitness.standin.parameters import GaugePhysics, LoadPhysics, MotorPhysics, ScrewPhysics, StandIn
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig


@pytest.fixture
def doser() -> Axis:
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
    return Axis("doser", 200, 16, Fraction(2, 1000), Fraction(60, 1000), Orientation.HORIZONTAL, encoder)


@pytest.fixture
def plate_lift() -> Axis:
    encoder = Encoder(Fraction(1000), Decoding.X4, Mounting.MOTOR)
    return Axis("plate-lift", 400, 16, Fraction(5, 1000), Fraction(120, 1000), Orientation.VERTICAL, encoder)


@pytest.fixture
def ideal() -> StandIn:
    """A motor alone: nothing sticks, nothing drags, a hair of mass; the gauge doesn't touch."""
    return StandIn(
        motor=MotorPhysics(viscous_nms=0.0),
        screw=ScrewPhysics(friction_coefficient=0.0, drag_torque_nm=0.0, backlash_m=0.0, inertia_kgm2=0.0),
        load=LoadPhysics(mass_kg=0.0, friction_n=0.0),
        gauge=GaugePhysics(measuring_force_n=0.0),
    )


@dataclass
class Bench:
    """A rig with its clock, drive and counter, and moves in millimetres."""

    rig: Rig
    clock: VirtualClock
    per_mm: float

    def __post_init__(self) -> None:
        self.drive = self.rig.drive()
        self.counter = self.rig.counter()
        self.drive.set_speed(20.0 * self.per_mm)
        self.drive.set_acceleration(500.0 * self.per_mm)

    def move(self, millimetres: float, *, rest_s: float = 0.3) -> None:
        self.drive.start_move_by(round(millimetres * self.per_mm))
        self.finish(rest_s=rest_s)

    def finish(self, *, rest_s: float = 0.3) -> None:
        while self.drive.status().moving:
            self.clock.sleep(0.01)
        self.clock.sleep(rest_s)


@pytest.fixture
def bench_of() -> Callable[..., Bench]:
    def make(axis: Axis, stand_in: StandIn | None = None, **rig_options: Any) -> Bench:
        clock = VirtualClock()
        rig = Rig(axis, stand_in or preset(axis.name), clock, **rig_options)
        return Bench(rig, clock, float(Fraction(1, 1000) / axis.microstep_travel))

    return make


@pytest.fixture
def bench(doser: Axis, bench_of: Callable[..., Bench]) -> Bench:
    """The doser, energised and at rest."""
    made = bench_of(doser)
    made.drive.enable()
    made.clock.sleep(0.1)
    return made


@pytest.fixture
def starved(doser: Axis, bench_of: Callable[..., Bench]) -> Bench:
    """The doser with so little current that its friction holds it."""
    made = bench_of(doser)
    made.drive.set_run_current(0.05)
    made.drive.set_hold_current(0.05)
    made.drive.enable()
    return made


@pytest.fixture
def changed() -> Callable[..., StandIn]:
    """`changed(stand_in, screw={"backlash_m": 3e-5}, seed=2)`: a copy with fields replaced, one level down."""

    def change(stand_in: StandIn, **parts: Any) -> StandIn:
        return replace(
            stand_in,
            **{
                name: replace(getattr(stand_in, name), **value) if isinstance(value, dict) else value
                for name, value in parts.items()
            },
        )

    return change
