"""The geometry of one actuator: steps, counts and travel, exact in any order.

1. Everything here is a rational number, parsed from text; a float appears only where a caller asks for one.
2. Motor shaft positions count in microsteps (what a drive is told) and encoder positions in counts (what a
   counter tells); both are integers. Travel is the load's, in metres, positive along the stroke.
3. The following-error window is bounded from both sides: below by what a healthy axis shows, above by a slip of
   one electrical period.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from functools import cached_property

from stepwitness.errors import BadInput
from stepwitness.quantities import STEP_UNITS, Kind, exact, split

FULL_STEPS_PER_ELECTRICAL_PERIOD = 4
"""A two-phase motor repeats its torque every four full steps (first principles)."""


class Decoding(Enum):
    """Counts per encoder line: edges of A rising only, of A, or of both channels."""

    X1 = 1
    X2 = 2
    X4 = 4


class Mounting(Enum):
    """What the encoder turns or slides with."""

    MOTOR = "motor"
    LOAD = "load"


class Orientation(Enum):
    HORIZONTAL = "horizontal"
    VERTICAL = "vertical"


@dataclass(frozen=True)
class Encoder:
    """An incremental encoder as its counter sees it.

    Attributes
    ----------
    lines : lines per motor turn (on the motor) or lines per metre of travel (on the load), exact.
    decoding : counts per line.
    mounting : motor or load.
    reversed : True where counts fall while the drive's position rises.
    """

    lines: Fraction
    decoding: Decoding
    mounting: Mounting
    reversed: bool = False

    @property
    def sign(self) -> int:
        return -1 if self.reversed else 1


@dataclass(frozen=True)
class Axis:
    """Geometry of one actuator.

    Attributes
    ----------
    name : as in the bench file.
    full_steps : full steps per motor turn.
    microsteps : microsteps per full step.
    travel_per_turn : metres of travel per motor turn (lead over gear ratio), exact; its sign is positive.
    stroke : metres, exact.
    encoder : None where the bench has no counter.
    """

    name: str
    full_steps: int
    microsteps: int
    travel_per_turn: Fraction
    stroke: Fraction
    orientation: Orientation
    encoder: Encoder | None = None

    # -- sizes of one unit ---------------------------------------------------------------------------------

    @property
    def microsteps_per_turn(self) -> int:
        return self.full_steps * self.microsteps

    @cached_property
    def step_travel(self) -> Fraction:
        """Travel of one full step, in metres."""
        return self.travel_per_turn / self.full_steps

    @cached_property
    def microstep_travel(self) -> Fraction:
        """Travel of one microstep, in metres: the least that the drive can command."""
        return self.travel_per_turn / self.microsteps_per_turn

    @cached_property
    def count_travel(self) -> Fraction:
        """Travel of one encoder count, in metres: the least that the counter can tell."""
        encoder = self._encoder()
        per_line = self.travel_per_turn / encoder.lines if encoder.mounting is Mounting.MOTOR else 1 / encoder.lines
        return per_line / encoder.decoding.value

    @property
    def counts_per_step(self) -> Fraction:
        """Encoder counts in one full step."""
        return self.step_travel / self.count_travel

    @property
    def rotor_teeth(self) -> Fraction:
        """Electrical periods per motor turn."""
        return Fraction(self.full_steps, FULL_STEPS_PER_ELECTRICAL_PERIOD)

    # -- conversions ---------------------------------------------------------------------------------------

    def travel_of_microsteps(self, microsteps: int | Fraction) -> Fraction:
        return microsteps * self.microstep_travel

    def microsteps_of_travel(self, travel: Fraction) -> Fraction:
        """Exact; a drive takes integers, see `nearest_microstep`."""
        return travel / self.microstep_travel

    def travel_of_counts(self, counts: int | Fraction) -> Fraction:
        return counts * self.count_travel * self._encoder().sign

    def counts_of_travel(self, travel: Fraction) -> Fraction:
        return travel / self.count_travel * self._encoder().sign

    def microsteps_of_counts(self, counts: int | Fraction) -> Fraction:
        return self.microsteps_of_travel(self.travel_of_counts(counts))

    def counts_of_microsteps(self, microsteps: int | Fraction) -> Fraction:
        return self.counts_of_travel(self.travel_of_microsteps(microsteps))

    def nearest_microstep(self, travel: Fraction | float) -> int:
        """The microstep nearest to `travel`; halves round to even, as Python rounds."""
        return round(self.microsteps_of_travel(Fraction(travel)))

    def travel(self, text: str) -> Fraction:
        """Travel written in a unit of length, in steps, in microsteps or in counts; exact metres."""
        written = split(text)
        unit = STEP_UNITS.get(written.unit)
        if unit is None:
            return exact(text, Kind.TRAVEL)
        return written.number * self.unit_travel(unit)

    def unit_travel(self, unit: str) -> Fraction:
        """Metres in one 'step', 'microstep' or 'count' (unsigned)."""
        if unit == "count":
            return self.count_travel
        return self.step_travel if unit == "step" else self.microstep_travel

    def _encoder(self) -> Encoder:
        if self.encoder is None:
            raise BadInput(f"axis '{self.name}' has no encoder", allowed="a 'counter' part in the bench file")
        return self.encoder

    # -- what the witnesses can tell -------------------------------------------------------------------------

    def following_error_bounds(
        self,
        *,
        torque_ratio: float,
        swing_steps: float,
        current_lag_s: float,
        speed_m_per_s: float,
        skew_s: float,
    ) -> WindowBounds:
        """Least window without false alarms and largest that still sees one slip; see `WindowBounds`.

        Parameters
        ----------
        torque_ratio : load torque over holding torque at the current in use, 0 to 1.
        swing_steps : overshoot of the rotor at start and stop, in full steps.
        current_lag_s : delay of the winding current behind its command (L/R or the regulator's).
        speed_m_per_s : commanded speed of the load.
        skew_s : greatest time between the instants at which drive and counter are read.

        Notes
        -----
        lag = asin(T/Th), of which 90 electrical degrees make one full step, so one full step at most; beyond
        it the rotor pulls out. Swing, current lag (speed x delay), skew (speed x skew) and one count (and one
        microstep) of quantisation add to it linearly: each can reach its bound at the same instant. A slip
        moves the rotor four full steps away, of which the same floor may hide a part. First principles; the
        sum as a bound is common practice, no source.
        """
        steps_per_s = abs(speed_m_per_s) / float(self.step_travel)
        lag = math.asin(min(1.0, abs(torque_ratio))) / (math.pi / 2)
        quantisation = 1 / self.microsteps + (float(1 / self.counts_per_step) if self.encoder else 0.0)
        floor = lag + swing_steps + steps_per_s * (current_lag_s + skew_s) + quantisation
        return WindowBounds(least_steps=floor, largest_steps=FULL_STEPS_PER_ELECTRICAL_PERIOD - floor)


@dataclass(frozen=True)
class WindowBounds:
    """Bounds of a following-error window, in full steps.

    Below `least_steps` a healthy axis alarms; above `largest_steps` a slip of one electrical period (four full
    steps) can hide. Where the two cross, no window does both.
    """

    least_steps: float
    largest_steps: float

    @property
    def observable(self) -> bool:
        return self.least_steps <= self.largest_steps

    def cure(self) -> str:
        """What to change so that a slip can be seen in motion."""
        return (
            "lower the speed, raise the current, read drive and counter closer in time, "
            "or take an encoder with more lines"
        )


def full_steps_of(step_angle: str) -> int:
    """Full steps per turn from a step angle such as ``"1.8 deg"``.

    Raises
    ------
    BadInput : where a turn isn't a whole number of steps, or the steps don't make whole electrical periods.
    """
    angle = exact(step_angle, Kind.ANGLE)
    allowed = "an angle that divides the turn into a multiple of four, such as 1.8 deg or 0.9 deg"
    if angle <= 0:
        raise BadInput("a step angle must be positive", found=f"'{step_angle}'", allowed=allowed)
    steps = 1 / angle
    if steps.denominator != 1 or steps.numerator % FULL_STEPS_PER_ELECTRICAL_PERIOD:
        raise BadInput("a turn isn't a whole number of electrical periods", found=f"'{step_angle}'", allowed=allowed)
    return steps.numerator
