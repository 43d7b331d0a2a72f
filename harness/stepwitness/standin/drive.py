"""The pulse generator and output stage of the stand-in drive.

1. A drive knows what it sent and what it was told. Its claim is a number of pulses; whether anything moved, only an
   encoder could tell it, and the open-loop drive has none.
2. A move runs until its path comes to rest; `HOLD_AFTER_S` later the run current gives way to the hold current.
3. Nothing here reads the plant: it hands out pulses and a winding amplitude, and is told how many pulses left.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import DriveStatus
from stepwitness.standin.pulses import PulseTrain

HOLD_AFTER_S = 0.05
OUTPUTS = 4
MOST_OF_RATED_CURRENT = 2.0
"""The output stage refuses currents beyond this multiple of the motor's rated current."""

LEAST_RATE = 1.0e-3
"""In microsteps per second, or per second squared: below that a drive's counters would need hours for a pulse."""


class PulseGenerator:
    """Moves, currents and outputs of a drive, without time of its own: every call says when it happens."""

    def __init__(self, *, rated_current_a: float, microsteps_per_turn: int) -> None:
        self._most_a = rated_current_a * MOST_OF_RATED_CURRENT
        self._speed, self._acceleration = 1.0 * microsteps_per_turn, 10.0 * microsteps_per_turn
        self._run_a = self._hold_a = rated_current_a
        self._enabled = False
        self._outputs = [False] * OUTPUTS
        self._claim = 0
        self._train: PulseTrain | None = None
        self._forward = True
        self._sent_of_train = 0
        self._chunk = np.empty(0)
        self._chunk_from = 0
        self._chunk_ends_train = True
        self._chunk_is_new = False
        self.fault = ""

    # -- commands ----------------------------------------------------------------------------------------------

    def enable(self) -> None:
        if self.fault:
            raise Refused(f"the drive is in fault: {self.fault}")
        self._enabled = True

    def disable(self, now_s: float) -> None:
        """A running move ends at once."""
        if self.moving(now_s):
            self._train = None
            self._refill()
        self._enabled = False

    def set_speed(self, microsteps_per_s: float, now_s: float) -> None:
        self._speed = _positive(microsteps_per_s, "a speed")
        self._replan(now_s)

    def set_acceleration(self, microsteps_per_s2: float, now_s: float) -> None:
        self._acceleration = _positive(microsteps_per_s2, "an acceleration")
        self._replan(now_s)

    def set_run_current(self, current_a: float) -> None:
        self._run_a = self._allowed(current_a)

    def set_hold_current(self, current_a: float) -> None:
        self._hold_a = self._allowed(current_a)

    def start_by(self, microsteps: int, now_s: float) -> None:
        if not self._enabled:
            raise Refused("a move while the drive is disabled")
        if self.moving(now_s):
            raise Refused("a move while another one runs")
        self._forward = microsteps >= 0
        self._train = PulseTrain(
            start_s=now_s, pulses=abs(microsteps), speed=self._speed, acceleration=self._acceleration
        )
        self._sent_of_train = 0
        self._refill()

    def start_to(self, microsteps: int, now_s: float) -> None:
        self.start_by(microsteps - self.claim, now_s)

    def halt(self, now_s: float, steeper: float = 1.0) -> None:
        """Decelerate to rest, `steeper` times as hard as the acceleration that is set."""
        if self._train is not None and self.moving(now_s):
            self._train.halt(now_s, self._acceleration * steeper)
            self._refill()

    def set_claim(self, microsteps: int, now_s: float) -> None:
        if self.moving(now_s):
            raise Refused("a new position while a move runs")
        self._claim = microsteps

    def set_output(self, number: int, on: bool) -> None:
        self._outputs[_output_index(number)] = on

    # -- answers -----------------------------------------------------------------------------------------------

    @property
    def enabled(self) -> bool:
        return self._enabled

    @property
    def claim(self) -> int:
        """What the drive believes its position to be: what it was set to and every pulse that was counted since."""
        return self._claim

    def claim_at(self, now_s: float) -> int:
        """The same with the pulses that leave before `now_s`, an instant that the generator knows."""
        left = bisect_left(self._chunk, now_s) - (self._sent_of_train - self._chunk_from)
        return self._claim + (left if self._forward else -left)

    def knows(self, now_s: float) -> bool:
        """Whether the pulses at hand reach as far as `now_s`."""
        return self._chunk_ends_train or now_s <= self._chunk[-1]

    def moving(self, now_s: float) -> bool:
        return self._train is not None and now_s < self._train.end_s

    def status(self, now_s: float) -> DriveStatus:
        return DriveStatus(enabled=self._enabled, moving=self.moving(now_s), fault=self.fault)

    def output(self, number: int) -> bool:
        return self._outputs[_output_index(number)]

    def amplitude_a(self, now_s: float) -> float:
        """What the output stage is told to regulate to at `now_s`."""
        if not self._enabled:
            return 0.0
        running = self._train is not None and now_s < self._train.end_s + HOLD_AFTER_S
        return self._run_a if running else self._hold_a

    # -- between drive and plant -------------------------------------------------------------------------------

    def take_pulses(self) -> tuple[NDArray[np.float64], bool] | None:
        """Pulse times that replace those handed out before, and whether they go forward; None where nothing changed."""
        if not self._chunk_is_new:
            return None
        self._chunk_is_new = False
        return self._chunk, self._forward

    def pulses_left(self, pulses: int) -> None:
        """So many pulses have left since the last call."""
        self._claim += pulses if self._forward else -pulses
        self._sent_of_train += pulses

    def next_event_s(self, now_s: float) -> float:
        """When pulses run out or the amplitude changes, after `now_s`."""
        if self._train is None:
            return math.inf
        hold_s = self._train.end_s + HOLD_AFTER_S
        if not self._chunk_ends_train:
            if self._chunk[-1] <= now_s:
                self._refill()
            if not self._chunk_ends_train:
                return float(self._chunk[-1])
        return hold_s if hold_s > now_s else math.inf

    def _refill(self) -> None:
        self._chunk = self._train.times_s(self._sent_of_train) if self._train is not None else np.empty(0)
        self._chunk_from = self._sent_of_train
        self._chunk_ends_train = self._train is None or self._sent_of_train + len(self._chunk) >= self._train.total
        self._chunk_is_new = True

    def _replan(self, now_s: float) -> None:
        if self._train is not None and self.moving(now_s):
            self._train.change(now_s, speed=self._speed, acceleration=self._acceleration)
            self._refill()

    def _allowed(self, current_a: float) -> float:
        if not 0.0 <= current_a <= self._most_a:
            raise Refused(f"a current of {current_a:g} A; this drive gives 0 to {self._most_a:g} A")
        return current_a


def _positive(value: float, what: str) -> float:
    if not LEAST_RATE <= value < math.inf:
        raise Refused(f"{what} of {value:g}")
    return value


def _output_index(number: int) -> int:
    if not 1 <= number <= OUTPUTS:
        raise Refused(f"output {number}; this drive has 1 to {OUTPUTS}")
    return number - 1
