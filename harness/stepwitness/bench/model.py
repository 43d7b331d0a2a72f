"""bench.yaml: its sections as strict models, and the way from the file to a `BenchDescription`.

1. A model says which keys a section has and what text each takes; its docstrings are what an editor shows.
2. What two keys must agree on is checked after all of them have been read, at the place of the key to mend.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import ConfigDict, Field, model_validator

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation, full_steps_of
from stepwitness.bench.description import (
    BenchDescription,
    Blocked,
    BrakePart,
    Calibration,
    Envelope,
    GaugePart,
    MeterPart,
    Motor,
    Part,
    Reference,
    ReferenceMethod,
    SafeState,
)
from stepwitness.bench.stand_in import StandInSection, stand_in_from
from stepwitness.devices.interfaces import Side
from stepwitness.errors import BadInput, near_miss
from stepwitness.fields import (
    NUMBER_PATTERN,
    Day,
    FromText,
    Name,
    Strict,
    Words,
    YesNo,
    as_pydantic,
    keys_of,
    quantity,
    quantity_schema,
    read_section,
    whole,
    word,
)
from stepwitness.files import Section, parse_yaml, quoted, read_text
from stepwitness.quantities import Kind, exact, si

STAND_IN = "stand-in"
STAND_IN_OPTIONS = {"drive": {"loop": ("open", "closed")}}
"""What a stand-in part may be told, by role and option."""


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
    senses = {"+": 1, "-": -1, "−": -1}
    if text not in senses:
        raise BadInput("not a sense", found=quoted(text), allowed="+ (the reading grows with travel), -")
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


# -- sections ----------------------------------------------------------------------------------------------


class AxisSection(Strict):
    """Geometry of the actuator under test."""

    name: Name = Field(description="Name of the axis; it stands in test ids and reports.")
    serial: Words | None = Field(None, description="Serial number of the unit, kept as typed.")
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


class PartSection(Strict):
    """A part: `stand-in`, a built-in kind or a plugin's; further keys are the part's own options, as text."""

    model_config = ConfigDict(extra="allow")
    __pydantic_extra__: dict[str, Words]

    part: Name = Field(description="Kind of part: stand-in, text-line, scpi or one that a plugin brings.")

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
                    hint = near_miss(key, [*known, *choices])
                    raise as_pydantic(BadInput(f"an unknown key '{key}'", allowed=allowed, cure=hint), key)
                if text not in choices[key]:
                    bad = BadInput("not one of its words", found=quoted(text), allowed=", ".join(choices[key]))
                    raise as_pydantic(bad, key)
            elif close:
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
    certificate: Words | None = Field(None, description="Calibration certificate of the encoder.")


class TravelCalibration(Strict):
    """Calibration of the gauge, as its certificate states it. An expired one is reported, not refused."""

    certificate: Words = Field(description="Number of the certificate.")
    expires: Day = Field(description="Last day on which the calibration holds, year-month-day.")
    U: Annotated[float, quantity(Kind.TRAVEL, above=0)] = Field(description="Expanded uncertainty.")
    k: Annotated[float, quantity(Kind.RATIO, above=0)] = Field(2.0, description="Coverage factor of U.")


class CurrentCalibration(Strict):
    """Calibration of the meter, as its certificate states it. An expired one is reported, not refused."""

    certificate: Words = Field(description="Number of the certificate.")
    expires: Day = Field(description="Last day on which the calibration holds, year-month-day.")
    U: Current = Field(description="Expanded uncertainty.")
    k: Annotated[float, quantity(Kind.RATIO, above=0)] = Field(2.0, description="Coverage factor of U.")


class GaugeSection(PartSection):
    """A displacement gauge that reads the load."""

    range: Length = Field(description="Length that the gauge can measure.")
    resolution: Length = Field(description="Least difference that it shows.")
    zero_at: Position = Field(0.0, description="Travel at which its range starts.")
    measuring_force: Force = Field(0.0, description="Force with which its tip pushes on the load.")
    sense: Annotated[int, FromText(_sense, {"enum": ["+", "-"]})] = Field(
        1, description="+ where the reading grows with travel, - where it falls."
    )
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
    blocked: BlockedSection | None = None
    guide_friction: Force | None = Field(None, description="Friction of the guide, as far as it is known.")
    stand_in: StandInSection | None = None


# -- from the file to a description ------------------------------------------------------------------------


def load_bench(path: Path | str) -> BenchDescription:
    """The bench that a file describes.

    Raises
    ------
    BadInput : the first thing that is wrong, with file, line and key.
    """
    return parse_bench(read_text(path), str(path))


def parse_bench(text: str, path: str) -> BenchDescription:
    """The bench that `text` describes; `path` is what errors and records name."""
    tree = parse_yaml(text, path)
    file = read_section(BenchFile, tree)
    _check_axis(file, tree)
    _check_motion(file, tree)
    bench = _description(file, tree, text, path)
    if file.stand_in is None and file.drive.part != STAND_IN:
        return bench
    try:
        return replace(bench, stand_in=stand_in_from(file.stand_in, bench))
    except BadInput as err:
        raise err.at(tree.where("stand_in", "preset")) from None


def _description(file: BenchFile, tree: Section, text: str, path: str) -> BenchDescription:
    return BenchDescription(
        name=file.name,
        path=path,
        text=text,
        axis=_axis(file),
        motor=Motor(
            rated_current_a=file.motor.rated_current,
            hold_current_a=file.motor.hold_current,
            holding_torque_nm=file.motor.holding_torque,
            friction_torque_nm=file.motor.friction_torque,
        ),
        drive=_part(file, tree, "drive"),
        envelope=Envelope(
            low_m=file.envelope.travel[0],
            high_m=file.envelope.travel[1],
            speed_m_per_s=file.envelope.speed,
            acceleration_m_per_s2=file.envelope.acceleration,
            current_a=file.envelope.current,
        ),
        safe_state=file.safe_state,
        reference=_reference(file),
        back_drives=bool(file.back_drives),
        counter=_part(file, tree, "counter") if file.counter else None,
        gauge=_gauge_part(file, tree),
        meter=_meter_part(file, tree),
        supply=_part(file, tree, "supply") if file.supply else None,
        brake=BrakePart(_part(file, tree, "brake"), file.brake.closing_delay) if file.brake else None,
        drag=_part(file, tree, "drag") if file.drag else None,
        inputs=_part(file, tree, "inputs") if file.inputs else None,
        blocked=Blocked(file.blocked.at, file.blocked.side, file.blocked.push_current) if file.blocked else None,
        guide_friction_n=file.guide_friction,
        axis_serial=file.axis.serial or "",
        counter_certificate=(file.counter.certificate or "") if file.counter else "",
    )


def _part(file: BenchFile, tree: Section, role: str) -> Part:
    section: PartSection = getattr(file, role)
    return Part(section.part, section.options(), tree.where(role))


def _axis(file: BenchFile) -> Axis:
    return Axis(
        name=file.axis.name,
        full_steps=file.axis.step_angle,
        microsteps=file.axis.microsteps,
        travel_per_turn=file.axis.lead / file.axis.gear,
        stroke=file.axis.stroke,
        orientation=file.axis.orientation,
        encoder=_encoder(file.counter) if file.counter else None,
    )


def _encoder(counter: CounterPart) -> Encoder:
    lines = Fraction(counter.lines or 0) if counter.on is Mounting.MOTOR else 1 / (counter.line_pitch or Fraction(1))
    return Encoder(lines, counter.decoding, counter.on, counter.reversed)


def _reference(file: BenchFile) -> Reference:
    given = {"side": file.reference.side, "speed_m_per_s": file.reference.speed}
    said: dict[str, Any] = {key: value for key, value in given.items() if value is not None}
    return Reference(file.reference.by, file.reference.at, **said)


def _calibration(section: TravelCalibration | CurrentCalibration | None) -> Calibration | None:
    if section is None:
        return None
    return Calibration(section.certificate, section.expires, section.U, section.k)


def _gauge_part(file: BenchFile, tree: Section) -> GaugePart | None:
    gauge = file.gauge
    if gauge is None:
        return None
    return GaugePart(
        _part(file, tree, "gauge"),
        range_m=gauge.range,
        resolution_m=gauge.resolution,
        zero_at_m=gauge.zero_at,
        measuring_force_n=gauge.measuring_force,
        sense=gauge.sense,
        calibration=_calibration(gauge.calibration),
    )


def _meter_part(file: BenchFile, tree: Section) -> MeterPart | None:
    if file.meter is None:
        return None
    return MeterPart(_part(file, tree, "meter"), _calibration(file.meter.calibration))


# -- what two keys must agree on ---------------------------------------------------------------------------


def _mm(travel_m: float | Fraction) -> str:
    return f"{float(travel_m) * 1e3:g} mm"


def _check_axis(file: BenchFile, tree: Section) -> None:
    """Encoder, envelope, gauge and reference against the geometry."""
    if file.counter is not None:
        motor_side = file.counter.on is Mounting.MOTOR
        needed, other = ("lines", "line_pitch") if motor_side else ("line_pitch", "lines")
        if getattr(file.counter, other) is not None:
            raise BadInput(
                f"'{other}' for an encoder on the {file.counter.on.value}",
                place=tree.where("counter", other),
                allowed="'lines' with 'on: motor', 'line_pitch' with 'on: load'",
            )
        if getattr(file.counter, needed) is None:
            raise BadInput(
                f"the key '{needed}' is missing, which an encoder on the {file.counter.on.value} needs",
                place=tree.where("counter", needed),
                cure=near_miss(needed, file.counter.options()),
            )
    stroke, (low_m, high_m) = file.axis.stroke, file.envelope.travel
    if low_m < 0 or high_m > float(stroke):
        raise BadInput(
            "an envelope beyond the stroke",
            place=tree.where("envelope", "travel"),
            found=f"{_mm(low_m)} to {_mm(high_m)}",
            allowed=f"inside 0 mm to {_mm(stroke)}",
        )
    if file.gauge is not None:
        start_m, end_m = file.gauge.zero_at, file.gauge.zero_at + file.gauge.range
        if low_m < start_m or high_m > end_m:
            raise BadInput(
                "an envelope beyond the gauge's range",
                place=tree.where("envelope", "travel"),
                found=f"{_mm(low_m)} to {_mm(high_m)}",
                allowed=f"inside {_mm(start_m)} to {_mm(end_m)}",
                cure="or mend 'zero_at' or 'range' of the gauge",
            )
    for section, at_m in (
        ("reference", file.reference.at),
        ("blocked", file.blocked.at if file.blocked else 0.0),
    ):
        if not 0 <= at_m <= float(stroke):
            raise BadInput(
                "a place outside the stroke",
                place=tree.where(section, "at"),
                found=_mm(at_m),
                allowed=f"0 mm to {_mm(stroke)}",
            )


def _check_motion(file: BenchFile, tree: Section) -> None:
    """Currents, reference and safe state."""
    motor, permitted = file.motor, file.envelope.current
    if motor.rated_current > permitted:
        raise BadInput(
            "an envelope that forbids the motor's rated current",
            place=tree.where("envelope", "current"),
            found=f"{permitted:g} A",
            allowed=f"at least {motor.rated_current:g} A",
        )
    for path, current in (
        (("motor", "hold_current"), motor.hold_current),
        (("blocked", "push_current"), file.blocked.push_current if file.blocked else 0.0),
    ):
        if current > motor.rated_current:
            raise BadInput(
                "a current beyond the motor's rated current",
                place=tree.where(*path),
                found=f"{current:g} A",
                allowed=f"at most {motor.rated_current:g} A",
            )
    _check_reference(file, tree)
    _check_safe_state(file, tree)


def _check_reference(file: BenchFile, tree: Section) -> None:
    reference = file.reference
    if reference.by is ReferenceMethod.LIMIT_SWITCH:
        if file.inputs is None:
            raise BadInput(
                "a limit switch that no part reads",
                place=tree.where("reference", "by"),
                found="'limit switch'",
                allowed="an 'inputs' part, or 'by: datum'",
            )
        if reference.side is None:
            raise BadInput("the key 'side' is missing", place=tree.where("reference", "side"), allowed="low, high")
        if (reference.speed or 0) > file.envelope.speed:
            raise BadInput(
                "a speed beyond the envelope",
                place=tree.where("reference", "speed"),
                found=f"{_mm(reference.speed or 0)}/s",
                allowed=f"at most {_mm(file.envelope.speed)}/s",
            )
        return
    for key in ("side", "speed"):
        if getattr(reference, key) is not None:
            raise BadInput(f"'{key}' has no meaning for a datum", place=tree.where("reference", key), allowed="by, at")


def _check_safe_state(file: BenchFile, tree: Section) -> None:
    if file.axis.orientation is Orientation.VERTICAL:
        if file.safe_state is not SafeState.BRAKE:
            raise BadInput(
                "a vertical axis that isn't braked",
                place=tree.where("safe_state"),
                found=f"'{file.safe_state.value}'",
                allowed="brake",
            )
        if file.back_drives is None:
            raise BadInput(
                "the key 'back_drives' is missing, which a vertical axis has to say",
                place=tree.where("back_drives"),
                allowed="yes where the load can turn the screw, no where it can't",
            )
    if file.safe_state is SafeState.BRAKE and file.brake is None:
        raise BadInput(
            "a safe state that needs a brake",
            place=tree.where("safe_state"),
            found="'brake'",
            allowed="a 'brake' part, or 'safe_state: hold' on a horizontal axis",
        )


def expired(calibration: Calibration, today: date) -> bool:
    """Whether a calibration's last day is past."""
    return calibration.expires < today


def bench_schema() -> dict[str, Any]:
    """JSON Schema of a bench file."""
    schema = BenchFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "bench.yaml"} | schema
