"""From bench.yaml to a `BenchDescription`.

1. Every key is read and converted first (`sections`), then what two keys must agree on is checked (`agreement`).
2. Whatever is wrong comes out as `BadInput` with file, line and key: the first thing by line.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from stepwitness.axis import Axis, Encoder, Mounting
from stepwitness.bench.agreement import check_agreement
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
    Stop,
    Warmth,
)
from stepwitness.bench.sections import (
    STAND_IN,
    BenchFile,
    CounterPart,
    CurrentCalibration,
    PartSection,
    TemperatureSection,
    TravelCalibration,
)
from stepwitness.bench.stand_in import check_stand_in, spread_from, stand_in_from
from stepwitness.errors import BadInput
from stepwitness.fields import read_section
from stepwitness.files import Section, parse_yaml, read_text
from stepwitness.site import SiteFacts


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
    check_agreement(file, tree)
    bench = _description(file, tree, text, path)
    if file.stand_in is None and file.drive.part != STAND_IN:
        return bench
    try:
        bench = replace(bench, stand_in=stand_in_from(file.stand_in, bench), spread=spread_from(file.stand_in))
    except BadInput as err:
        raise err.at(tree.where("stand_in", "preset")) from None
    check_stand_in(bench, tree)
    return bench


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
            hold_delay_s=file.motor.hold_delay,
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
        stop=Stop(file.stop.by, file.stop.port or "", file.stop.drop or 0.0) if file.stop else None,
        blocked=Blocked(file.blocked.at, file.blocked.side, file.blocked.push_current) if file.blocked else None,
        guide_friction_n=file.guide_friction,
        warmth=_warmth(file.temperature),
        axis_serial=file.axis.serial or "",
        use=file.use,
        counter_certificate=(file.counter.certificate or "") if file.counter else "",
        site=file.site.facts() if file.site else SiteFacts(),
    )


def _part(file: BenchFile, tree: Section, role: str) -> Part:
    section: PartSection = getattr(file, role)
    return Part(section.part, section.options(), tree.where(role), section.identity or "", section.firmware or "")


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
        alignment_turns=gauge.alignment,
        abbe_offset_m=gauge.abbe_offset,
        tilt_turns=gauge.tilt,
    )


def _warmth(section: TemperatureSection | None) -> Warmth | None:
    if section is None:
        return None
    return Warmth(section.above_reference, section.within, section.expansion, section.expansion_within)


def _meter_part(file: BenchFile, tree: Section) -> MeterPart | None:
    if file.meter is None:
        return None
    return MeterPart(_part(file, tree, "meter"), _calibration(file.meter.calibration))


def bench_schema() -> dict[str, Any]:
    """JSON Schema of a bench file."""
    schema = BenchFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "bench.yaml"} | schema
