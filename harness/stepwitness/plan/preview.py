"""What a plan would do on its bench, and what that bench can tell; said without motion.

1. What moves, how far and how long comes from each procedure's own forecast.
2. A witness is told with the least travel that it can tell, and with what it can't see.
3. Every line fits `WIDTH` columns.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from fractions import Fraction

from stepwitness.axis import Mounting
from stepwitness.bench.description import BenchDescription, Calibration
from stepwitness.display import MINUS, counted, duration_text, limit_text, shown, with_unit
from stepwitness.findings import DecisionRule
from stepwitness.plan.description import Plan, PlannedProcedure
from stepwitness.plan.sight import sights
from stepwitness.procedures.preparation import forecast
from stepwitness.procedures.procedure import Forecast
from stepwitness.quantities import Kind

WIDTH = 80
LONGEST_NAME = 24
"""A longer name of a procedure gets a line of its own."""


@dataclass(frozen=True)
class Witness:
    """A witness to travel: the least that it can tell in metres and why, and what it sees."""

    name: str
    least_m: Fraction
    unit: str
    sees: str


def witnesses(bench: BenchDescription) -> list[Witness]:
    """The witnesses to travel that a bench has, the drive's own claim first."""
    axis = bench.axis
    found = [Witness("drive", axis.microstep_travel, "1 microstep", "the pulses that it sends, not motion")]
    if axis.encoder is not None:
        on_motor = axis.encoder.mounting is Mounting.MOTOR
        sees = "the motor's shaft, no play behind it" if on_motor else "the load"
        found.append(Witness("counter", axis.count_travel, "1 count", sees))
    if bench.gauge is not None:
        found.append(Witness("gauge", Fraction(str(bench.gauge.resolution_m)), "resolution", "the load"))
    return found


def preview(plan: Plan, bench: BenchDescription, *, today: date) -> list[str]:
    """What `stepwitness check` prints for one plan, line by line.

    Raises
    ------
    BadInput : where a procedure refuses the bench.
    """
    forecasts = [planned.procedure.check(bench, planned.settings) for planned in plan.procedures]
    before = [("run-in of a new unit", plan.run_in), ("warm-up", plan.warm_up)]
    strokes = [(name, forecast(bench, one)) for name, one in before if one is not None]
    notes = [f"{planned.id}: {text}" for planned, one in _paired(plan, forecasts) for text in one.warnings]
    parts = [
        _head(plan, bench),
        _section("what would move", _moves([*strokes, *_named(plan, forecasts)])),
        _section("what this bench can tell apart", _telling(bench)),
        _section("what it can't see", _bullets(blind_spots(bench))),
        _section("the least that it can tell from nothing, by its budget alone", _seen(plan, bench)),
        _section("limits finer than a witness", _bullets(too_fine(plan, bench))),
        _section("to know before", _bullets([*notes, *expired(bench, today), *_parts(bench)])),
        [_end(plan)],
    ]
    return [line for part in parts if part for line in [*part, ""]][:-1]


def _paired(plan: Plan, forecasts: Sequence[Forecast]) -> Iterator[tuple[PlannedProcedure, Forecast]]:
    return zip(plan.procedures, forecasts, strict=True)


def _head(plan: Plan, bench: BenchDescription) -> list[str]:
    axis = bench.axis
    unit = f"{axis.name}, serial {bench.axis_serial}" if bench.axis_serial else axis.name
    geometry = (
        f"{unit}: {_length(axis.stroke)} stroke, {axis.orientation.value}, {_length(axis.travel_per_turn)} a turn, "
        f"{axis.full_steps} full steps × {axis.microsteps} microsteps"
    )
    tested = f"{plan.path} on {bench.name}"
    first = [tested] if len(tested) <= WIDTH else [plan.path, f"  on {bench.name}"]  # a path is never broken
    return [*first, *_wrapped(geometry, "  ")]


def _named(plan: Plan, forecasts: Sequence[Forecast]) -> list[tuple[str, Forecast]]:
    return [(planned.id, one) for planned, one in _paired(plan, forecasts)]


def _moves(named: Sequence[tuple[str, Forecast]]) -> list[str]:
    """A line for each thing that moves, and one for all."""
    names, forecasts = [name for name, _ in named], [one for _, one in named]
    spans = [f"{_number(one.lowest_m * 1e3)} to {_length(Fraction(str(one.highest_m)))}" for one in forecasts]
    times = [duration_text(one.duration_s) for one in forecasts]
    whole = duration_text(sum(one.duration_s for one in forecasts))
    name = max(len(text) for text in [*names, "in all"] if len(text) <= LONGEST_NAME)
    span, time = max(map(len, spans)), max(map(len, [*times, whole]))
    room = WIDTH - 4 - name - span - time - 6
    lines = []
    for (id_, one), at, takes in zip(named, spans, times, strict=True):
        beside = id_ if len(id_) <= LONGEST_NAME else ""
        phrase, *rest = textwrap.wrap(one.phrase, room) or [""]
        lines += [] if beside else _wrapped(id_, "    ")
        lines.append(f"    {beside:{name}}  {phrase:{room}}  {at:>{span}}  {takes:>{time}}")
        lines += [f"    {'':{name}}  {more}" for more in rest]
    if len(forecasts) > 1:
        lines.append(f"    {'in all':{name}}  {'':{room}}  {'':{span}}  {whole:>{time}}")
    return lines


