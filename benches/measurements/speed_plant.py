"""How fast the stand-in's plant runs, and how exactly; one run, ratios printed.

    python benches/measurements/speed_plant.py

Prints: error against step and the scheme's order; simulated seconds per wall second in motion, for each kernel that is
installed; the same beside scipy's `solve_ivp` on the same pulses; a whole positioning cycle; a population of units;
start-up from a new process. Nothing here is a test: figures depend on the machine.
"""

from __future__ import annotations

import importlib.util
import math
import os
import subprocess
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from itertools import pairwise
from tempfile import TemporaryDirectory
from typing import Any, NamedTuple

import numpy as np

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.clock import VirtualClock
from stepwitness.standin.backend import VARIABLE, backend
from stepwitness.standin.batch import over_units
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant, longest_step_s
from stepwitness.standin.presets import preset
from stepwitness.standin.pulses import PulseTrain
from stepwitness.standin.rig import Rig

ENCODER = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
DOSER = Axis("doser", 200, 16, Fraction(2, 1000), Fraction(60, 1000), Orientation.HORIZONTAL, ENCODER)
PER_MM = 1e-3 / float(DOSER.microstep_travel)
REST_S = 0.05
SPREAD = {"screw.backlash_m": 0.2, "motor.holding_torque_nm": 0.05, "screw.drag_torque_nm": 0.1}


def kernels() -> list[str]:
    return ["plain", "compiled"] if importlib.util.find_spec("numba") else ["plain"]


def timed(action: Callable[[], Any], *, at_least_s: float = 1.0) -> tuple[float, Any]:
    """Wall seconds of the fastest of several calls, and the last result."""
    best, spent, result = math.inf, 0.0, None
    while spent <= at_least_s:
        start = time.perf_counter()
        result = action()
        took = time.perf_counter() - start
        best, spent = min(best, took), spent + took
    return best, result


def train(millimetres: float, *, speed: float = 20.0, acceleration: float = 500.0) -> PulseTrain:
    return PulseTrain(
        start_s=REST_S,
        pulses=round(millimetres * PER_MM),
        speed=speed * PER_MM,
        acceleration=acceleration * PER_MM,
    )


def move(move_of: PulseTrain, *, kernel_name: str = "", step_s: float | None = None, sample_s: float = 1e-3) -> Any:
    """Rotor in full steps through a move and 50 ms of ringing."""
    stand_in = preset("doser")
    plant = Plant(DOSER, stand_in, kernel_name=kernel_name, step_s=step_s)
    plant.set_amplitude(stand_in.motor.rated_current_a)
    plant.advance(REST_S)
    plant.set_pulses(move_of.times_s(0, 10**6), forward=True)
    rotor = []
    for sample in np.arange(REST_S, move_of.end_s + 0.05, sample_s):
        plant.advance(float(sample))
        rotor.append(plant.rotor_rad)
    return np.array(rotor) / (2 * math.pi) * DOSER.full_steps


def print_convergence() -> None:
    name, short = kernels()[-1], train(3.0)
    default_us = longest_step_s(DOSER, preset("doser")) * 1e6
    truth = move(short, kernel_name=name, step_s=0.25e-6)
    print(f"greatest rotor error through a 3 mm move at 20 mm/s, full steps (default step {default_us:.1f} us)")
    for step_us in (1, 2, 4, 8, 16, 32, default_us, 100):
        error = np.abs(move(short, kernel_name=name, step_s=step_us * 1e-6) - truth).max()
        print(f"  {step_us:6.1f} us   {error:.5f}")


def swing_error(step_s: float, truth: float | None = None) -> float:
    """A free swing without friction; where nothing but the scheme errs."""
    from dataclasses import replace

    ideal = preset("doser")
    ideal = replace(
        ideal,
        motor=replace(ideal.motor, viscous_nms=0.0, supply_v=1e6),
        screw=replace(ideal.screw, drag_torque_nm=0.0, friction_coefficient=0.0, backlash_m=0.0),
        load=replace(ideal.load, friction_n=0.0),
        gauge=replace(ideal.gauge, measuring_force_n=0.0),
    )
    plant = Plant(DOSER, ideal, step_s=step_s)
    plant.set_amplitude(1.2)
    plant.set_shaft_torque(0.2)
    plant.advance(0.02)
    return plant.rotor_rad if truth is None else abs(plant.rotor_rad - truth)


def print_order() -> None:
    truth = swing_error(0.5e-6)
    errors = [swing_error(step_s, truth) for step_s in (40e-6, 20e-6, 10e-6)]
    orders = [math.log2(coarse / fine) for coarse, fine in pairwise(errors)]
    print("order of the scheme on a free swing, 40 to 20 to 10 us: " + ", ".join(f"{o:.2f}" for o in orders))


