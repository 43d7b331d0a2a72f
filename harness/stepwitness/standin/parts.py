"""The parts of a stand-in bench, as a procedure sees them: each method is one exchange with the rig.

Nothing is decided here; the rig knows the time, the generator knows the moves, the plant knows the truth.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import (
    ClosedLoopSettings,
    ClosedLoopStatus,
    DriveStatus,
    Identity,
    InputState,
    Side,
)

if TYPE_CHECKING:
    from stepwitness.standin.encoder import QuadratureDecoder
    from stepwitness.standin.instruments import GaugeReading, MeterReading, SupplyReading
    from stepwitness.standin.loop import PositionLoop
    from stepwitness.standin.rig import Rig


class Drive:
    """Open loop: claims the pulses that it sent."""

    def __init__(self, rig: Rig) -> None:
        self._rig, self._generator = rig, rig.generator
        self.boots = 0
        """How often it started anew."""

    def identity(self) -> Identity:
        return _identity(self._rig, "drive")

    def reboot(self, *, enabled: bool = False) -> None:
        """Start anew, as after a gap in the supply: its move ends, its position is 0; a fault and the windows of its
        loop are forgotten. `enabled` as one that switches itself on.
        """
        self.boots += 1
        self._rig.exchange(lambda now_s: self._start_anew(now_s, enabled=enabled))

    def _start_anew(self, now_s: float, *, enabled: bool) -> None:
        self._generator.disable(now_s)
        self._generator.set_claim(0, now_s)
        self._generator.fault = ""
        if enabled:
            self._generator.enable()

    def enable(self) -> None:
        self._rig.exchange(lambda _: self._generator.enable())

    def disable(self) -> None:
        self._rig.exchange(self._generator.disable)

    def set_speed(self, microsteps_per_s: float) -> None:
        self._rig.exchange(lambda now_s: self._generator.set_speed(microsteps_per_s, now_s))

    def set_acceleration(self, microsteps_per_s2: float) -> None:
        self._rig.exchange(lambda now_s: self._generator.set_acceleration(microsteps_per_s2, now_s))

    def set_run_current(self, current_a: float) -> None:
        self._rig.exchange(lambda _: self._generator.set_run_current(current_a))

    def set_hold_current(self, current_a: float) -> None:
        self._rig.exchange(lambda _: self._generator.set_hold_current(current_a))

    def start_move_by(self, microsteps: int) -> None:
        self._rig.exchange(lambda now_s: self._generator.start_by(microsteps, now_s))

    def start_move_to(self, microsteps: int) -> None:
        self._rig.exchange(lambda now_s: self._generator.start_to(microsteps, now_s))

    def halt(self) -> None:
        self._rig.exchange(self._generator.halt)

    def status(self) -> DriveStatus:
        return self._rig.ask_generator(self._generator.status)

    def position(self) -> int:
        return self._rig.ask_generator(self._generator.claim_at)

    def set_position(self, microsteps: int) -> None:
        self._rig.exchange(lambda now_s: self._generator.set_claim(microsteps, now_s))

    def set_output(self, number: int, on: bool) -> None:
        self._rig.exchange(lambda _: self._generator.set_output(number, on))

    def output(self, number: int) -> bool:
        return self._rig.ask_generator(lambda _: self._generator.output(number))


class ClosedLoopDrive(Drive):
    """Claims the position that its own encoder counted, and corrects what the encoder shows it.

    Until `configure_loop` it watches nothing; windows without bound switch the watching off again.
    """

    def __init__(self, rig: Rig, loop: PositionLoop) -> None:
        super().__init__(rig)
        self._loop = loop

    def _start_anew(self, now_s: float, *, enabled: bool) -> None:
        self._loop.disable(now_s)
        self._loop.forget()
        self._loop.set_position(0, now_s)
        if enabled:
            self._loop.enable(now_s)

    def enable(self) -> None:
        self._rig.exchange(self._loop.enable)

    def disable(self) -> None:
        self._rig.exchange(self._loop.disable)

    def start_move_by(self, microsteps: int) -> None:
        self._rig.exchange(lambda now_s: self._loop.start_by(microsteps, now_s))

    def start_move_to(self, microsteps: int) -> None:
        self._rig.exchange(lambda now_s: self._loop.start_to(microsteps, now_s))

    def halt(self) -> None:
        self._rig.exchange(self._loop.halt)

    def status(self) -> DriveStatus:
        def tell(now_s: float) -> DriveStatus:
            return replace(self._generator.status(now_s), moving=self._loop.moving(now_s))

        return self._rig.look(tell)

    def position(self) -> int:
        return self._rig.look(lambda _: round(self._loop.position))

    def set_position(self, microsteps: int) -> None:
        self._rig.exchange(lambda now_s: self._loop.set_position(microsteps, now_s))

    def configure_loop(self, settings: ClosedLoopSettings) -> None:
        self._rig.exchange(lambda _: self._loop.configure(settings))

    def loop_status(self) -> ClosedLoopStatus:
        return self._rig.look(self._loop.status)

    def clear_alarm(self) -> None:
        self._rig.exchange(self._loop.clear_alarm)


class Counter:
    """Counts of the axis' encoder since the rig was asked for it."""

    def __init__(self, rig: Rig, decoder: QuadratureDecoder) -> None:
        self._rig, self._decoder = rig, decoder

    def identity(self) -> Identity:
        return _identity(self._rig, "counter")

    def counts(self) -> int:
        return self._rig.look(self._counts)

    def faults(self) -> int:
        return self._rig.look(lambda _: self._decoder.faults)

    def index_counts(self) -> int | None:
        """Counts at the encoder's last index pulse; None before the first."""
        return self._rig.look(lambda _: self._decoder.index_counts)

    def _counts(self, _: float) -> int:
        return self._decoder.counts


