"""What was tested, with what and how sure: the bench's and the plan's facts as rows of words.

The texts that the record sealed are read again; a bench or plan that this version can't read any more is told, and
its text still stands on the page.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date
from fractions import Fraction
from typing import Any

from stepwitness.axis import Axis, Mounting
from stepwitness.bench.description import BenchDescription, Calibration, ReferenceMethod, SafeState
from stepwitness.display import counted, number, with_unit
from stepwitness.findings import DecisionRule
from stepwitness.quantities import Kind, in_unit, pretty
from stepwitness.settings import Setting

RULE_WORDS = {
    DecisionRule.GUARDED: (
        "Guarded acceptance: PASS where all that the uncertainty leaves possible lies inside the limit, FAIL where all "
        "of it lies outside, INCONCLUSIVE between."
    ),
    DecisionRule.SIMPLE: "Simple acceptance: the value alone is held against the limit; U is told beside.",
    DecisionRule.GUARDED_REJECTION: (
        "Guarded rejection: FAIL where all that the uncertainty leaves possible lies outside the limit, PASS otherwise."
    ),
    DecisionRule.STATED_RISK: (
        "Stated risk: PASS where the unit is bad, and FAIL where it is good, with at most the probability stated; "
        "INCONCLUSIVE between."
    ),
}


@dataclass(frozen=True)
class Fact:
    """A name and what is to be said of it."""

    name: str
    words: str


@dataclass(frozen=True)
class PartFacts:
    """One part of the bench: what it is, what it said of itself, and how sure it is.

    `expired` says in words that its calibration had expired when the run started, or is empty.
    """

    role: str
    kind: str
    identity: str
    limits: str
    calibration: str
    expired: str = ""


def quantity(value: float, unit: str, digits: int = 6) -> str:
    """A nominal value as people write it: as many decimals as it needs, in up to so many digits."""
    decimals = len(f"{value:.{digits}g}".partition(".")[2]) if 1e-4 <= abs(value) < 10**digits else 0
    return with_unit(number(value, decimals), unit)


_SHOWN_UNITS: dict[Kind, tuple[tuple[float, str], ...]] = {
    Kind.TRAVEL: ((1e-3, "mm"), (0.0, "um")),
    Kind.ANGLE: ((0.0, "deg"),),
    Kind.TIME: ((1.0, "s"), (0.0, "ms")),
    Kind.SPEED: ((0.0, "mm/s"),),
    Kind.ACCELERATION: ((0.0, "mm/s^2"),),
    Kind.CURRENT: ((0.1, "A"), (0.0, "mA")),
    Kind.RATIO: ((0.0, "%"),),
    Kind.COUNT: ((0.0, ""),),
}


def nominal(value: float, kind: Kind) -> str:
    """A nominal SI value in the unit that people use for its size."""
    choices = _SHOWN_UNITS.get(kind, ((0.0, kind.value),))
    unit = next((unit for least, unit in choices if not value or abs(value) >= least), choices[-1][1])
    return quantity(in_unit(value, unit, kind), pretty(unit))


def axis_facts(axis: Axis) -> list[Fact]:
    """Geometry in the trade's terms, and what one step, microstep and count are worth."""
    facts = [
        Fact("motor", f"{axis.full_steps} full steps a turn, {axis.microsteps} microsteps a step"),
        Fact("travel per turn", nominal(float(axis.travel_per_turn), Kind.TRAVEL)),
        Fact("one full step", nominal(float(axis.step_travel), Kind.TRAVEL)),
        Fact("one microstep", nominal(float(axis.microstep_travel), Kind.TRAVEL)),
    ]
    encoder = axis.encoder
    if encoder is not None:
        per = "a turn" if encoder.mounting is Mounting.MOTOR else "a metre"
        where = f"on the {encoder.mounting.value}{', reversed' if encoder.reversed else ''}"
        lines = _exact(encoder.lines)
        facts.append(Fact("encoder", f"{lines} lines {per}, decoded {encoder.decoding.name}, {where}"))
        facts.append(Fact("one count", nominal(float(axis.count_travel), Kind.TRAVEL)))
    facts.append(Fact("stroke", f"{nominal(float(axis.stroke), Kind.TRAVEL)}, {axis.orientation.value}"))
    return facts


def _exact(value: Fraction) -> str:
    return number(int(value), 0) if value.denominator == 1 else str(value)


