"""Whatever a bench is told, in whatever order, the axis stays an axis."""

from __future__ import annotations

import math
from contextlib import suppress
from fractions import Fraction
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import ClosedLoopSettings
from stepwitness.standin.motor import torque_constant_nm_per_a
from stepwitness.standin.parameters import StandIn, with_field
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

DOSER = Axis(
    "doser",
    200,
    16,
    Fraction(2, 1000),
    Fraction(60, 1000),
    Orientation.HORIZONTAL,
    Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)
LIFT = Axis(
    "plate-lift",
    400,
    16,
    Fraction(5, 1000),
    Fraction(120, 1000),
    Orientation.VERTICAL,
    Encoder(Fraction(1000), Decoding.X4, Mounting.MOTOR),
)

IMPERFECT = {
    "motor.detent_torque_nm": 0.02,
    "motor.saturation": 0.5,
    "motor.ripple_a": 0.05,
    "motor.regulator_lag_s": 1e-4,
    "motor.table_error": 0.02,
    "motor.phase_b_share": 0.97,
    "supply.limit_a": 1.0,
    "screw.coupling_slack_turns": 0.002,
    "screw.nut_stiffness_n_per_m": 5e7,
    "screw.stribeck_m_per_s": 2e-3,
    "screw.drag_wave": 0.2,
    "screw.pitch_error_m": 2e-6,
    "screw.wear": 1e-6,
    "load.stribeck_m_per_s": 2e-3,
    "load.stop_damping_m_per_s": 0.1,
    "thermal.winding_rise_k": 40.0,
    "thermal.winding_settle_s": 30.0,
    "thermal.screw_rise_k": 5.0,
}


def stand_in_of(axis: Axis, *, imperfect: bool) -> StandIn:
    made = preset(axis.name)
    for name, value in IMPERFECT.items() if imperfect else ():
        made = with_field(made, name, value)
    return made


commands = st.lists(
    st.one_of(
        st.tuples(st.just("enable")),
        st.tuples(st.just("disable")),
        st.tuples(st.just("halt")),
        st.tuples(st.just("start_move_by"), st.integers(-3000, 3000)),
        st.tuples(st.just("start_move_to"), st.integers(-3000, 3000)),
        st.tuples(st.just("set_position"), st.integers(-3000, 3000)),
        st.tuples(st.just("set_speed"), st.floats(0.0, 60_000.0)),
        st.tuples(st.just("set_acceleration"), st.floats(0.0, 3e6)),
        st.tuples(st.just("set_run_current"), st.floats(-0.1, 2.5)),
        st.tuples(st.just("set_hold_current"), st.floats(-0.1, 2.5)),
        st.tuples(st.just("push"), st.floats(-300.0, 300.0)),
        st.tuples(st.just("shaft_torque"), st.floats(-0.6, 0.6)),
        st.tuples(st.just("brake"), st.booleans()),
        st.tuples(st.just("supply"), st.booleans()),
        st.tuples(st.just("limit"), st.floats(0.0, 10.0)),
        st.tuples(st.just("drag"), st.floats(0.0, 200.0)),
        st.tuples(st.just("wait"), st.floats(0.0, 0.05)),
    ),
    max_size=25,
)


def obey(rig: Rig, clock: VirtualClock, drive: Any, command: tuple[Any, ...]) -> None:
    name, *arguments = command
    if name == "wait":
        clock.sleep(*arguments)
    elif name in ("push", "shaft_torque"):
        getattr(rig, name)(*arguments)
    elif name == "brake":
        rig.brake().close() if arguments[0] else rig.brake().open()
    elif name == "supply":
        rig.supply().set_output(*arguments)
    elif name == "limit":
        rig.supply().set_current_limit(*arguments)
    elif name == "drag":
        rig.drag().set_force(*arguments)
    else:
        with suppress(Refused):
            getattr(drive, name)(*arguments)


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
@given(told=commands, axis=st.sampled_from([DOSER, LIFT]), closed_loop=st.booleans(), imperfect=st.booleans())
def test_the_axis_stays_an_axis(told: list[tuple[Any, ...]], axis: Axis, closed_loop: bool, imperfect: bool) -> None:
    clock = VirtualClock()
    rig = Rig(axis, stand_in_of(axis, imperfect=imperfect), clock)
    drive, counter = rig.drive(closed_loop=closed_loop), rig.counter()
    if closed_loop:
        drive.configure_loop(ClosedLoopSettings(40.0, 0.005, 8.0, 0.02, attempts=2))  # type: ignore[attr-defined]
    stand_in, lines = rig.stand_in, axis.encoder.lines if axis.encoder else 0
    motor, fastest = stand_in.motor, 0.0
    for command in told:
        obey(rig, clock, drive, command)
        truth = rig.truth()
        assert all(map(math.isfinite, (truth.load_m, truth.nut_m, truth.rotor_turns, *truth.currents_a)))
        # Stops give way by what a hand and the motor can push into them.
        assert stand_in.load.stop_low_m - 2e-3 < truth.load_m < stand_in.load.stop_high_m + 2e-3
        assert abs(truth.nut_m - truth.load_m) < 2e-4
        # Turned from outside the motor is a generator, and drives its current through the output stage's diodes.
        fastest = max(fastest, abs(truth.speed_turns_per_s))
        generated_a = 2.0 * 2 * math.pi * fastest * torque_constant_nm_per_a(motor) / motor.resistance_ohm
        assert max(map(abs, truth.currents_a)) <= 2 * motor.rated_current_a + generated_a + 1e-9
        if not closed_loop:
            assert isinstance(drive.position(), int)
        turns = rig.truth().rotor_turns
        assert abs(counter.counts() - turns * 4 * float(lines)) < 4 * float(lines) * 0.05 + 1
        assert counter.faults() == 0
    clock.sleep(60.0)
    drive.status()


@settings(max_examples=15, suppress_health_check=[HealthCheck.too_slow])
@given(told=commands, imperfect=st.booleans())
def test_any_commands_twice_give_the_same_bits(told: list[tuple[Any, ...]], imperfect: bool) -> None:
    ends = []
    for _ in range(2):
        clock = VirtualClock()
        rig = Rig(DOSER, stand_in_of(DOSER, imperfect=imperfect), clock)
        drive = rig.drive()
        for command in told:
            obey(rig, clock, drive, command)
        ends.append((rig.truth(), drive.position(), clock.now()))
    assert ends[0] == ends[1]


def test_looking_changes_nothing_that_matters() -> None:
    """Looking splits the kernel's steps, and no more: the rotor agrees within a hundredth of a step."""
    ends = []
    for look_every_s in (0.5, 0.0003):
        clock = VirtualClock()
        rig = Rig(DOSER, preset("doser"), clock)
        drive = rig.drive()
        drive.set_speed(32_000.0)
        drive.enable()
        drive.start_move_by(2000)
        while clock.now() < 0.5:
            clock.sleep(look_every_s)
            rig.truth()
        ends.append(rig.truth().rotor_turns * 200)
    assert abs(ends[0] - ends[1]) < 0.01
