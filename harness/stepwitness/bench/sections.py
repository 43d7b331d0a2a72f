"""The sections of bench.yaml as strict models: which keys there are and what text each takes.

Docstrings and descriptions here are what an editor shows, by way of the JSON Schema.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, ClassVar

from pydantic import ConfigDict, Field, model_validator

from stepwitness.axis import Decoding, Mounting, Orientation, full_steps_of
from stepwitness.bench.description import (
    ReferenceMethod,
    SafeState,
    StopMethod,
    Use,
)
from stepwitness.bench.stand_in import StandInSection
from stepwitness.devices.interfaces import Side
from stepwitness.errors import BadInput, near_miss
from stepwitness.fields import (
    NUMBER_PATTERN,
    Certificate,
    Day,
    FromText,
    Name,
    Strict,
    YesNo,
    a_name,
    any_text,
    as_pydantic,
    keys_of,
    not_among,
    quantity,
    quantity_schema,
    whole,
    word,
)
from stepwitness.files import quoted
from stepwitness.quantities import Kind, exact, si
from stepwitness.site_section import SiteSection

STAND_IN = "stand-in"
STAND_IN_OPTIONS = {"drive": {"loop": ("open", "closed")}}
"""What a stand-in part may be told, by role and option."""

_NO_TYPING_ERRORS = frozenset({"parity"})
"""Options of real parts that look like a misspelt key of ours ('part')."""


# -- text of single keys -----------------------------------------------------------------------------------


def _gear(text: str) -> Fraction:
    allowed = "motor turns to screw turns, such as 5:1 or 1/1"
    parts = text.split(":") if ":" in text else [text, "1"]
    try:
        ratio = exact(parts[0], Kind.RATIO) / exact(parts[1], Kind.RATIO) if len(parts) == 2 else Fraction(0)
    except (BadInput, ZeroDivisionError):
        ratio = Fraction(0)
    if ratio <= 0:
        raise BadInput("not a gear ratio", found=quoted(text), allowed=allowed)
    return ratio


def _step_angle(text: str) -> int:
    return full_steps_of(text)


def _sense(text: str) -> int:
    senses = {"+": 1, "+1": 1, "1": 1, "-": -1, "-1": -1, "−": -1, "−1": -1}
    if text not in senses:
        raise BadInput("not a sense", found=quoted(text), allowed="+1 (the reading grows with travel), -1 (it falls)")
    return senses[text]


def _travel_range(text: str) -> tuple[float, float]:
    match = re.fullmatch(r"(.+?)\s+to\s+(.+)", text)
    if match is None:
        raise BadInput("not a range of travel", found=quoted(text), allowed="such as 1 mm to 59 mm")
    low_m, high_m = si(match[1], Kind.TRAVEL), si(match[2], Kind.TRAVEL)
    if low_m >= high_m:
        raise BadInput("a range that doesn't rise", found=quoted(text), allowed="such as 1 mm to 59 mm")
    return low_m, high_m


_RANGE_SCHEMA = {
    "type": "string",
    "pattern": rf"^{NUMBER_PATTERN}.*\s+to\s+{NUMBER_PATTERN}.*$",
    "examples": ["1 mm to 59 mm"],
}
_GEAR_SCHEMA = {"type": ["string", "number"], "examples": ["5:1", "1/1"]}

Current = Annotated[float, quantity(Kind.CURRENT, above=0)]
Position = Annotated[float, quantity(Kind.TRAVEL)]
Length = Annotated[float, quantity(Kind.TRAVEL, above=0)]
Force = Annotated[float, quantity(Kind.FORCE, at_least=0)]
Angle = Annotated[float, quantity(Kind.ANGLE, at_least=0, at_most=0.25)]


# -- sections ----------------------------------------------------------------------------------------------


class AxisSection(Strict):
    """Geometry of the actuator under test."""

    name: Name = Field(description="Name of the axis; it stands in test ids and reports.")
    serial: Annotated[str, any_text("TB-0417")] | None = Field(
        None, description="Serial number of the unit, kept as typed."
    )
    step_angle: Annotated[int, FromText(_step_angle, quantity_schema(Kind.ANGLE))] = Field(
        description="Angle of one full step of the motor, such as 1.8 deg."
    )
    microsteps: Annotated[int, whole(at_least=1, at_most=65536)] = Field(
        description="Microsteps in one full step, as set at the drive."
    )
    lead: Annotated[Fraction, quantity(Kind.TRAVEL, above=0, as_fraction=True)] = Field(
        description="Travel of the load in one turn of the screw."
    )
    gear: Annotated[Fraction, FromText(_gear, _GEAR_SCHEMA)] = Field(
        Fraction(1), description="Motor turns to screw turns, such as 5:1; 1:1 where nothing stands between."
    )
    stroke: Annotated[Fraction, quantity(Kind.TRAVEL, above=0, as_fraction=True)] = Field(
        description="Length of the axis; travel runs from 0 to it."
    )
    orientation: Annotated[Orientation, word(Orientation)] = Field(
        description="Whether gravity pulls along the travel (vertical) or not (horizontal)."
    )


class MotorSection(Strict):
    """The motor, as its data sheet and its wiring have it."""

    rated_current: Current = Field(description="Run current for the rated torque.")
    hold_current: Current = Field(description="Current at rest.")
    holding_torque: Annotated[float, quantity(Kind.TORQUE, above=0)] = Field(
        description="Holding torque at rated current."
    )
    friction_torque: Annotated[float, quantity(Kind.TORQUE, at_least=0)] = Field(
        0.0, description="Torque that turns motor, screw and guide at low speed; 0 where it isn't known."
    )
    hold_delay: Annotated[float, quantity(Kind.TIME, at_least=0, at_most=60)] = Field(
        0.0, description="Time from the end of a move until the drive gives way to the hold current; readings wait."
    )


class PartSection(Strict):
    """A part: `stand-in`, a built-in kind or a plugin's; further keys are the part's own options, as text."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, Annotated[str, any_text("COM5")]]

    part: Annotated[str, a_name(STAND_IN, "text-line", "scpi")] = Field(
        description="Kind of part: stand-in, text-line, scpi or one that a plugin brings."
    )

    identity: Annotated[str, any_text("TB-G-31")] | None = Field(
        None, description="Words that the part's own answer must hold, such as its serial number; else nothing moves."
    )
    firmware: Annotated[str, any_text("2.04")] | None = Field(
        None, description="Version that the part must tell; else nothing moves."
    )

    role: ClassVar[str] = ""

    @model_validator(mode="after")
    def _options(self) -> PartSection:
        """Refuse an option that looks like a misspelt key, and one that a stand-in doesn't have."""
        known = keys_of(type(self))
        for key, text in self.options().items():
            close = near_miss(key, known, cutoff=0.8)
            if self.part == STAND_IN:
                choices = STAND_IN_OPTIONS.get(self.role, {})
                if key not in choices:
                    allowed = ", ".join([*known, *choices])
                    hint = near_miss(key, [*known, *choices], cutoff=0.8)
                    raise as_pydantic(BadInput(f"an unknown key '{key}'", allowed=allowed, cure=hint), key)
                if text not in choices[key]:
                    raise as_pydantic(not_among(text, choices[key]), key)
            elif close and key not in _NO_TYPING_ERRORS:
                raise as_pydantic(BadInput(f"an unknown key '{key}'", allowed=", ".join(known), cure=close), key)
        return self

    def options(self) -> dict[str, str]:
        return dict(self.__pydantic_extra__ or {})