class Equations(NamedTuple):
    """Numbers of the right-hand side below."""

    teeth: float
    constant: float
    inertia: float
    friction_nm: float
    viscous: float
    resistance: float
    inductance: float
    supply: float
    amplitude: float
    microstep_rad: float
    acceleration: float
    speed: float
    total: float


def equations(of: PulseTrain) -> Equations:
    stand_in = preset("doser")
    motor, screw = stand_in.motor, stand_in.screw
    per_rad = float(DOSER.travel_per_turn) / (2 * math.pi)
    return Equations(
        teeth=float(DOSER.rotor_teeth),
        constant=motor.holding_torque_nm / motor.rated_current_a,
        inertia=motor.rotor_inertia_kgm2 + screw.inertia_kgm2 + stand_in.load.mass_kg * per_rad**2,
        friction_nm=screw.drag_torque_nm + 0.0035,
        viscous=motor.viscous_nms,
        resistance=motor.resistance_ohm,
        inductance=motor.inductance_h,
        supply=motor.supply_v,
        amplitude=motor.rated_current_a,
        microstep_rad=math.pi / (2 * DOSER.microsteps),
        acceleration=500.0 * PER_MM,
        speed=20.0 * PER_MM,
        total=float(of.total),
    )


def slope(time_s: float, y: Any, wanted_a: float, wanted_b: float, smooth: bool, e: Equations) -> Any:
    """Right-hand side for `solve_ivp`: the smoothest form of the same equations, and so in its favour.

    The regulator is a gain of one volt per milliampere within the supply, friction a steep tanh, the load has no play.
    With `smooth` the path itself is commanded, a trapezoid from REST_S on.
    """
    angle, speed, ia, ib = e.teeth * y[0], y[1], y[2], y[3]
    s, c = math.sin(angle), math.cos(angle)
    if smooth:
        ramp_s = e.speed / e.acceleration
        run_s = max(time_s - REST_S, 0.0)
        left_s = max(e.total / e.speed + ramp_s - run_s, 0.0)
        if run_s < ramp_s:
            place = 0.5 * e.acceleration * run_s * run_s
        elif left_s < ramp_s:
            place = e.total - 0.5 * e.acceleration * left_s * left_s
        else:
            place = e.speed * (run_s - 0.5 * ramp_s)
        wanted_a = e.amplitude * math.cos(place * e.microstep_rad)
        wanted_b = e.amplitude * math.sin(place * e.microstep_rad)
    ea, eb = -e.constant * speed * s, e.constant * speed * c
    va = min(max(e.resistance * ia + ea + 1e3 * (wanted_a - ia), -e.supply), e.supply)
    vb = min(max(e.resistance * ib + eb + 1e3 * (wanted_b - ib), -e.supply), e.supply)
    torque = e.constant * (ib * c - ia * s) - e.friction_nm * math.tanh(speed / 0.01) - e.viscous * speed
    return (
        speed,
        torque / e.inertia,
        (va - e.resistance * ia - ea) / e.inductance,
        (vb - e.resistance * ib - eb) / e.inductance,
    )


def solve_ivp_move(millimetres: float, *, rtol: float, smooth: bool, compiled: bool) -> tuple[float, float]:
    """Wall seconds and end error in full steps of `solve_ivp` on a move, restarted at each pulse unless `smooth`."""
    from scipy.integrate import solve_ivp

    of = train(millimetres)
    e = equations(of)
    side: Any = slope
    if compiled:
        import numba

        side = numba.njit(slope)
        side(0.0, np.zeros(4), 0.0, 0.0, smooth, e)
    y = np.array([0.0, 0.0, e.amplitude, 0.0])
    start, now_s = time.perf_counter(), REST_S
    wanted = (e.amplitude, 0.0)
    method = "LSODA" if smooth else "RK45"
    ends = [of.end_s] if smooth else [*of.times_s(0, 10**6).tolist(), of.end_s]
    for number, end_s in enumerate(ends, start=1):
        if end_s > now_s:
            y = solve_ivp(side, (now_s, end_s), y, rtol=rtol, atol=1e-6, method=method, args=(*wanted, smooth, e)).y[
                :, -1
            ]
            now_s = end_s
        command = number * e.microstep_rad
        wanted = (e.amplitude * math.cos(command), e.amplitude * math.sin(command))
    took = time.perf_counter() - start
    ours = move(of, sample_s=of.end_s - REST_S, step_s=2e-6)[-1]
    return took, abs(float(y[0]) / (2 * math.pi) * DOSER.full_steps - float(ours))