def bench_facts(bench: BenchDescription) -> list[Fact]:
    """Envelope, currents, reference and safe state."""
    envelope, motor = bench.envelope, bench.motor
    low, high = nominal(envelope.low_m, Kind.TRAVEL), nominal(envelope.high_m, Kind.TRAVEL)
    facts = [
        Fact(
            "envelope",
            f"{low} to {high}, {nominal(envelope.speed_m_per_s, Kind.SPEED)}, "
            f"{nominal(envelope.acceleration_m_per_s2, Kind.ACCELERATION)}, "
            f"{nominal(envelope.current_a, Kind.CURRENT)}",
        ),
        Fact(
            "motor currents",
            f"rated {nominal(motor.rated_current_a, Kind.CURRENT)}, hold {nominal(motor.hold_current_a, Kind.CURRENT)}",
        ),
        Fact("reference", _reference(bench)),
        Fact(
            "safe state",
            "halted and energised"
            if bench.safe_state is SafeState.HOLD
            else "halted, held, braked, the brake proven, then de-energised",
        ),
        Fact("load", "can turn the screw back" if bench.back_drives else "can't turn the screw back"),
    ]
    if bench.guide_friction_n is not None:
        facts.append(Fact("guide friction", nominal(bench.guide_friction_n, Kind.FORCE)))
    if bench.warmth is not None:
        warmth = bench.warmth
        facts.append(
            Fact(
                "temperature",
                f"{quantity(warmth.above_reference_k, 'K')} ± {quantity(warmth.within_k, 'K')} above 20 °C, expansion "
                f"{quantity(warmth.expansion_per_k * 1e6, 'ppm/K')} ± "
                f"{quantity(warmth.expansion_within_per_k * 1e6, 'ppm/K')}; lengths are told at 20 °C",
            )
        )
    return facts


def _reference(bench: BenchDescription) -> str:
    reference = bench.reference
    at = nominal(reference.at_m, Kind.TRAVEL)
    if reference.method is ReferenceMethod.DATUM:
        return f"a datum at {at}, confirmed by the operator"
    return f"{reference.side.value} limit switch, at {at}"


def part_facts(bench: BenchDescription, identities: dict[str, str], on: date) -> list[PartFacts]:
    """Every part by role, with its calibration as it stood on the day of the run."""
    rows = []
    for role, part in bench.parts().items():
        calibration: Calibration | None = None
        certificate, limits, kind = "", "", Kind.TRAVEL
        if role == "gauge" and bench.gauge is not None:
            gauge = bench.gauge
            calibration = gauge.calibration
            limits = (
                f"range {nominal(gauge.range_m, Kind.TRAVEL)}, resolution {nominal(gauge.resolution_m, Kind.TRAVEL)}"
            )
            if gauge.measuring_force_n:
                limits += f", measuring force {nominal(gauge.measuring_force_n, Kind.FORCE)}"
            if gauge.alignment_turns:
                limits += f", aligned within {nominal(gauge.alignment_turns, Kind.ANGLE)}"
            if gauge.abbe_offset_m:
                limits += (
                    f", {nominal(gauge.abbe_offset_m, Kind.TRAVEL)} beside the nut, tilt within "
                    f"{nominal(gauge.tilt_turns, Kind.ANGLE)}"
                )
        elif role == "meter" and bench.meter is not None:
            calibration, kind = bench.meter.calibration, Kind.CURRENT
        elif role == "counter":
            certificate = bench.counter_certificate
        rows.append(
            PartFacts(
                role=role,
                kind=part.kind,
                identity=identities.get(role, ""),
                limits=limits,
                calibration=_calibration(calibration, kind) if calibration else certificate,
                expired=_expired(calibration, on),
            )
        )
    return rows


def _calibration(calibration: Calibration, kind: Kind) -> str:
    return (
        f"certificate {calibration.certificate}, valid to {calibration.expires.isoformat()}, "
        f"U = {nominal(calibration.expanded_uncertainty, kind)} (k = {calibration.coverage_factor:g})"
    )


def _expired(calibration: Calibration | None, on: date) -> str:
    if calibration is None or calibration.expires >= on:
        return ""
    days = (on - calibration.expires).days
    return f"expired {counted(days, 'day', gap=' ')} before this run"


def setting_facts(settings: Any, axis: Axis) -> list[Fact]:
    """Every setting of a procedure by the key that a plan writes, defaults among them."""
    rows = []
    for item in fields(settings):
        declared: Setting = item.metadata["setting"]
        meaning, _, default = declared.meaning.partition("; default: ")
        value = getattr(settings, item.name)
        given = default if default and not value else _setting(value, declared, axis)
        rows.append(Fact(f"{declared.key}: {meaning}", given))
    return rows


def _setting(value: Any, declared: Setting, axis: Axis) -> str:
    if declared.many:
        return ", ".join(_one(item, declared, axis) for item in value) or "none"
    return _one(value, declared, axis)


_FEW_STEPS = 10


def _one(value: Any, declared: Setting, axis: Axis) -> str:
    if declared.kind is Kind.TRAVEL and 0 < value < _FEW_STEPS * axis.step_travel:
        steps = float(value / axis.step_travel)
        return f"{nominal(value, Kind.TRAVEL)} ({quantity(steps, 'steps', 3)})"
    if declared.kind is not None:
        return nominal(float(value), declared.kind)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