class DrivePart(PartSection):
    """The drive. A stand-in takes `loop: open` (default) or `loop: closed`."""

    role: ClassVar[str] = "drive"


class CounterPart(PartSection):
    """The encoder and its counter."""

    role: ClassVar[str] = "counter"

    lines: Annotated[int, whole(at_least=1)] | None = Field(
        None, description="Lines per motor turn, for an encoder on the motor."
    )
    line_pitch: Annotated[Fraction, quantity(Kind.TRAVEL, above=0, as_fraction=True)] | None = Field(
        None, description="Travel of one line, for an encoder on the load."
    )
    decoding: Annotated[Decoding, word(Decoding, by_name=True)] = Field(
        description="Counts per line: X1 (one edge), X2 (both edges of A), X4 (all edges)."
    )
    on: Annotated[Mounting, word(Mounting)] = Field(
        description="What the encoder turns or slides with: the motor's shaft, or the load."
    )
    reversed: YesNo = Field(False, description="Whether counts fall while the drive's position rises.")
    certificate: Certificate | None = Field(None, description="Calibration certificate of the encoder.")


class TravelCalibration(Strict):
    """Calibration of the gauge, as its certificate states it. An expired one is reported, not refused."""

    certificate: Certificate = Field(description="Number of the certificate.")
    expires: Day = Field(description="Last day on which the calibration holds, year-month-day.")
    U: Annotated[float, quantity(Kind.TRAVEL, above=0)] = Field(description="Expanded uncertainty.")
    k: Annotated[float, quantity(Kind.RATIO, above=0)] = Field(2.0, description="Coverage factor of U.")


class CurrentCalibration(Strict):
    """Calibration of the meter, as its certificate states it. An expired one is reported, not refused."""

    certificate: Certificate = Field(description="Number of the certificate.")
    expires: Day = Field(description="Last day on which the calibration holds, year-month-day.")
    U: Current = Field(description="Expanded uncertainty.")
    k: Annotated[float, quantity(Kind.RATIO, above=0)] = Field(2.0, description="Coverage factor of U.")


class GaugeSection(PartSection):
    """A displacement gauge that reads the load."""

    range: Length = Field(description="Length that the gauge can measure.")
    resolution: Length = Field(description="Least difference that it shows.")
    zero_at: Position = Field(0.0, description="Travel at which its range starts.")
    measuring_force: Force = Field(0.0, description="Force with which its tip pushes on the load.")
    sense: Annotated[int, FromText(_sense, {"enum": ["+", "-", "+1", "-1", 1, -1]})] = Field(
        1, description="+1 where the reading grows with travel, -1 where it falls."
    )
    alignment: Angle = Field(0.0, description="Angle within which its line lies to the travel: cosine error.")
    abbe_offset: Annotated[float, quantity(Kind.TRAVEL, at_least=0)] = Field(
        0.0, description="Distance of its line from the one in which the nut pushes: Abbe error."
    )
    tilt: Angle = Field(0.0, description="Angle within which the carriage tilts, for the Abbe error.")
    calibration: TravelCalibration | None = None


