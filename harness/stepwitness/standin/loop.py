"""The loop that a closed-loop drive puts around its pulse generator, in the terms of IEC 61800-7-201.

1. While a move runs the following error (pulses sent less position counted) is watched; at rest the position error
   (target less position counted). Either one, outside its window for its time, starts a correction.
2. A correction stops, lets the rotor come to rest, sets the generator's position to the counted one and sends the same
   target again; never a relative move. After so many corrections in a row without success the drive reports a fault.
3. An alarm stays until it is cleared. After a fault, or when the windings get current again, the target is where the
   axis stands, so that nothing moves by itself.
"""

from __future__ import annotations

import math
from enum import Enum, auto

from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosedLoopStatus, HaltOption
from stepwitness.standin.drive import PulseGenerator
from stepwitness.standin.encoder import QuadratureDecoder

LOOP_S = 0.001
"""How often the loop looks."""

SETTLE_S = 0.02
"""What a rotor is given to come to rest before its position is believed."""

QUICK_STOP_RATIO = 4.0
"""Deceleration of a quick stop over the set acceleration."""


class _Phase(Enum):
    WATCHING = auto()
    STOPPING = auto()
    SETTLING = auto()


class PositionLoop:
    """Watches one encoder and corrects through the generator. Positions in microsteps."""

    def __init__(self, generator: PulseGenerator, decoder: QuadratureDecoder, *, microsteps_per_count: float) -> None:
        self._generator, self._decoder, self._per_count = generator, decoder, microsteps_per_count
        self._settings: ClosedLoopSettings | None = None
        self._offset = generator.claim - decoder.counts * microsteps_per_count
        self._target = generator.claim
        self._phase = _Phase.WATCHING
        self._phase_since_s = 0.0
        self._halted = False
        self._alarm = False
        self._attempts_made = 0
        self._in_a_row = 0
        self._reached = True
        self._outside_since_s = self._inside_since_s = math.inf

    # -- commands ------------------------------------------------------------------------------------------------

    def configure(self, settings: ClosedLoopSettings) -> None:
        if settings.attempts < 0 or min(settings.following_error_window, settings.position_window) < 0.0:
            raise Refused("a negative window or number of attempts")
        self._settings = settings
        self._forget_times()

    def enable(self, now_s: float) -> None:
        if not self._generator.enabled:
            self._generator.enable()
            self._stay_here(now_s)

    def disable(self, now_s: float) -> None:
        self._generator.disable(now_s)
        self._phase = _Phase.WATCHING
        self._forget_times()

    def start_by(self, microsteps: int, now_s: float) -> None:
        if self._halted and not self.moving(now_s):
            self._target, self._halted = self._generator.claim, False
        self.start_to(self._target + microsteps, now_s)

    def start_to(self, microsteps: int, now_s: float) -> None:
        if self.moving(now_s):
            raise Refused("a move while another one runs")
        if self._generator.fault:
            raise Refused(f"the drive is in fault: {self._generator.fault}")
        self._generator.start_to(microsteps, now_s)
        self._target = microsteps
        self._halted = self._reached = False
        self._attempts_made = self._in_a_row = 0
        self._forget_times()

    def halt(self, now_s: float) -> None:
        if not self.moving(now_s):
            return
        option = self._settings.halt_option if self._settings else HaltOption.SLOW_DOWN_RAMP
        self._phase, self._halted = _Phase.WATCHING, True
        self._stop(option, now_s)

    def set_position(self, microsteps: int, now_s: float) -> None:
        if self.moving(now_s):
            raise Refused("a new position while a move runs")
        self._generator.set_claim(microsteps, now_s)
        self._target = microsteps
        self._offset = microsteps - self._decoder.counts * self._per_count

    def clear_alarm(self, now_s: float) -> None:
        self._forget_alarm()
        if not self.moving(now_s):
            self._stay_here(now_s)

    def forget(self) -> None:
        """Windows, alarms and faults, as a drive that starts anew has none."""
        self._settings = None
        self._forget_alarm()
        self._halted, self._reached = False, True

    # -- answers -------------------------------------------------------------------------------------------------

    @property
    def position(self) -> float:
        """Counted."""
        return self._offset + self._decoder.counts * self._per_count

    def moving(self, now_s: float) -> bool:
        return self._generator.moving(now_s) or self._phase is not _Phase.WATCHING

    def status(self, now_s: float) -> ClosedLoopStatus:
        return ClosedLoopStatus(
            following_error=self._generator.claim - self.position,
            alarm=self._alarm,
            target_reached=self._reached and not self.moving(now_s),
            attempts_made=self._attempts_made,
        )

    @property
    def content(self) -> bool:
        """Whether nothing is left for the loop to do as long as the rotor stays where it is."""
        return not self._watches or (self._phase is _Phase.WATCHING and self._reached)

    @property
    def _watches(self) -> bool:
        return self._settings is not None and self._generator.enabled and not self._generator.fault

    # -- time ----------------------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> None:
        """Look once. Call every `LOOP_S` while the loop isn't content or the rotor isn't at rest."""
        if not self._watches:
            return
        assert self._settings is not None
        if self._phase is _Phase.STOPPING:
            if not self._generator.moving(now_s):
                self._enter(_Phase.SETTLING, now_s)
        elif self._phase is _Phase.SETTLING:
            if now_s - self._phase_since_s >= SETTLE_S:
                self._send_again(self._settings, now_s)
        elif self._generator.moving(now_s):
            self._watch_move(self._settings, now_s)
        else:
            self._watch_rest(self._settings, now_s)

    def _watch_move(self, settings: ClosedLoopSettings, now_s: float) -> None:
        outside = abs(self._generator.claim - self.position) > settings.following_error_window
        if self._outside(outside, now_s) >= settings.following_error_timeout_s and outside:
            self._alarm = True
            self._stop(settings.quick_stop_option, now_s)
            self._enter(_Phase.STOPPING, now_s)

    def _watch_rest(self, settings: ClosedLoopSettings, now_s: float) -> None:
        if self._halted:
            # The path ended short of the target; where it ended is the target now.
            self._target, self._halted = self._generator.claim, False
        error = abs(self._target - self.position)
        outside_s = self._outside(error > settings.position_window, now_s)
        if self._outside_since_s == math.inf:
            self._inside_since_s = min(self._inside_since_s, now_s)
            if now_s - self._inside_since_s >= settings.position_window_time_s:
                self._reached, self._in_a_row = True, 0
            return
        self._inside_since_s = math.inf
        self._reached = False
        if outside_s >= max(settings.position_window_time_s, SETTLE_S):
            if error > settings.following_error_window:
                self._alarm = True
            if self._in_a_row < settings.attempts:
                self._enter(_Phase.SETTLING, now_s)
            elif self._alarm:
                self._fail(settings, now_s)

    def _send_again(self, settings: ClosedLoopSettings, now_s: float) -> None:
        if self._in_a_row >= settings.attempts:
            self._fail(settings, now_s)
            return
        self._in_a_row += 1
        self._attempts_made += 1
        self._enter(_Phase.WATCHING, now_s)
        self._generator.set_claim(round(self.position), now_s)
        self._generator.start_to(self._target, now_s)

    def _fail(self, settings: ClosedLoopSettings, now_s: float) -> None:
        self._enter(_Phase.WATCHING, now_s)
        self._generator.fault = "following error"
        self._stop(settings.fault_reaction_option, now_s)

    def _stop(self, option: HaltOption, now_s: float) -> None:
        if option is HaltOption.DISABLE:
            self.disable(now_s)
        else:
            self._generator.halt(now_s, QUICK_STOP_RATIO if option is HaltOption.QUICK_STOP_RAMP else 1.0)

    def _stay_here(self, now_s: float) -> None:
        self._target = round(self.position)
        self._generator.set_claim(self._target, now_s)
        self._forget_times()

    def _enter(self, phase: _Phase, now_s: float) -> None:
        self._phase, self._phase_since_s = phase, now_s
        self._forget_times()

    def _outside(self, outside: bool, now_s: float) -> float:
        """For how long the error has been outside its window."""
        self._outside_since_s = min(self._outside_since_s, now_s) if outside else math.inf
        return now_s - self._outside_since_s if outside else 0.0

    def _forget_alarm(self) -> None:
        self._alarm = False
        self._generator.fault = ""
        self._attempts_made = self._in_a_row = 0

    def _forget_times(self) -> None:
        self._outside_since_s = self._inside_since_s = math.inf