def print_motion() -> None:
    millimetres = 10.0
    of = train(millimetres)
    simulated_s = of.end_s + 0.05 - REST_S
    print(f"a {millimetres:g} mm move at 20 mm/s, {simulated_s:.2f} s simulated")
    walls = {}
    for name in kernels():
        walls[name], _ = timed(partial(move, of, kernel_name=name, sample_s=0.01))
        print(f"  {name:9} {walls[name] * 1e3:8.2f} ms   {simulated_s / walls[name]:7.0f} simulated s per wall s")
    if len(walls) == 2:
        print(f"  compiled over plain: {walls['plain'] / walls['compiled']:.0f}")
    for smooth in (False, True):
        part_mm = 1.0 if not smooth else millimetres
        for name in kernels():
            took, error = solve_ivp_move(part_mm, rtol=1e-3, smooth=smooth, compiled=name == "compiled")
            took *= train(millimetres).total / train(part_mm).total
            label = "smoothed command" if smooth else "the same pulses"
            ratios = ", ".join(f"{took / wall:.0f} x {ours}" for ours, wall in walls.items())
            print(f"  solve_ivp, {label}, {name} side: {took:.2f} s, end error {error:.4f} full step: {ratios}")


def cycle(kernel_name: str, rest_s: float = 1.0) -> float:
    """11 targets over 60 mm, 5 runs, both directions, a gauge reading each; simulated seconds."""
    clock = VirtualClock()
    rig = Rig(DOSER, preset("doser"), clock, kernel_name=kernel_name)
    drive, counter, gauge = rig.drive(), rig.counter(), rig.gauge()
    drive.set_speed(20.0 * PER_MM)
    drive.set_acceleration(500.0 * PER_MM)
    drive.enable()
    targets = [round((-28.0 + 5.6 * index) * PER_MM) for index in range(11)]
    for _ in range(5):
        for target in [*targets, round(29.0 * PER_MM), *reversed(targets), round(-29.0 * PER_MM)]:
            drive.start_move_to(target)
            clock.sleep(0.005)
            while drive.status().moving:
                clock.sleep(0.02)
            clock.sleep(rest_s)
            counter.counts(), gauge.travel_m()
    return clock.now()


def print_cycle() -> None:
    for rest_s in (1.0, 5.0):
        print(f"an ISO 230-2 cycle: 11 targets, 5 runs, both directions, 56 mm, {rest_s:g} s of rest at each")
        for name in kernels():
            wall, simulated_s = timed(partial(cycle, name, rest_s), at_least_s=0.5)
            print(f"  {name:9} {wall:6.2f} s for {simulated_s:.0f} s: {simulated_s / wall:.0f} simulated s per wall s")


def one_move(kernel_name: str, stand_in: StandIn) -> float:
    plant = Plant(DOSER, stand_in, kernel_name=kernel_name)
    plant.set_amplitude(stand_in.motor.rated_current_a)
    plant.advance(REST_S)
    of = train(10.0)
    plant.set_pulses(of.times_s(0, 10**6), forward=True)
    plant.advance(of.end_s + 0.05)
    return plant.load_m


def print_batch() -> None:
    name = kernels()[-1]
    most = 1000 if name == "compiled" else 40
    print(f"a population of units, one 10 mm move each, {name}, one core")
    rates: dict[int, list[float]] = {10: [], most: []}
    for _ in range(3):
        for units, found in rates.items():
            # As many moves in either, so that both see the same machine.
            start = time.perf_counter()
            for _ in range(most // units):
                over_units(partial(one_move, name), preset("doser"), SPREAD, range(units))
            found.append(most // units * units / (time.perf_counter() - start))
    for units, found in rates.items():
        print(f"  {units:5} units: {max(found):6.0f} moves a second")


START_UP = """
import time; start = time.perf_counter()
from fractions import Fraction
from stepwitness.axis import Axis, Orientation
from stepwitness.standin.plant import Plant
from stepwitness.standin.presets import preset
axis = Axis("doser", 200, 16, Fraction(2, 1000), Fraction(60, 1000), Orientation.HORIZONTAL)
plant = Plant(axis, preset("doser")); plant.set_amplitude(1.2); plant.advance(1e-3)
print(time.perf_counter() - start)
"""


def print_start_up() -> None:
    print("start-up, import to first sample")
    for name in kernels():
        with TemporaryDirectory() as nothing_compiled:
            cold_s = start_up_s({VARIABLE: name, "NUMBA_CACHE_DIR": nothing_compiled})
        warm_s = min(start_up_s({VARIABLE: name}) for _ in range(3))
        print(f"  {name:9} {warm_s:.3f} s warm, {cold_s:.3f} s cold")


def start_up_s(environment: dict[str, str]) -> float:
    command = [sys.executable, "-c", START_UP]
    done = subprocess.run(command, env={**os.environ, **environment}, capture_output=True, check=True)
    return float(done.stdout)


def main() -> None:
    for name in kernels():
        backend(name)
    for part in (print_start_up, print_order, print_convergence, print_motion, print_cycle, print_batch):
        part()
        print()


if __name__ == "__main__":
    main()