class MeterSection(PartSection):
    """A meter that reads the current of the motor or its drive."""

    calibration: CurrentCalibration | None = None


class BrakeSection(PartSection):
    """A spring-applied brake on the axis."""

    closing_delay: Annotated[float, quantity(Kind.TIME, above=0)] = Field(
        description="Time from the command until the brake holds."
    )


class EnvelopeSection(Strict):
    """What the bench permits, in the load's travel. Checked before a command leaves."""

    travel: Annotated[tuple[float, float], FromText(_travel_range, _RANGE_SCHEMA)] = Field(
        description="From where to where the load may go, such as 1 mm to 59 mm; inside the stroke."
    )
    speed: Annotated[float, quantity(Kind.SPEED, above=0)] = Field(description="Highest speed of the load.")
    acceleration: Annotated[float, quantity(Kind.ACCELERATION, above=0)] = Field(
        description="Highest acceleration of the load."
    )
    current: Current = Field(description="Highest run current; at least the motor's rated current.")


class ReferenceSection(Strict):
    """How travel gets its zero before any absolute move."""

    by: Annotated[ReferenceMethod, word(ReferenceMethod)] = Field(
        description="A limit switch that is driven to, or a datum that the operator confirms."
    )
    at: Position = Field(description="Travel at the switch or the datum.")
    side: Annotated[Side, word(Side)] | None = Field(None, description="Which switch: low or high.")
    speed: Annotated[float, quantity(Kind.SPEED, above=0)] | None = Field(
        None, description="Speed towards the switch; 2 mm/s where it isn't said."
    )


class BlockedSection(Strict):
    """A load that rests on a stop, so that a starved motor can't let it fall or move away."""

    at: Position = Field(description="Travel of the stop.")
    side: Annotated[Side, word(Side)] = Field(description="At which end the stop is.")
    push_current: Current = Field(description="Run current while the load is pushed against the stop.")


class StopSection(Strict):
    """How the axis is stopped once the process that moved it is gone. Real parts without it are only read."""

    by: Annotated[StopMethod, word(StopMethod)] = Field(
        description="drive: halt on the drive's own line. port: halt on a second port. supply: the output goes off."
    )
    port: Annotated[str, any_text("COM9")] | None = Field(None, description="The drive's second port, for 'by: port'.")
    drop: Annotated[float, quantity(Kind.TRAVEL, above=0)] | None = Field(
        None, description="How far a load that can fall may, until its brake holds; for 'by: supply'."
    )


class TemperatureSection(Strict):
    """The axis' temperature while it is tested, against the 20 degrees Celsius of ISO 1, and how it expands."""

    above_reference: Annotated[float, quantity(Kind.TEMPERATURE)] = Field(
        description="How much warmer than 20 degrees Celsius the axis is; negative where it is colder."
    )
    within: Annotated[float, quantity(Kind.TEMPERATURE, at_least=0)] = Field(
        description="Within how much of that its temperature stays."
    )
    expansion: Annotated[float, quantity(Kind.EXPANSION)] = Field(
        description="Coefficient of linear expansion of what sets its travel, such as 11.5 ppm/K of a steel screw."
    )
    expansion_within: Annotated[float, quantity(Kind.EXPANSION, at_least=0)] = Field(
        0.0, description="Within how much of that the coefficient lies."
    )


class BenchFile(Strict):
    """What an axis is tested on: parts, envelope, safe state and calibration data."""

    name: Name = Field(description="Name of the bench; reports are filed under it.")
    axis: AxisSection
    motor: MotorSection
    drive: DrivePart
    counter: CounterPart | None = None
    gauge: GaugeSection | None = None
    meter: MeterSection | None = None
    supply: PartSection | None = Field(None, description="The drive's power supply.")
    brake: BrakeSection | None = None
    drag: PartSection | None = Field(None, description="An adjustable friction load on the carriage.")
    inputs: PartSection | None = Field(None, description="Limit switches and the stop circuit's contact.")
    envelope: EnvelopeSection
    reference: ReferenceSection
    safe_state: Annotated[SafeState, word(SafeState)] = Field(
        description="hold: halted and energised. brake: halted, held, braked, the brake proven, then off."
    )
    back_drives: YesNo | None = Field(
        None, description="Whether the load can turn the screw; a vertical axis has to say it."
    )
    stop: StopSection | None = None
    blocked: BlockedSection | None = None
    guide_friction: Force | None = Field(None, description="Friction of the guide, as far as it is known.")
    temperature: TemperatureSection | None = None
    site: SiteSection | None = None
    stand_in: StandInSection | None = None
    use: Annotated[Use, word(Use)] = Field(
        Use.PROCESS,
        description="How stand-ins are reached: process (no wire), wire (served on this machine over the wire that the "
        "drive speaks), or a certain wire.",
    )
