"""What a part on a bench can be asked, as `typing.Protocol` classes.

1. Everything is synchronous. `start_move_*` return at once; `halt` may be called while another exchange is
   under way on the same part. Positions of a drive are integers in microsteps; a counter's are integers in
   counts.
2. Other quantities are SI floats with the unit in the name.
3. A part that can't do what it is asked raises a `DeviceError`; it never answers with a number that it didn't
   read.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum, IntEnum
from typing import Protocol, runtime_checkable


class Clock(Protocol):
    """Everything that waits takes one: wall time with real parts, virtual time with stand-ins in process."""

    def now(self) -> float:
        """Seconds since an arbitrary start; never falls."""
        ...

    def sleep(self, seconds: float) -> None:
        """Return once `now` has grown by `seconds`; nothing for a negative time."""
        ...


@dataclass(frozen=True)
class Identity:
    """What a part says it is. An item that the part can't tell stays empty."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    version: str = ""

    def __str__(self) -> str:
        return " ".join(part for part in (self.maker, self.model, self.serial, self.version) if part)


@dataclass(frozen=True)
class DriveStatus:
    """State of a drive at one instant.

    `moving` is the drive's own belief: pulses are still being sent. `fault` is empty or the drive's own
    words.
    """

    enabled: bool
    moving: bool
    fault: str = ""


@runtime_checkable
class Drive(Protocol):
    """A stepper drive or a pulse generator with an output stage."""

    def identity(self) -> Identity: ...

    def enable(self) -> None:
        """Energise the windings; the position that the drive claims stays as it is."""
        ...

    def disable(self) -> None:
        """De-energise the windings; a running move ends."""
        ...

    def set_speed(self, microsteps_per_s: float) -> None: ...

    def set_acceleration(self, microsteps_per_s2: float) -> None: ...

    def set_run_current(self, current_a: float) -> None: ...

    def set_hold_current(self, current_a: float) -> None: ...

    def start_move_by(self, microsteps: int) -> None:
        """Start a move relative to where the last one ended, be it that it was halted. Refused while disabled or while
        another move runs."""
        ...

    def start_move_to(self, microsteps: int) -> None:
        """Start an absolute move in the drive's own coordinate. Refused as `start_move_by`."""
        ...

    def halt(self) -> None:
        """Decelerate to rest and stay energised. Does nothing at rest; never raises for being called twice."""
        ...

    def status(self) -> DriveStatus: ...

    def position(self) -> int:
        """The position that the drive claims, in microsteps."""
        ...

    def set_position(self, microsteps: int) -> None:
        """Make the drive claim `microsteps` from now on, without motion. Refused while a move runs."""
        ...

    def set_output(self, number: int, on: bool) -> None:
        """Switch a digital output, numbered from 1."""
        ...

    def output(self, number: int) -> bool:
        """Read a digital output back."""
        ...


class HaltOption(IntEnum):
    """Values of the option codes 605Ah, 605Dh and 605Eh that this project uses (IEC 61800-7-201, from memory)."""

    DISABLE = 0
    SLOW_DOWN_RAMP = 1
    QUICK_STOP_RAMP = 2


@dataclass(frozen=True)
class ClosedLoopSettings:
    """The part of IEC 61800-7-201 that a drive needs to watch its own position.

    Windows are in microsteps and times in seconds. `attempts` (how many times the drive may send its target
    again before it reports a fault) is in our own words; the standard has no object for it.
    """

    following_error_window: float
    following_error_timeout_s: float
    position_window: float
    position_window_time_s: float
    attempts: int = 0
    halt_option: HaltOption = HaltOption.SLOW_DOWN_RAMP
    quick_stop_option: HaltOption = HaltOption.QUICK_STOP_RAMP
    fault_reaction_option: HaltOption = HaltOption.QUICK_STOP_RAMP


@dataclass(frozen=True)
class ClosedLoopStatus:
    """What such a drive says of its loop."""

    following_error: float
    alarm: bool
    target_reached: bool
    attempts_made: int


@runtime_checkable
class ClosesLoop(Protocol):
    """Optional capability of a drive that watches an encoder of its own."""

    def configure_loop(self, settings: ClosedLoopSettings) -> None: ...

    def loop_status(self) -> ClosedLoopStatus: ...

    def clear_alarm(self) -> None:
        """Reset a following error or a fault; nothing moves. A drive may be disabled after a fault."""
        ...


@runtime_checkable
class EncoderCounter(Protocol):
    """Counts the edges of an incremental encoder."""

    def identity(self) -> Identity: ...

    def counts(self) -> int: ...

    def faults(self) -> int:
        """Transitions since power-up in which both channels changed at once, so that no direction is known."""
        ...


@runtime_checkable
class LatchesCounts(Protocol):
    """Optional capability of a counter that keeps the counts of one instant until they are read."""

    def latch(self) -> None:
        """Keep the counts as they are now. Sent twice, the later instant counts."""
        ...

    def latched_counts(self) -> int:
        """The counts at the last `latch`."""
        ...


@runtime_checkable
class Gauge(Protocol):
    """Reads where the load is, independently of motor and screw."""

    def identity(self) -> Identity: ...

    def travel_m(self) -> float:
        """Reading in metres in the gauge's own zero and sense.

        Raises
        ------
        OutOfRange : where the tip has left the gauge's range.
        """
        ...


@runtime_checkable
class Meter(Protocol):
    """Reads the current that the motor or its drive takes."""

    def identity(self) -> Identity: ...

    def current_a(self) -> float: ...


@runtime_checkable
class Supply(Protocol):
    """The drive's power supply."""

    def identity(self) -> Identity: ...

    def set_output(self, on: bool) -> None: ...

    def output(self) -> bool: ...

    def voltage_v(self) -> float: ...


@runtime_checkable
class LimitsCurrent(Protocol):
    """Optional capability of a supply."""

    def set_current_limit(self, limit_a: float) -> None:
        """The most that it gives from now on."""
        ...

    def current_limit_a(self) -> float: ...


@runtime_checkable
class Brake(Protocol):
    """A spring-applied brake on the axis. `close` returns at once; the brake holds after its closing delay."""

    def close(self) -> None: ...

    def open(self) -> None: ...

    def is_closed(self) -> bool:
        """Whether the brake is told to be closed; no proof that it holds."""
        ...


@runtime_checkable
class Drag(Protocol):
    """An adjustable friction load on the carriage (a particle brake, a clamp with a known force)."""

    def set_force(self, force_n: float) -> None: ...


class Side(Enum):
    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True)
class InputState:
    """Limit switches and stop circuit at one instant. A stop circuit that the bench lacks counts as closed."""

    limits: frozenset[Side] = field(default_factory=frozenset)
    stop_circuit_closed: bool = True


@runtime_checkable
class Inputs(Protocol):
    """Limit switches and the stop circuit's contact."""

    def read(self) -> InputState: ...