class Gauge:
    def __init__(self, rig: Rig, reading: GaugeReading) -> None:
        self._rig, self._reading = rig, reading

    def identity(self) -> Identity:
        return _identity(self._rig, "gauge")

    def travel_m(self) -> float:
        return self._rig.look(self._reading.read)


class Meter:
    def __init__(self, rig: Rig, reading: MeterReading) -> None:
        self._rig, self._reading = rig, reading

    def identity(self) -> Identity:
        return _identity(self._rig, "meter")

    def current_a(self) -> float:
        return self._rig.look(lambda _: self._reading.read(self._rig.plant.currents_a))


MOST_LIMIT_A = 10.0
"""To which a stand-in supply's current limit can be set; what it is at power-up."""


class Supply:
    """Feeds the output stage alone: without it the drive still counts, and the windings have no current.

    Its current limit acts in the plant from when it is set: what the windings take beyond it pulls the voltage down.
    """

    def __init__(self, rig: Rig, reading: SupplyReading) -> None:
        self._rig, self._reading = rig, reading
        self._limit_a = MOST_LIMIT_A

    def identity(self) -> Identity:
        return _identity(self._rig, "supply")

    def set_output(self, on: bool) -> None:
        def switch(_: float) -> None:
            self._rig.supply_on = on

        self._rig.exchange(switch)

    def output(self) -> bool:
        return self._rig.look(lambda _: self._rig.supply_on)

    def set_current_limit(self, limit_a: float) -> None:
        if not 0.0 <= limit_a <= MOST_LIMIT_A:
            raise Refused(f"a current limit of {limit_a:g} A")

        def limit(_: float) -> None:
            self._limit_a = limit_a
            self._rig.plant.set_supply_limit(limit_a)

        self._rig.exchange(limit)

    def current_limit_a(self) -> float:
        return self._rig.look(lambda _: self._limit_a)

    def voltage_v(self) -> float:
        def read(_: float) -> float:
            return self._reading.read(self._rig.plant.supply_v) if self._rig.supply_on else 0.0

        return self._rig.look(read)


class Brake:
    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def close(self) -> None:
        self._rig.exchange(lambda now_s: self._rig.set_brake(True, now_s))

    def open(self) -> None:
        self._rig.exchange(lambda now_s: self._rig.set_brake(False, now_s))

    def is_closed(self) -> bool:
        return self._rig.look(lambda _: self._rig.brake_told)


class Drag:
    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def set_force(self, force_n: float) -> None:
        if not (force_n >= 0.0 and math.isfinite(force_n)):
            raise Refused(f"a drag of {force_n:g} N")
        self._rig.exchange(lambda _: self._rig.plant.set_guide_drag(force_n))


class Inputs:
    """The low limit trips where the load stands at or below `limit_low_m`, the high one at or above `limit_high_m`."""

    def __init__(self, rig: Rig) -> None:
        self._rig = rig

    def read(self) -> InputState:
        def look(_: float) -> InputState:
            rig, limits = self._rig, set()
            if rig.plant.load_m <= rig.stand_in.limit_low_m:
                limits.add(Side.LOW)
            if rig.plant.load_m >= rig.stand_in.limit_high_m:
                limits.add(Side.HIGH)
            return InputState(frozenset(limits), rig.stop_circuit_closed)

        return self._rig.look(look)


def _identity(rig: Rig, part: str) -> Identity:
    def tell(_: float) -> Identity:
        return Identity(maker="stepwitness", model=f"stand-in {part}", serial=f"seed {rig.stand_in.seed}")

    return rig.look(tell)
