"""The stand-in drive as a CANopen node that follows IEC 61800-7-201, over `Drive` (and `ClosesLoop`).

1. The power state machine is the table of `cia402_states`. A state that isn't energised disables the drive; a fault of
   the drive leads to "fault", and its reset to "switch on disabled".
2. Set-points are edges of bit 4. A halt interrupts a move, and taking it back resumes it: the stand-in is as strict as
   the strictest drive.
3. Objects of our own: 2002h hold current in milliamperes, 2010h attempts that the loop may make, 2011h made.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from stepwitness.devices.can_objects import SIZES
from stepwitness.devices.drives.cia402_states import (
    ENERGISED,
    Command,
    Control,
    State,
    Status,
    after,
    command_of,
    status_bits,
)
from stepwitness.devices.errors import DeviceError, Refused
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop, Drive, HaltOption
from stepwitness.standin.can_protocol import Abort

PROFILE_POSITION, HOMING = 1, 6
METHODS = (35, 37)
UNWATCHED = 0xFFFF_FFFF
FOLLOWING_ERROR_CODE = 0x8611
OTHER_ERROR_CODE = 0xFF00
QUICK_STOP_STAYS = 5
"""Quick stop options from this one on leave the drive in "quick stop active"."""


@dataclass(frozen=True)
class Entry:
    """One object: its type, and what reads and writes it."""

    kind: str
    get: Callable[[], int]
    put: Callable[[int], object] | None = None


class Cia402Node:
    """Objects of the node. `rated_a` is the motor's rated current, `boots` how often the drive started anew."""

    def __init__(self, drive: Drive, *, rated_a: float, boots: Callable[[], int] = lambda: 0) -> None:
        self._drive = drive
        self._boots, self._booted = boots, boots()
        self._loop = drive if isinstance(drive, ClosesLoop) else None
        self._rated_a = rated_a
        self._state = State.SWITCH_ON_DISABLED
        self._control = 0
        self._mode = PROFILE_POSITION
        self._target = drive.position()
        self._interrupted: int | None = None
        self._acknowledged = self._homed = self._homing_failed = False
        self._values: dict[str, int] = {
            "following_window": UNWATCHED,
            "position_window": UNWATCHED,
            "quick_stop": int(HaltOption.QUICK_STOP_RAMP),
            "halt": int(HaltOption.SLOW_DOWN_RAMP),
            "fault_reaction": int(HaltOption.QUICK_STOP_RAMP),
            "homing_method": METHODS[-1],
        }
        self._entries = self._dictionary()
        self._texts: Mapping[int, Callable[[], str]] = {
            0x1008: lambda: drive.identity().model,
            0x100A: lambda: drive.identity().version or "1",
        }

    # -- objects -------------------------------------------------------------------------------------------------

    def read(self, index: int, sub: int) -> bytes:
        self._follow_the_drive()
        if index in self._texts and sub == 0:
            return self._texts[index]().encode("ascii", errors="replace")
        entry = self._entry(index, sub)
        return entry.get().to_bytes(SIZES[entry.kind], "little", signed=not entry.kind.startswith("u"))

    def write(self, index: int, sub: int, data: bytes) -> None:
        self._follow_the_drive()
        entry = self._entry(index, sub)
        if entry.put is None:
            raise Abort(Abort.READ_ONLY)
        if len(data) != SIZES[entry.kind]:
            raise Abort(Abort.WRONG_LENGTH)
        try:
            entry.put(int.from_bytes(data, "little", signed=not entry.kind.startswith("u")))
        except Refused:
            raise Abort(Abort.STATE) from None
        except (DeviceError, ValueError):
            raise Abort(Abort.OUT_OF_RANGE) from None

    def _entry(self, index: int, sub: int) -> Entry:
        if (index, sub) not in self._entries:
            raise Abort(Abort.NO_OBJECT)
        return self._entries[index, sub]

    def _dictionary(self) -> Mapping[tuple[int, int], Entry]:
        drive, kept = self._drive, self._kept
        objects: dict[tuple[int, int], Entry] = {
            (0x1000, 0): Entry("uint32", lambda: 0x0004_0192),
            (0x1001, 0): Entry("uint8", lambda: int(self._state is State.FAULT)),
            (0x1018, 1): Entry("uint32", lambda: 0),
            (0x1018, 4): Entry("uint32", self._serial),
            (0x2002, 0): Entry("uint16", lambda: 0, lambda raw: drive.set_hold_current(raw * 1e-3)),
            (0x603F, 0): Entry("uint16", self._error_code),
            (0x6040, 0): Entry("uint16", lambda: self._control, self._take_control),
            (0x6041, 0): Entry("uint16", self._statusword),
            (0x6060, 0): Entry("int8", lambda: self._mode, self._take_mode),
            (0x6061, 0): Entry("int8", lambda: self._mode),
            (0x6062, 0): Entry("int32", self._demand),
            (0x6064, 0): Entry("int32", drive.position),
            (0x606B, 0): Entry("int32", lambda: self._values.get("speed", 1) if drive.status().moving else 0),
            (0x6073, 0): Entry("uint16", lambda: 0, lambda raw: drive.set_run_current(raw * 1e-3 * self._rated_a)),
            (0x6075, 0): Entry("uint32", lambda: round(1e3 * self._rated_a)),
            (0x607A, 0): Entry("int32", lambda: self._target, self._take_target),
            (0x607C, 0): kept("int32", "home_offset"),
            (0x6081, 0): kept("uint32", "speed", lambda raw: drive.set_speed(float(raw))),
            (0x6083, 0): kept("uint32", "acceleration", lambda raw: drive.set_acceleration(float(raw))),
            (0x6084, 0): kept("uint32", "deceleration", _positive),
            (0x6098, 0): kept("int8", "homing_method", _known_method),
            (0x60FE, 1): Entry("uint32", self._outputs, self._take_outputs),
            (0x60FE, 2): kept("uint32", "outputs_mask"),
            (0x605A, 0): kept("int16", "quick_stop", self._configure),
            (0x605D, 0): kept("int16", "halt", self._configure),
            (0x605E, 0): kept("int16", "fault_reaction", self._configure),
        }
        if self._loop is not None:
            loop = self._loop
            objects |= {
                (0x6065, 0): kept("uint32", "following_window", self._configure),
                (0x6066, 0): kept("uint16", "following_timeout", self._configure),
                (0x6067, 0): kept("uint32", "position_window", self._configure),
                (0x6068, 0): kept("uint16", "position_window_time", self._configure),
                (0x60F4, 0): Entry("int32", lambda: round(loop.loop_status().following_error)),
                (0x2010, 0): kept("uint32", "attempts", self._configure),
                (0x2011, 0): Entry("uint32", lambda: loop.loop_status().attempts_made),
            }
        return objects

    def _kept(self, kind: str, name: str, use: Callable[[int], object] = lambda _: None) -> Entry:
        """An object that reads back what was written, which `use` may refuse."""

        def put(raw: int) -> None:
            before = self._values.get(name)
            self._values[name] = raw
            try:
                use(raw)
            except Exception:
                if before is None:
                    del self._values[name]
                else:
                    self._values[name] = before
                raise

        return Entry(kind, lambda: self._values.get(name, 0), put)

    # -- state -----------------------------------------------------------------------------------------------------

    def _follow_the_drive(self) -> None:
        """The drive's own transitions: to fault (13, 14), out of a quick stop (12), and a start anew."""
        status = self._drive.status()
        if self._booted != self._boots():
            self._booted = self._boots()
            self._start_anew(enabled=status.enabled)
        if self._state not in ENERGISED:
            return
        if status.fault:
            self._state = State.FAULT
            return
        stops = self._values["quick_stop"] < QUICK_STOP_STAYS and not status.moving
        if not status.enabled or (self._state is State.QUICK_STOP and stops):
            self._enter(State.SWITCH_ON_DISABLED)

    def _start_anew(self, *, enabled: bool) -> None:
        """What was commanded is forgotten."""
        self._state = State.ENABLED if enabled else State.SWITCH_ON_DISABLED
        self._control, self._mode, self._target = 0, PROFILE_POSITION, self._drive.position()
        self._interrupted = None
        self._acknowledged = self._homed = self._homing_failed = False

    def _take_control(self, word: int) -> None:
        before, command = self._control, command_of(word, self._control)
        if command is Command.FAULT_RESET:
            if self._loop is not None:
                self._loop.clear_alarm()
            if self._drive.status().fault:
                raise Refused("the cause of the fault is still there")
        state = after(self._state, command)
        if state is not self._state:
            self._enter(state)
        self._control = word
        if self._state is State.ENABLED:
            self._take_operation_bits(word, before)

    def _enter(self, state: State) -> None:
        if state is State.ENABLED:
            self._drive.enable()
        elif state is State.QUICK_STOP:
            self._drive.halt()
        elif self._drive.status().enabled:
            self._drive.disable()
        if state is not State.ENABLED:
            self._acknowledged = self._homed = False
            self._interrupted = None
        self._state = state

    def _take_operation_bits(self, word: int, before: int) -> None:
        rising, falling = word & ~before, before & ~word
        if rising & Control.HALT:
            moving = self._drive.status().moving
            self._drive.halt()
            if moving:
                self._interrupted = self._target
        if rising & Control.START:
            self._start(relative=bool(word & Control.RELATIVE), halted=bool(word & Control.HALT))
        elif falling & Control.START:
            self._acknowledged = self._homed = self._homing_failed = False
        if falling & Control.HALT and self._interrupted is not None:
            target, self._interrupted = self._interrupted, None
            self._drive.start_move_to(target)

    def _start(self, *, relative: bool, halted: bool) -> None:
        if self._mode == HOMING:
            self._home()
            return
        target = self._target + (self._demand() if relative else 0)
        if halted:
            self._interrupted = target
        else:
            self._drive.start_move_to(target)
        self._acknowledged = True

    def _home(self) -> None:
        """Methods 35 and 37: the position becomes the home offset."""
        try:
            self._drive.set_position(self._values.get("home_offset", 0))
            self._target = self._drive.position()
            self._homed = True
        except Refused:
            self._homing_failed = True

    def _take_mode(self, mode: int) -> None:
        if mode not in (PROFILE_POSITION, HOMING):
            raise ValueError(mode)
        if self._drive.status().moving:
            raise Refused("another mode while a move runs")
        self._mode = mode

    def _take_target(self, target: int) -> None:
        self._target = target

    # -- answers ---------------------------------------------------------------------------------------------------

    def _statusword(self) -> int:
        status = self._drive.status()
        word = status_bits(self._state) | Status.VOLTAGE | Status.REMOTE
        loop = self._loop.loop_status() if self._loop is not None else None
        halted = bool(self._control & Control.HALT)
        reached = not status.moving if loop is None or halted else loop.target_reached
        alarm = loop is not None and loop.alarm
        for bit, holds in (
            (Status.TARGET_REACHED, reached),
            (Status.ACKNOWLEDGED, self._homed if self._mode == HOMING else self._acknowledged),
            (Status.DEVIATION, self._homing_failed if self._mode == HOMING else alarm),
        ):
            word |= bit if holds else 0
        return int(word)

    def _demand(self) -> int:
        """What was commanded by now: a loop's drive claims what it counted."""
        if self._loop is None:
            return self._drive.position()
        return round(self._drive.position() + self._loop.loop_status().following_error)

    def _error_code(self) -> int:
        fault = self._drive.status().fault
        if not fault:
            return 0
        return FOLLOWING_ERROR_CODE if fault == "following error" else OTHER_ERROR_CODE

    def _serial(self) -> int:
        """The digits of the drive's serial number."""
        return int("".join(filter(str.isdigit, self._drive.identity().serial)) or "0") & 0xFFFF_FFFF

    # -- settings --------------------------------------------------------------------------------------------------

    def _configure(self, _: int) -> None:
        if self._loop is None:
            return
        values = self._values
        following, position = values["following_window"], values["position_window"]
        self._loop.configure_loop(
            ClosedLoopSettings(
                following_error_window=math.inf if following == UNWATCHED else float(following),
                following_error_timeout_s=values.get("following_timeout", 0) * 1e-3,
                position_window=math.inf if position == UNWATCHED else float(position),
                position_window_time_s=values.get("position_window_time", 0) * 1e-3,
                attempts=values.get("attempts", 0),
                halt_option=HaltOption(values["halt"]),
                quick_stop_option=HaltOption(min(values["quick_stop"], int(HaltOption.QUICK_STOP_RAMP))),
                fault_reaction_option=HaltOption(values["fault_reaction"]),
            )
        )

    def _outputs(self) -> int:
        return sum(1 << bit for bit, number in _output_bits() if self._drive.output(number))

    def _take_outputs(self, raw: int) -> None:
        mask = self._values.get("outputs_mask", 0)
        for bit, number in _output_bits():
            if mask >> bit & 1:
                self._drive.set_output(number, bool(raw >> bit & 1))


def _output_bits() -> list[tuple[int, int]]:
    """Bits of 60FEh and the outputs behind them."""
    return [(16 + number - 1, number) for number in range(1, 5)]


def _positive(raw: int) -> None:
    if raw <= 0:
        raise ValueError(raw)


def _known_method(raw: int) -> None:
    if raw not in METHODS:
        raise ValueError(raw)
