"""A drive of IEC 61800-7-201 (CiA 402) over CANopen, in profile position mode.

1. Moves go out as absolute set-points by the handshake of new set-point and acknowledge, an edge: a word that is sent
   twice starts nothing twice. When an answer is lost, the drive is read back and what is known decides (`lost_reply`).
2. A halt is a bit that interrupts a move; taking it back resumes the move. So before it is taken back, the target is
   set to where the axis stands, and only then is there a next move.
3. The claim is set by homing on the spot (method 37 or 35) and read back, as drives disagree about its sign.
4. A fault is reset by `clear_alarm` alone, which leaves the drive disabled, as the standard has it (transition 15).
5. Positions are in microsteps here; `increments_per_microstep` turns them into the drive's own.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable

from stepwitness.devices.can_node import CanNode, open_node
from stepwitness.devices.can_objects import CanObject
from stepwitness.devices.drives.cia402_last_words import INTERFACES, Cia402Words
from stepwitness.devices.drives.cia402_objects import (
    ACCELERATION,
    CONTROLWORD,
    DECELERATION,
    ERROR_CODE,
    ERRORS,
    FAULT_REACTION_OPTION,
    FOLLOWING_ERROR,
    FOLLOWING_TIMEOUT,
    FOLLOWING_WINDOW,
    HALT_OPTION,
    HOME_OFFSET,
    HOMING_METHOD,
    MODE,
    MODE_NOW,
    OUTPUTS,
    OUTPUTS_MASK,
    POSITION,
    POSITION_DEMAND,
    POSITION_WINDOW,
    POSITION_WINDOW_TIME,
    QUICK_STOP_OPTION,
    RATED_CURRENT,
    SERIAL,
    SPEED,
    STATUSWORD,
    TARGET,
    VELOCITY_DEMAND,
    VENDOR,
)
from stepwitness.devices.drives.cia402_profile import Profile, profile_from
from stepwitness.devices.drives.cia402_states import (
    CONTROLWORDS,
    ENERGISED,
    TOWARDS_ENABLED,
    Command,
    Control,
    State,
    Status,
    state_of,
)
from stepwitness.devices.drives.lost_reply import Standing, read_back, start_or_tell
from stepwitness.devices.errors import BadReply, DeviceError, NoReply, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.interfaces import Clock, ClosedLoopSettings, ClosedLoopStatus, DriveStatus, Identity
from stepwitness.devices.part import Part
from stepwitness.devices.part_options import word_option

PROFILE_POSITION, HOMING = 1, 6
FIRST_OUTPUT_BIT = 16
MOST_OUTPUTS = 16
UNWATCHED = 0xFFFF_FFFF
"""A window of this value is off."""
CLAIM_TOLERANCE = 16
"""Microsteps by which a drive that reads an encoder may miss a claim that was just set (common practice, no source)."""
NOTHING = Control(0)
READY = Control(CONTROLWORDS[Command.ENABLE_OPERATION])


class Cia402Drive:
    """`Drive` over a node that follows IEC 61800-7-201."""

    def __init__(self, node: CanNode, profile: Profile) -> None:
        self._node, self._profile = node, profile
        self._control = NOTHING
        self._mode: int | None = None
        self._pursuing = True
        """Whether a set-point may still be under way: not after the drive was switched on anew, which drops it."""

    @property
    def log(self) -> ExchangeLog:
        """The last exchanges, oldest first; `log.texts()` for the record."""
        return self._node.log

    def close_link(self) -> None:
        self._node.close()

    def reconnect(self) -> None:
        """Open the bus anew after `LinkLost`, and read what was last commanded; nothing moves."""
        self._node.reconnect()
        self.take_over()

    @property
    def descriptor(self) -> int:
        """That of the bus, where a halt can be said on it by hand; else -1."""
        return self._node.descriptor if self._node.interface in INTERFACES else -1

    def last_words(self, name: str) -> Cia402Words:
        """What halts the drive once this process is gone; `name` can only be "halt"."""
        assert name == "halt"
        return Cia402Words(self._node.number, self._node.interface)

    def take_over(self) -> None:
        """Read the controlword that is in force: an earlier owner may have left the drive enabled or halted."""
        self._control, self._mode, self._pursuing = Control(self._node.read(CONTROLWORD)), None, True

    def identity(self) -> Identity:
        def text(index: int) -> str:
            try:
                return self._node.read_text(index)
            except Refused:  # optional objects
                return ""

        maker = f"vendor {self._node.read(VENDOR):X}h"
        return Identity(maker, text(0x1008), str(self._node.read(SERIAL)), text(0x100A))

    # -- state -------------------------------------------------------------------------------------------------

    def enable(self) -> None:
        """Walk to operation enabled.

        Raises
        ------
        Refused : in a fault; only `clear_alarm` resets one.
        """
        ends_s = self._deadline_s()
        while True:
            state = self._state()
            if state is State.ENABLED:
                return
            self._pursuing = False
            if state is State.FAULT:
                raise Refused(f"{self._node.name} is in fault: {self._fault()}")
            if state is State.SWITCHED_ON:
                self._set_mode(PROFILE_POSITION)
            command = TOWARDS_ENABLED.get(state)
            if command is not None:
                self._command(Control(CONTROLWORDS[command]), again=command is not Command.ENABLE_OPERATION)
            self._pause(ends_s, f"{state.value} instead of operation enabled")

    def disable(self) -> None:
        """Disable voltage; a running move ends."""
        self._command(Control(CONTROLWORDS[Command.DISABLE_VOLTAGE]))
        self._wait(lambda: self._state() not in ENERGISED, "still energised after 'disable voltage'")

    def status(self) -> DriveStatus:
        word = self._node.read(STATUSWORD)
        state = state_of(word)
        in_fault = state in (State.FAULT, State.FAULT_REACTION)
        return DriveStatus(
            enabled=state in ENERGISED,
            moving=state in ENERGISED and self._moving(word),
            fault=self._fault() if in_fault else "",
        )

    def _moving(self, word: int) -> bool:
        """Whether set-points still come.

        Target reached says so at once; without it the axis may also rest outside its position window, so that the
        demanded velocity is asked for, and at its zero whether the demand has come to the target.
        """
        if word & Status.TARGET_REACHED:
            return False
        if self._node.read(VELOCITY_DEMAND):
            return True
        if not self._pursuing or state_of(word) is not State.ENABLED or self._control & Control.HALT:
            return False
        return self._node.read(POSITION_DEMAND) != self._node.read(TARGET)

    def _fault(self) -> str:
        code = self._node.read(ERROR_CODE)
        return f"{ERRORS.get(code, 'error')} ({code:04X}h)"

    # -- settings ------------------------------------------------------------------------------------------------

    def set_speed(self, microsteps_per_s: float) -> None:
        self._write_positive(SPEED, microsteps_per_s, "a speed")

    def set_acceleration(self, microsteps_per_s2: float) -> None:
        self._write_positive(ACCELERATION, microsteps_per_s2, "an acceleration")
        self._write_positive(DECELERATION, microsteps_per_s2, "a deceleration")

    def set_run_current(self, current_a: float) -> None:
        self._node.write(self._has(self._profile.run_current, "run current"), current_a)

    def set_hold_current(self, current_a: float) -> None:
        self._node.write(self._has(self._profile.hold_current, "hold current"), current_a)

    def position(self) -> int:
        return self._microsteps(self._node.read(POSITION))

    def set_position(self, microsteps: int) -> None:
        """Home on the spot.

        Raises
        ------
        Refused : while a move runs, or while disabled, in which no drive homes.
        """
        status = self.status()
        if status.moving:
            raise Refused(f"{self._node.name}: a new position while a move runs")
        if not status.enabled:
            raise Refused(f"{self._node.name}: a new position while the drive is disabled; homing needs it enabled")
        try:
            self._home_here(microsteps)
        except NoReply as lost:
            self._mode = None
            found = read_back(self._standing, name=self._node.name, command=f"set position {microsteps}", lost=lost)
            if found.position != microsteps:
                raise NoReply(f"{lost}; read back: {found}") from lost

    def set_output(self, number: int, on: bool) -> None:
        bit = self._output_bit(number)
        self._node.write(OUTPUTS_MASK, self._node.read(OUTPUTS_MASK) | bit)
        others = self._node.read(OUTPUTS) & ~bit
        self._node.write(OUTPUTS, others | bit if on else others)

    def output(self, number: int) -> bool:
        return bool(self._node.read(OUTPUTS) & self._output_bit(number))

    # -- moves -------------------------------------------------------------------------------------------------

    def start_move_by(self, microsteps: int) -> None:
        """Start a move from where the drive's demand stands, as an absolute set-point.

        Raises
        ------
        Refused : while disabled or moving; where its demand changed meanwhile. NotStarted : the command was lost, the
        drive stands where it stood. NoReply : whether it started isn't known.
        """
        before, demand = self._ready_to_start()
        self._start(self._microsteps(demand) + microsteps, before, demand)

    def start_move_to(self, microsteps: int) -> None:
        """Start an absolute move; errors as for `start_move_by`."""
        self._start(microsteps, *self._ready_to_start())

    def halt(self) -> None:
        # The other bits stay as they are: with those of "enable operation" a halt could switch a drive on.
        self._control |= Control.HALT
        try:
            self._node.write(CONTROLWORD, self._control, again=False, urgent=True)
        except (NoReply, BadReply):
            self._node.write(CONTROLWORD, self._control, again=False, urgent=True)

    def _ready_to_start(self) -> tuple[Standing, int]:
        """How the drive stands, and its demand in its own units."""
        before, demand = self._standing(), self._node.read(POSITION_DEMAND)
        if not before.status.enabled:
            raise Refused(f"{self._node.name}: a move while the drive is disabled")
        if before.status.moving:
            raise Refused(f"{self._node.name}: a move while another one runs")
        self._set_mode(PROFILE_POSITION)
        self._leave_halt()
        return before, demand

    def _start(self, target: int, before: Standing, demand: int) -> None:
        start_or_tell(
            lambda: self._set_point(self._increments(target), demand=demand),
            self._standing,
            name=self._node.name,
            command=f"move to {target}",
            before=before,
            target=target,
        )

    def _set_point(self, target: int, extra: Control = NOTHING, *, demand: int) -> None:
        """The handshake: target, rising edge, acknowledge, falling edge.

        A drive that was started anew has lost its zero, so that the target would lie somewhere else: where the demand
        isn't `demand` any more, the edge isn't sent. One that starts anew after that look has lost the target too.
        """
        ready = READY | extra
        if self._control & Control.START or self._acknowledged():
            self._command(ready)
            self._wait(lambda: not self._acknowledged(), "an earlier set-point is still acknowledged")
        self._node.write(TARGET, target)
        if self._node.read(POSITION_DEMAND) != demand:
            raise Refused(f"{self._node.name}: its position changed without a move; was it started anew?")
        self._pursuing = True
        self._command(ready | Control.START | Control.AT_ONCE, again=False)
        self._wait(self._acknowledged, "the set-point isn't acknowledged")
        self._command(ready)

    def _leave_halt(self) -> None:
        """Take a halt back without resuming what it interrupted: the target becomes where the demand stands."""
        if self._control & Control.HALT:
            demand = self._node.read(POSITION_DEMAND)
            self._set_point(demand, Control.HALT, demand=demand)
            self._command(READY)

    def _home_here(self, microsteps: int) -> None:
        self._set_mode(PROFILE_POSITION)
        self._leave_halt()
        self._set_mode(HOMING)
        try:
            self._command(READY)
            self._node.write(HOMING_METHOD, self._profile.homing_method)
            self._node.write(HOME_OFFSET, self._increments(self._profile.claim_sign * microsteps))
            self._command(READY | Control.START, again=False)
            self._wait(self._homed, "homing on the spot doesn't end")
            self._command(READY)
        finally:
            self._set_mode(PROFILE_POSITION)
        self._pursuing = False
        found = self.position()
        if abs(found - microsteps) > CLAIM_TOLERANCE:
            cure = "try the other 'home_offset'" if abs(found + microsteps) <= CLAIM_TOLERANCE else "look for a limit"
            raise BadReply(f"{self._node.name}: told to claim {microsteps}, the drive claims {found}; {cure}")

    def _homed(self) -> bool:
        word = self._node.read(STATUSWORD)
        if word & Status.DEVIATION:
            raise Refused(f"{self._node.name}: homing error")
        return bool(word & Status.ACKNOWLEDGED)

    # -- small things ----------------------------------------------------------------------------------------------

    def _standing(self) -> Standing:
        return Standing(self.status(), self.position())

    def _state(self) -> State:
        return state_of(self._node.read(STATUSWORD))

    def _acknowledged(self) -> bool:
        return bool(self._node.read(STATUSWORD) & Status.ACKNOWLEDGED)

    def _command(self, word: Control, *, again: bool = True) -> None:
        """Write the controlword; by itself absolute, but for the rising edges in it."""
        self._control = word
        self._node.write(CONTROLWORD, word, again=again)

    def _set_mode(self, mode: int) -> None:
        if self._mode == mode:
            return
        self._mode = None
        self._node.write(MODE, mode)
        self._wait(lambda: self._node.read(MODE_NOW) == mode, f"the drive doesn't take up mode {mode}")
        self._mode = mode

    def _wait(self, until: Callable[[], bool], otherwise: str) -> None:
        ends_s = self._deadline_s()
        while not until():
            self._pause(ends_s, otherwise)

    def _deadline_s(self) -> float:
        return time.monotonic() + self._profile.state_timeout_s

    def _pause(self, ends_s: float, otherwise: str) -> None:
        if time.monotonic() >= ends_s:
            raise NoReply(f"{self._node.name}: {otherwise} after {self._profile.state_timeout_s:g} s")

    def _write_positive(self, item: CanObject, value: float, what: str) -> None:
        scaled = value * float(self._profile.increments_per_microstep)
        if not (math.isfinite(scaled) and scaled > 0):
            raise Refused(f"{self._node.name}: {what} of {value:g}")
        self._node.write(item, max(1, round(scaled)))

    def _microsteps(self, increments: int) -> int:
        return round(increments / self._profile.increments_per_microstep)

    def _increments(self, microsteps: int) -> int:
        return round(microsteps * self._profile.increments_per_microstep)

    def _has(self, item: CanObject | None, what: str) -> CanObject:
        if item is None:
            raise Refused(f"{self._node.name}: no object for the {what} is named")
        return item

    def _output_bit(self, number: int) -> int:
        if not 1 <= number <= MOST_OUTPUTS:
            raise Refused(f"{self._node.name}: output {number}; 60FEh has 1 to {MOST_OUTPUTS}")
        return 1 << (FIRST_OUTPUT_BIT + number - 1)


class Cia402ClosedLoopDrive(Cia402Drive):
    """The same with `ClosesLoop`: following error and position window are the drive's own."""

    def configure_loop(self, settings: ClosedLoopSettings) -> None:
        """Windows are whole position units on the wire, rounded down: never wider than they were told to be.

        They are written last: one that is in force before its attempts and its times are would end as a fault, were
        the wire slow.
        """
        node, profile = self._node, self._profile
        if profile.attempts is not None:
            node.write(profile.attempts, settings.attempts)
        elif settings.attempts:
            raise Refused(f"{node.name}: no object for attempts is named")
        node.write(FOLLOWING_TIMEOUT, settings.following_error_timeout_s)
        node.write(POSITION_WINDOW_TIME, settings.position_window_time_s)
        node.write(HALT_OPTION, int(settings.halt_option))
        node.write(QUICK_STOP_OPTION, int(settings.quick_stop_option))
        node.write(FAULT_REACTION_OPTION, int(settings.fault_reaction_option))
        for window, value in (
            (FOLLOWING_WINDOW, settings.following_error_window),
            (POSITION_WINDOW, settings.position_window),
        ):
            scaled = value * float(profile.increments_per_microstep)
            node.write(window, math.floor(scaled) if scaled < UNWATCHED else UNWATCHED)

    def loop_status(self) -> ClosedLoopStatus:
        node, profile = self._node, self._profile
        word = node.read(STATUSWORD)
        state_of(word)
        return ClosedLoopStatus(
            following_error=float(node.read(FOLLOWING_ERROR) / profile.increments_per_microstep),
            alarm=bool(word & Status.DEVIATION),
            target_reached=bool(word & Status.TARGET_REACHED) and not self._control & Control.HALT,
            attempts_made=node.read(profile.attempts_made) if profile.attempts_made is not None else 0,
        )

    def clear_alarm(self) -> None:
        """Reset a fault or a following error by the edge of the reset bit. After a fault the drive is disabled."""
        if self._state() is State.FAULT_REACTION:
            self._wait(lambda: self._state() is not State.FAULT_REACTION, "the fault reaction doesn't end")
        word = self._node.read(STATUSWORD)
        in_fault = state_of(word) is State.FAULT
        if not in_fault and not word & Status.DEVIATION:
            return
        rest = NOTHING if in_fault else self._control & ~Control.RESET
        self._command(rest)
        self._command(rest | Control.RESET, again=False)
        self._wait(self._is_clear, "the fault is still there after its reset")
        self._command(rest)

    def _is_clear(self) -> bool:
        word = self._node.read(STATUSWORD)
        return state_of(word) is not State.FAULT and not word & Status.DEVIATION


def open_drive(part: Part, clock: Clock) -> Cia402Drive:
    """The drive that `part` names; ``loop: closed`` for one that watches its own encoder."""
    options, place = part.options, part.place
    profile = profile_from(options, place)
    closed = word_option(options, "loop", "open", place, ("open", "closed")) == "closed"
    kind = Cia402ClosedLoopDrive if closed else Cia402Drive
    node = open_node(options, place, clock.now)
    try:
        node.hello(lambda: state_of(node.read(STATUSWORD)))
        drive = kind(node, profile.scaled(_rated_a(node)) if profile.permille else profile)
        drive.take_over()
    except BaseException:
        node.close()
        raise
    return drive


def _rated_a(node: CanNode) -> float:
    rated_a = node.read(RATED_CURRENT) * RATED_CURRENT.scale
    if rated_a <= 0:
        raise DeviceError(f"{node.name} tells no rated current (6075h); name the object of the current with its scale")
    return rated_a
