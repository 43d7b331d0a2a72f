"""What is checked, and the few motions that checks share."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from stepwitness.devices.errors import DeviceError
from stepwitness.devices.interfaces import Clock, ClosesLoop, Drive, EncoderCounter, Gauge, Meter
from stepwitness.errors import BadInput

POLL_S = 0.002
SETTLING_S = 0.2
"""After a move, before a witness is read: rotor and load come to rest (common practice, no source)."""


@dataclass(frozen=True)
class Subject:
    """The part under check, and what moves or witnesses it.

    Attributes
    ----------
    clock : that the parts live on.
    drive : under check, or what moves the axis for a counter or a gauge.
    counter : under check, or the witness of the drive's moves. gauge, meter : under check.
    reach : microsteps that are free on either side of where the axis stands.
    speed, acceleration : in microsteps per second (squared), that the unloaded axis follows surely.
    run_current_a, hold_current_a : that it holds surely; None leaves the drive as it is.
    microsteps_per_step : of the drive.
    counts_per_microstep : signed; negative where counts fall while the drive's position rises.
    travel_per_microstep_m : signed, of the gauge's reading.
    play_m : clearance between motor and load, which a gauge sees and a counter on the motor doesn't.
    gauge_noise_m : spread that a gauge may show at rest.
    outputs : digital outputs that may be switched.
    reaction_s : what drive and link may take to react, on top of what physics asks for.
    """

    clock: Clock
    drive: Drive | None = None
    counter: EncoderCounter | None = None
    gauge: Gauge | None = None
    meter: Meter | None = None
    reach: int = 3200
    speed: float = 2000.0
    acceleration: float = 20_000.0
    run_current_a: float | None = None
    hold_current_a: float | None = None
    microsteps_per_step: int = 16
    counts_per_microstep: float = 1.0
    travel_per_microstep_m: float = 0.0
    play_m: float = 2.0e-5
    gauge_noise_m: float = 2.0e-6
    outputs: tuple[int, ...] = (1,)
    reaction_s: float = 0.1

    def __post_init__(self) -> None:
        if self.distance < 8 * self.microsteps_per_step:
            raise BadInput(
                "too little room for the checks",
                found=f"reach {self.reach} microsteps",
                allowed=f"{16 * self.microsteps_per_step} or more, eight full steps each way",
            )

    @property
    def distance(self) -> int:
        """Microsteps of one move: half the reach, in whole full steps."""
        return self.reach // 2 // self.microsteps_per_step * self.microsteps_per_step

    @property
    def counts_per_step(self) -> float:
        return abs(self.counts_per_microstep) * self.microsteps_per_step

    @property
    def arrival_tolerance(self) -> int:
        """Microsteps by which a claim at rest may miss its target.

        None for a drive that counts its pulses; a full step, its greatest lag, for one that reads an encoder.
        """
        return self.microsteps_per_step if isinstance(self.drive, ClosesLoop) else 0

    # -- parts that a check needs --------------------------------------------------------------------------

    def the_drive(self) -> Drive:
        return _given(self.drive, "drive")

    def the_counter(self) -> EncoderCounter:
        return _given(self.counter, "counter")

    def the_gauge(self) -> Gauge:
        return _given(self.gauge, "gauge")

    def the_meter(self) -> Meter:
        return _given(self.meter, "meter")

    # -- motion --------------------------------------------------------------------------------------------

    def travel_time_s(self, microsteps: float, *, speed: float | None = None) -> float:
        """Time of a trapezoidal (or triangular) profile over `microsteps`."""
        distance, top = abs(microsteps), speed or self.speed
        ramps = top**2 / self.acceleration
        if distance < ramps:
            return 2 * math.sqrt(distance / self.acceleration)
        return distance / top + top / self.acceleration

    def wait_for_rest(self, *, within_s: float, after: str) -> float:
        """Wait until the drive says that it rests; returns how long that took. Fails where it takes too long."""
        started_s = self.clock.now()
        while self.the_drive().status().moving:
            waited_s = self.clock.now() - started_s
            expect(
                waited_s <= within_s,
                f"{waited_s:.3g} s after {after} the drive still says that it moves; "
                f"it should rest within {within_s:.3g} s",
            )
            self.clock.sleep(POLL_S)
        return self.clock.now() - started_s

    def finish_move(self, microsteps: float) -> None:
        """Wait for the end of a move over `microsteps`, generously, and until the axis has settled."""
        self.wait_for_rest(within_s=3 * self.travel_time_s(microsteps) + 1.0, after=f"a move of {microsteps:g}")
        self.clock.sleep(SETTLING_S)

    def move_by(self, microsteps: int) -> None:
        self.the_drive().start_move_by(microsteps)
        self.finish_move(microsteps)

    def run_into_motion(self, microsteps: int, *, speed: float | None = None) -> None:
        """Start a move and return in its middle, at full speed where it reaches that."""
        self.the_drive().start_move_by(microsteps)
        self.clock.sleep(self.travel_time_s(microsteps, speed=speed) / 2)
        expect(
            self.the_drive().status().moving,
            f"half-way through a move of {microsteps} the drive says that it rests; expected: moving",
        )

    @contextlib.contextmanager
    def at_work(self) -> Iterator[Drive]:
        """The drive at rest, enabled and set up; afterwards it is halted and brought back to where it was."""
        drive = self.the_drive()
        self._make_ready(drive)
        start = drive.position()
        try:
            yield drive
        finally:
            with contextlib.suppress(DeviceError, AssertionError):  # the check's own failure is what counts
                self._come_back(drive, start)

    def _make_ready(self, drive: Drive) -> None:
        if drive.status().moving:
            drive.halt()
            self.wait_for_rest(within_s=self.speed / self.acceleration + 1.0, after="a halt")
        if self.run_current_a is not None:
            drive.set_run_current(self.run_current_a)
        if self.hold_current_a is not None:
            drive.set_hold_current(self.hold_current_a)
        drive.set_speed(self.speed)
        drive.set_acceleration(self.acceleration)
        drive.enable()
        self.clock.sleep(SETTLING_S)

    def _come_back(self, drive: Drive, start: int) -> None:
        self._make_ready(drive)
        way = start - drive.position()
        if 0 < abs(way) <= self.reach:
            drive.start_move_by(way)
            self.finish_move(way)


Check = Callable[[Subject], None]
Given = TypeVar("Given")


def expect(holds: bool, sentence: str) -> None:
    """Fail with `sentence` unless it `holds`; an assert statement would vanish under ``python -O``."""
    if not holds:
        raise AssertionError(sentence)


def _given(part: Given | None, name: str) -> Given:
    if part is None:
        raise BadInput(f"this check needs a {name}", found=f"a Subject without {name}", allowed=f"Subject({name}=...)")
    return part