def _telling(bench: BenchDescription) -> list[str]:
    rows = [(one.name, _length(one.least_m), one.unit, one.sees) for one in witnesses(bench)]
    widths = [max(len(row[column]) for row in rows) for column in range(3)]
    lines = []
    for name, least, unit, sees in rows:
        before = f"    {name:{widths[0]}}  {least:>{widths[1]}}  {unit:{widths[2]}}  "
        lines += _wrapped(sees, before, " " * len(before))
    for role, calibration, unit, scale in _calibrations(bench):
        uncertainty = with_unit(_number(calibration.expanded_uncertainty * scale), unit)
        lines += _wrapped(
            f"{role}: U = {uncertainty} (k = {calibration.coverage_factor:g}), "
            f"certificate {calibration.certificate}, good until {calibration.expires}",
            "    ",
        )
    return lines


def _calibrations(bench: BenchDescription) -> list[tuple[str, Calibration, str, float]]:
    found = []
    if bench.gauge is not None and bench.gauge.calibration is not None:
        found.append(("gauge", bench.gauge.calibration, "µm", 1e6))
    if bench.meter is not None and bench.meter.calibration is not None:
        found.append(("meter", bench.meter.calibration, "mA", 1e3))
    return found


def _seen(plan: Plan, bench: BenchDescription) -> list[str]:
    """A line for each limit that is foreseen: smallest defect, and the limit."""
    rows = []
    for seen in sights(plan, bench):
        characteristic = seen.limit.characteristic
        told = shown(0.0, seen.least, seen.limit.unit, characteristic.kind, bench.axis)
        least = with_unit(told.uncertainty, told.unit)
        note = "  too fine" if seen.too_fine else ""
        rows.append((f"{seen.planned.id}: {characteristic.heading}", least, limit_text(seen.limit, bench.axis) + note))
    if not rows:
        return []
    widest, limit = (max(len(row[column]) for row in rows) for column in (1, 2))
    room = WIDTH - 4 - widest - limit - 4
    lines = []
    for name, value, against in rows:
        first, *rest = textwrap.wrap(name, room)
        lines.append(f"    {first:{room}}  {value:>{widest}}  {against}")
        lines += [f"      {more}" for more in rest]
    return lines


def blind_spots(bench: BenchDescription) -> list[str]:
    """What no witness on this bench can see."""
    encoder = bench.axis.encoder
    on_load = bench.gauge is not None or (encoder is not None and encoder.mounting is Mounting.LOAD)
    spots = []
    if not on_load:
        spots.append("play, wind-up and lead of the screw: nothing reads the load (a gauge, or an encoder on it)")
    if encoder is None:
        spots.append("a stall while moving: there is no encoder counter")
    if bench.gauge is None:
        spots.append("an error of the lead or of the encoder's scale: there is no gauge to compare with")
    if bench.gauge is not None and bench.gauge.calibration is None:
        spots.append("how true the gauge is: its calibration isn't stated")
    return spots


def too_fine(plan: Plan, bench: BenchDescription) -> list[str]:
    """Limits of travel that are finer than what a witness can tell, each with those witnesses."""
    sizes = [(f"{one.name}'s {one.unit}", float(one.least_m)) for one in witnesses(bench)]
    calibration = bench.gauge.calibration if bench.gauge else None
    if calibration is not None and plan.rule is DecisionRule.GUARDED:
        sizes.append(("gauge's U, so never a PASS", calibration.expanded_uncertainty))
    found = []
    for planned in plan.procedures:
        for limit in planned.limits:
            coarser = [
                f"the {name} ({_length(Fraction(str(size)))})" for name, size in sizes if abs(limit.bound) < size
            ]
            if limit.characteristic.kind is Kind.TRAVEL and coarser:
                text = limit_text(limit, bench.axis)
                found.append(f"{planned.id}.{limit.characteristic.name} {text}: finer than {', '.join(coarser)}")
    return found


def expired(bench: BenchDescription, today: date) -> list[str]:
    """Calibrations whose last day is past."""
    return [
        f"the {role}'s calibration {calibration.certificate} expired on {calibration.expires}"
        for role, calibration, _, _ in _calibrations(bench)
        if calibration.expires < today
    ]


def _parts(bench: BenchDescription) -> list[str]:
    real = [f"{role} ({part.kind})" for role, part in bench.parts().items() if part.kind != "stand-in"]
    if not real:
        return ["every part is a stand-in: nothing real moves"]
    without = "a run without --live uses stand-ins" if bench.stand_in else "the bench has no stand-in"
    told = [f"--live {bench.name} moves real parts: {', '.join(real)}; {without}"]
    if bench.stop is None:
        told.append(
            "the bench names no 'stop', so its real parts are only read: add 'stop: {by: drive}' or another way"
        )
    return told


def _end(plan: Plan) -> str:
    limits = sum(len(planned.limits) for planned in plan.procedures)
    return (
        f"{counted(limits, 'limit', gap=' ')} in {counted(len(plan.procedures), 'procedure', gap=' ')}; nothing moved"
    )


# -- text ----------------------------------------------------------------------------------------------------


def _section(title: str, lines: list[str]) -> list[str]:
    return [f"  {title}", *lines] if lines else []


def _bullets(texts: Sequence[str]) -> list[str]:
    return [line for text in texts for line in _wrapped(text, "    ", "      ")]


def _wrapped(text: str, indent: str, further: str = "") -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=further or f"{indent}  ", break_on_hyphens=False
    )


def _length(travel_m: Fraction) -> str:
    """A length in the engineer's unit: µm below a millimetre."""
    fine = 0 < abs(travel_m) < Fraction(1, 1000)
    return with_unit(_number(float(travel_m * (10**6 if fine else 1000))), "µm" if fine else "mm")


def _number(value: float) -> str:
    return f"{value:.6g}".replace("-", MINUS)
