"""The kernel's numbers: convergence, a second implementation, energy, and the compiled form against the plain one."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from stepwitness.axis import Axis
from stepwitness.errors import BadInput
from stepwitness.standin.backend import VARIABLE, backend, default_name
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import GRAVITY_M_PER_S2, Plant, inertia, longest_step_s, travel_per_rad
from stepwitness.standin.presets import preset
from stepwitness.standin.pulses import PulseTrain
from stepwitness.standin.screw import thread_torque

Change = Callable[..., StandIn]
REST_S = 0.1


def ramp(axis: Axis, *, millimetres: float, speed: float, acceleration: float) -> PulseTrain:
    """A move in millimetres that starts at REST_S."""
    per_mm = 1e-3 / float(axis.microstep_travel)
    return PulseTrain(
        start_s=REST_S,
        pulses=round(millimetres * per_mm),
        speed=speed * per_mm,
        acceleration=acceleration * per_mm,
    )


def path_of(
    axis: Axis, stand_in: StandIn, train: PulseTrain, *, sample_s: float = 1e-3, **options: Any
) -> np.ndarray[Any, Any]:
    """Rotor angle in full steps all through a move and its ringing out."""
    plant = Plant(axis, stand_in, **options)
    plant.set_amplitude(stand_in.motor.rated_current_a)
    plant.advance(REST_S)
    plant.set_pulses(train.times_s(0, 10**6), forward=True)
    rotor = []
    for time_s in np.arange(REST_S, train.end_s + 0.05, sample_s):
        plant.advance(float(time_s))
        rotor.append(plant.rotor_rad)
    return np.array(rotor) / (2 * math.pi) * axis.full_steps


@pytest.fixture(params=["doser", "plate-lift"])
def axis_and_stand_in(request: pytest.FixtureRequest, doser: Axis, plate_lift: Axis) -> tuple[Axis, StandIn]:
    return {"doser": doser, "plate-lift": plate_lift}[request.param], preset(request.param)


@pytest.mark.parametrize(("speed", "acceleration"), [(5.0, 300.0), (20.0, 500.0)])
def test_halving_the_step_changes_the_rotor_by_less_than_three_thousandths_of_a_step(
    axis_and_stand_in: tuple[Axis, StandIn], speed: float, acceleration: float
) -> None:
    axis, stand_in = axis_and_stand_in
    train = ramp(axis, millimetres=1.0, speed=speed, acceleration=acceleration)
    step_s = longest_step_s(axis, stand_in)
    coarse, fine = (path_of(axis, stand_in, train, step_s=step) for step in (step_s, step_s / 2))
    assert np.abs(coarse - fine).max() < 0.003


def test_the_error_falls_with_the_square_of_the_step(doser: Axis, ideal: StandIn) -> None:
    """A free swing, where nothing but the scheme errs; leapfrog is of second order."""
    stiff = replace(ideal, motor=replace(ideal.motor, supply_v=1e6))
    ends = {}
    for step_s in (40e-6, 20e-6, 10e-6, 0.5e-6):
        plant = Plant(doser, stiff, step_s=step_s)
        plant.set_amplitude(1.2)
        plant.set_shaft_torque(0.2)
        plant.advance(0.02)
        ends[step_s] = plant.rotor_rad
    errors = [abs(ends[step_s] - ends[0.5e-6]) for step_s in (40e-6, 20e-6, 10e-6)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.1)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.1)


# -- a second implementation -----------------------------------------------------------------------------------------


class EventExact:
    """Motor with friction and a load without, integrated by `solve_ivp` from event to event.

    Written from the same equations and nothing else: an event is a pulse, a winding that reaches its current, a rotor
    that stops, or one that breaks away.
    """

    def __init__(self, axis: Axis, stand_in: StandIn) -> None:
        motor, screw = stand_in.motor, stand_in.screw
        lead_m = float(axis.travel_per_turn)
        self.teeth, self.microsteps = axis.full_steps / 4, axis.microsteps
        self.amplitude, self.supply = motor.rated_current_a, motor.supply_v
        self.resistance, self.inductance = motor.resistance_ohm, motor.inductance_h
        self.constant = motor.holding_torque_nm / motor.rated_current_a
        self.detent, self.viscous = motor.detent_torque_nm, motor.viscous_nms
        self.sliding, self.static = screw.drag_torque_nm, screw.drag_torque_nm * screw.drag_static_ratio
        self.inertia = (
            motor.rotor_inertia_kgm2 + screw.inertia_kgm2 + stand_in.load.mass_kg * (lead_m / (2 * math.pi)) ** 2
        )
        self.y = np.array([0.0, 0.0, self.amplitude, 0.0])
        self.way = 0.0
        self.drive = [0.0, 0.0]
        self.wanted = [self.amplitude, 0.0]

    def torque(self, y: Any) -> float:
        angle = self.teeth * y[0]
        electric = self.constant * (y[3] * math.cos(angle) - y[2] * math.sin(angle))
        return float(electric - self.detent * math.sin(4 * angle))

    def slope(self, _: float, y: Any) -> list[float]:
        angle = self.teeth * y[0]
        emf = (-self.constant * y[1] * math.sin(angle), self.constant * y[1] * math.cos(angle))
        rise = [
            (drive * self.supply - self.resistance * current - voltage) / self.inductance if drive else 0.0
            for drive, current, voltage in zip(self.drive, y[2:], emf, strict=True)
        ]
        if self.way == 0.0:
            return [0.0, 0.0, *rise]
        return [
            y[1],
            (self.torque(y) - self.way * self.sliding - self.viscous * y[1]) / self.inertia,
            *rise,
        ]

    def events(self) -> Iterator[tuple[str, Callable[[float, Any], float]]]:
        for phase in (0, 1):
            if self.drive[phase]:
                yield f"current {phase}", lambda _, y, phase=phase: y[2 + phase] - self.wanted[phase]  # type: ignore[misc]
        if self.way:
            yield "stop", lambda _, y: y[1]
        else:
            yield "break away", lambda _, y: abs(self.torque(y)) - self.static

    def settle(self) -> None:
        """Choose the modes in which the next piece begins."""
        if self.way == 0.0 and abs(self.torque(self.y)) > self.static:
            self.way = math.copysign(1.0, self.torque(self.y))

    def pulse(self, index: int) -> None:
        angle = 2 * math.pi * index / (4 * self.microsteps)
        self.wanted = [self.amplitude * math.cos(angle), self.amplitude * math.sin(angle)]
        self.drive = [
            math.copysign(1.0, wanted - current) if wanted != current else 0.0
            for wanted, current in zip(self.wanted, self.y[2:], strict=True)
        ]

    def advance(self, start_s: float, end_s: float) -> None:
        now_s = start_s
        while now_s < end_s:
            self.settle()
            named = list(self.events())
            functions: list[Any] = []
            for name, function in named:
                function.terminal = True  # type: ignore[attr-defined]
                if name == "stop":
                    function.direction = -self.way  # type: ignore[attr-defined]
                functions.append(function)
            piece = solve_ivp(
                self.slope, (now_s, end_s), self.y, events=functions, rtol=1e-9, atol=1e-12, max_step=2e-5
            )
            self.y, now_s = piece.y[:, -1].copy(), float(piece.t[-1])
            for (name, _), times in zip(named, piece.t_events, strict=True):
                if times.size and name.startswith("current"):
                    phase = int(name[-1])
                    self.y[2 + phase], self.drive[phase] = self.wanted[phase], 0.0
                elif times.size and name == "stop":
                    self.y[1], self.way = 0.0, 0.0
                elif times.size:
                    self.way = math.copysign(1.0, self.torque(self.y))


def test_against_an_event_exact_second_implementation(doser: Axis, changed: Change) -> None:
    stand_in = changed(
        preset("doser"),
        motor={"detent_torque_nm": 0.015},
        screw={"friction_coefficient": 0.0, "backlash_m": 0.0},
        load={"friction_n": 0.0},
        gauge={"measuring_force_n": 0.0},
    )
    train = ramp(doser, millimetres=0.06, speed=10.0, acceleration=1000.0)
    times = [*train.times_s(0).tolist(), train.end_s + 0.003]
    exact = EventExact(doser, stand_in)
    plants = {step_s: Plant(doser, stand_in, step_s=step_s) for step_s in (longest_step_s(doser, stand_in), 2e-6)}
    for plant in plants.values():
        plant.set_amplitude(stand_in.motor.rated_current_a)
        plant.advance(REST_S)
        assert plant.rotor_rad == 0.0
        plant.set_pulses(times[:-1], forward=True)
    worst = dict.fromkeys(plants, 0.0)
    now_s, furthest = REST_S, 0.0
    for index, time_s in enumerate(times):
        exact.advance(now_s, time_s)
        exact.pulse(index + 1)
        now_s = time_s
        furthest = max(furthest, exact.y[0] / (2 * math.pi) * 200)
        for step_s, plant in plants.items():
            plant.advance(time_s)
            difference = abs(plant.rotor_rad - exact.y[0]) / (2 * math.pi) * 200
            worst[step_s] = max(worst[step_s], difference)
    assert furthest > 5.0
    default, fine = worst.values()
    assert default < 0.002
    assert fine < 0.0001


# -- energy ----------------------------------------------------------------------------------------------------------


def test_energy_of_a_move_balances_within_a_thousandth(plate_lift: Axis, changed: Change) -> None:
    """Electrical in (from the terminals: R i + L di/dt + EMF, times i) is copper, friction, damping and lift.

    Raised from rest to rest, so that nothing is stored; the force of acceleration does no net work.
    """
    stand_in = changed(preset("plate-lift"), gauge={"measuring_force_n": 0.0}, load={"static_ratio": 1.0})
    motor, screw, load = stand_in.motor, stand_in.screw, stand_in.load
    constant, teeth = motor.holding_torque_nm / motor.rated_current_a, float(plate_lift.rotor_teeth)
    plant = Plant(plate_lift, stand_in, step_s=2e-6)
    plant.set_amplitude(motor.rated_current_a)
    plant.advance(REST_S)
    train = ramp(plate_lift, millimetres=2.0, speed=20.0, acceleration=1000.0)
    plant.set_pulses(train.times_s(0, 10**6), forward=True)
    electrical = copper = rubbing = damping = 0.0
    start_rad, step_s = plant.rotor_rad, 2e-6
    before = (plant.rotor_rad, plant.speed_rad_per_s, *plant.currents_a)
    lever = thread_torque(screw, float(plate_lift.travel_per_turn))
    push_n = load.mass_kg * GRAVITY_M_PER_S2 + load.friction_n
    for index in range(round((train.end_s + 0.05 - REST_S) / step_s)):
        plant.advance(REST_S + (index + 1) * step_s)
        now = (plant.rotor_rad, plant.speed_rad_per_s, *plant.currents_a)
        rotor, speed, ia, ib = ((a + b) / 2 for a, b in zip(before, now, strict=True))
        emf = (-constant * speed * math.sin(teeth * rotor), constant * speed * math.cos(teeth * rotor))
        for phase, current in enumerate((ia, ib)):
            change = now[2 + phase] - before[2 + phase]
            electrical += (motor.resistance_ohm * current * step_s + motor.inductance_h * change) * current
            electrical += emf[phase] * current * step_s
            copper += motor.resistance_ohm * current**2 * step_s
        turned = now[0] - before[0]
        # Down again, in the ringing at the end, the load helps with what lowering leaves of it.
        resist = push_n * lever.raise_m if turned > 0 else -push_n * lever.lower_m
        rubbing += screw.drag_torque_nm * abs(turned) + resist * turned
        damping += motor.viscous_nms * speed**2 * step_s
        before = now
    assert plant.at_rest
    assert plant.rotor_rad - start_rad == pytest.approx(2 * math.pi * 2.0 / 5.0, rel=1e-2)
    lifted = load.mass_kg * GRAVITY_M_PER_S2 * (plant.rotor_rad - start_rad) * travel_per_rad(plate_lift)
    assert rubbing > lifted > 0.05
    stored = 0.5 * inertia(plate_lift, stand_in).raising * before[1] ** 2
    assert electrical - copper == pytest.approx(rubbing + damping + stored, rel=0.01)
    assert electrical == pytest.approx(copper + rubbing + damping + stored, rel=1e-3)


def test_steady_following_error_under_viscous_load(doser: Axis, ideal: StandIn) -> None:
    """First principles: at constant speed the damping torque is held by sin(Nr lag) of the holding torque."""
    stand_in = replace(ideal, motor=replace(ideal.motor, viscous_nms=0.01, supply_v=1e6))
    plant = Plant(doser, stand_in)
    plant.set_amplitude(1.2)
    interval_s = 2 * math.pi / 3200 / 10.0
    times = [0.01 + index * interval_s for index in range(10_000)]
    plant.set_pulses(times, forward=True)
    plant.advance(times[-400])
    lags = []
    for index in range(len(times) - 400, len(times) - 1):
        plant.advance(0.5 * (times[index] + times[index + 1]))
        lags.append((index + 1) * 2 * math.pi / 3200 - plant.rotor_rad)
    assert np.mean(lags) == pytest.approx(math.asin(0.01 * 10.0 / 0.40) / 50, rel=0.005)


# -- two forms of one source -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("imperfect", [False, True])
def test_compiled_and_plain_agree(axis_and_stand_in: tuple[Axis, StandIn], changed: Change, imperfect: bool) -> None:
    pytest.importorskip("numba")
    axis, stand_in = axis_and_stand_in
    if imperfect:
        stand_in = changed(
            stand_in,
            motor={"detent_torque_nm": 0.02, "saturation": 0.5, "ripple_a": 0.05, "regulator_lag_s": 1e-4},
            screw={"coupling_slack_turns": 0.002, "stribeck_m_per_s": 2e-3, "drag_wave": 0.2, "pitch_error_m": 2e-6},
            load={"stribeck_m_per_s": 2e-3, "stop_high_m": stand_in.start_m + 1.5e-3, "stop_damping_m_per_s": 0.1},
            supply={"limit_a": 0.8},
        )
    train = ramp(axis, millimetres=2.0, speed=20.0, acceleration=500.0)
    plain, compiled = (path_of(axis, stand_in, train, kernel_name=name) for name in ("plain", "compiled"))
    travel_m = np.abs(plain - compiled).max() * float(axis.step_travel)
    assert travel_m < 1e-9 * 2e-3


def test_the_kernel_can_be_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(VARIABLE, "plain")
    assert backend(default_name()).name == "plain"
    monkeypatch.setenv(VARIABLE, "quick")
    with pytest.raises(BadInput, match="names no kernel"):
        default_name()
    monkeypatch.delenv(VARIABLE)
    assert default_name() in ("plain", "compiled")


def test_the_compiled_kernel_without_numba_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "numba", None)
    backend.cache_clear()
    with pytest.raises(BadInput, match=r"\[fast\]"):
        backend("compiled")
    backend.cache_clear()


def test_a_call_for_a_time_that_has_passed_changes_nothing(doser: Axis) -> None:
    plant = Plant(doser, preset("doser"))
    plant.set_amplitude(1.2)
    plant.advance(0.1)
    before = (plant.rotor_rad, plant.load_m, plant.time_s)
    plant.advance(0.05)
    plant.advance(0.1)
    assert (plant.rotor_rad, plant.load_m, plant.time_s) == before
