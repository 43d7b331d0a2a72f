"""Check standard: the instruments against something that is known, before anything is measured with them.

1. The load goes from one place to another, always from below, and each witness says how far. What that travel is, is
   known from an artefact's certificate or from a reference move that was established when the instruments were good.
2. The meter is read at rest in the hold current, against what it read when it was good.
3. A deviation is judged by its limit as any finding; its trend tells a slow change, and guards every other trend.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Contribution, Estimate
from stepwitness.metrology.statistics import Running
from stepwitness.procedures.common import (
    NO_COUNTER,
    NO_GAUGE,
    calibration_of,
    combined,
    contributions,
    not_observable,
    refuse_speed,
    resolution_of,
    witnesses,
)
from stepwitness.procedures.procedure import Forecast, Journal, Procedure, Readings
from stepwitness.quantities import Kind
from stepwitness.settings import setting

_APPROACH_M = 1e-3


@dataclass(frozen=True)
class Settings:
    from_m: float = setting("from", Kind.TRAVEL, "where the reference move begins")
    to_m: float = setting("to", Kind.TRAVEL, "where it ends, above 'from'")
    known_m: float = setting("known", Kind.TRAVEL, "the travel between both, as it is known", at_least=1e-6)
    known_u_m: float = setting("U", Kind.TRAVEL, "expanded uncertainty of 'known', k = 2", default=0.0, at_least=0.0)
    artefact: str = setting("artefact", str, "what it is known from: an artefact, its certificate", default="")
    known_current_a: float = setting(
        "known_current", Kind.CURRENT, "what the meter reads at rest when it is good", default=0.0, at_least=0.0
    )
    repeats: int = setting("repeats", int, "how often the move is made", default=5, at_least=2, at_most=1000)
    speed_m_per_s: float = setting(
        "speed", Kind.SPEED, "speed of travel; default: a third of the envelope's", default=0.0, at_least=0.0
    )
    dwell_s: float = setting("dwell", Kind.TIME, "rest before a reading", default=0.5, at_least=0.0, at_most=60.0)


_GAUGE = Characteristic(
    "gauge_deviation",
    "gauge against the check standard",
    Kind.TRAVEL,
    "um",
    "own definition",
    "mean travel that the gauge reads over the reference move, less the known one",
    magnitude=True,
)
_COUNTER = Characteristic(
    "counter_deviation",
    "counter against the check standard",
    Kind.TRAVEL,
    "count",
    "own definition",
    "mean travel that was counted over the reference move, less the known one",
    magnitude=True,
)
_METER = Characteristic(
    "current_deviation",
    "meter against the check standard",
    Kind.CURRENT,
    "mA",
    "own definition",
    "mean current that the meter reads at rest, less the known one",
    magnitude=True,
)

INSTRUMENTS = {_GAUGE.name: "gauge", _COUNTER.name: "counter", _METER.name: "meter"}
"""Which part each characteristic checks, by its role in the bench file."""


def _speed(bench: BenchDescription, settings: Settings) -> float:
    return settings.speed_m_per_s or bench.envelope.speed_m_per_s / 3


def check(bench: BenchDescription, settings: Settings) -> Forecast:
    """Refuse a move that doesn't rise or leaves the envelope; forecast the rest."""
    low_m, high_m = bench.envelope.low_m, bench.envelope.high_m
    if settings.to_m <= settings.from_m:
        raise BadInput(
            "a reference move that doesn't rise",
            place=Place(key="to"),
            found=f"{settings.to_m * 1e3:g} mm",
            allowed=f"more than {settings.from_m * 1e3:g} mm",
        )
    for key, at_m in (("from", settings.from_m - _APPROACH_M), ("to", settings.to_m)):
        if not low_m <= at_m <= high_m:
            raise BadInput(
                "a reference move beyond the envelope",
                place=Place(key=key),
                found=f"{(at_m if key == 'to' else settings.from_m) * 1e3:g} mm",
                allowed=f"{(low_m + _APPROACH_M) * 1e3:g} mm to {high_m * 1e3:g} mm",
            )
    refuse_speed(bench, settings.speed_m_per_s)
    way_s = motion.duration_s(
        distance_m=settings.to_m - settings.from_m,
        speed_m_per_s=_speed(bench, settings),
        acceleration_m_per_s2=bench.envelope.acceleration_m_per_s2,
    )
    return Forecast(
        phrase=f"reference move, {settings.repeats} times",
        duration_s=settings.repeats * 2 * (way_s + settings.dwell_s),
        lowest_m=settings.from_m - _APPROACH_M,
        highest_m=settings.to_m,
    )


def run(bench: Bench, settings: Settings, journal: Journal) -> None:
    """Below the start, to the start, to the end; read at both."""
    speed = _speed(bench.description, settings)
    motion.prepare(bench, speed_m_per_s=speed)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed)
    for repeat in range(settings.repeats):
        motion.move_to(bench, settings.from_m - _APPROACH_M, watch, speed_m_per_s=speed)
        for at_end, place_m in ((False, settings.from_m), (True, settings.to_m)):
            motion.move_to(bench, place_m, watch, speed_m_per_s=speed)
            motion.settle(bench, settings.dwell_s)
            sweep = bench.sweep(current=True)
            row = {"repeat": repeat, "at_end": at_end, **witnesses(sweep), "current_a": sweep.current_a}
            journal.write("references", row)
        journal.commit()


def evaluate(readings: Readings, bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    """Mean deviations of each instrument from what is known."""
    moved: dict[str, Running] = {"gauge_m": Running(), "counted_m": Running()}
    current = Running()
    begun: dict[str, float | None] = {}
    for row in readings.rows("references"):
        if row["current_a"] is not None:
            current.add(float(row["current_a"]))
        for column, travel in moved.items():
            before, now = begun.get(column), row[column]
            if row["at_end"] and before is not None and now is not None:
                travel.add(float(now) - before)
            begun[column] = now
    return (
        _travel(_GAUGE, moved["gauge_m"], "gauge_m", bench, settings, NO_GAUGE),
        _travel(_COUNTER, moved["counted_m"], "counted_m", bench, settings, NO_COUNTER),
        _current(current, bench, settings),
    )


def _travel(
    checked: Characteristic, travel: Running, column: str, bench: BenchDescription, settings: Settings, missing: str
) -> Estimate:
    if travel.n < 2:
        return not_observable([checked.name], missing)[0]
    deviation = travel.mean - settings.known_m
    scatter = ("scatter of the mean", travel.sd / math.sqrt(travel.n), "A", travel.n - 1, "t")
    budget = contributions([scatter, *_left_by(column, bench, settings)])
    source = settings.artefact or "the reference move"
    return Estimate(
        checked.name,
        deviation,
        combined(budget),
        budget,
        f"{INSTRUMENTS[checked.name]} against {source}: {travel.mean * 1e3:.4f} mm where "
        f"{settings.known_m * 1e3:.4f} mm is known",
    )


def _left_by(
    column: str, bench: BenchDescription, settings: Settings
) -> list[tuple[str, float, str] | tuple[str, float, str, float, str]]:
    """What is left of the budget where nothing scatters."""
    resolution_m, calibration_m = resolution_of(bench, column), calibration_of(bench, column)
    return [
        ("resolution at both ends", resolution_m / math.sqrt(6), "B", math.inf, "triangular"),
        ("calibration at both ends", math.sqrt(2) * calibration_m, "B"),
        ("known value", settings.known_u_m / 2.0, "B"),
    ]


def _current(current: Running, bench: BenchDescription, settings: Settings) -> Estimate:
    if bench.meter is None:
        return not_observable([_METER.name], "no meter")[0]
    if not settings.known_current_a:
        return not_observable([_METER.name], "the plan doesn't say what the meter should read ('known_current')")[0]
    if current.n < 2:
        return not_observable([_METER.name], "the meter wasn't read")[0]
    scatter = ("scatter of the mean", current.sd / math.sqrt(current.n), "A", current.n - 1, "t")
    budget = contributions([scatter, *_left_by_meter(bench)])
    return Estimate(
        _METER.name,
        current.mean - settings.known_current_a,
        combined(budget),
        budget,
        f"the meter read {current.mean:.4f} A at rest where {settings.known_current_a:.4f} A is known",
    )


def _left_by_meter(bench: BenchDescription) -> list[tuple[str, float, str]]:
    calibration = bench.meter.calibration if bench.meter else None
    return [("calibration of the meter", calibration.standard_uncertainty if calibration else 0.0, "B")]


def foresee(bench: BenchDescription, settings: Settings) -> Mapping[str, Sequence[Contribution]]:
    """What the witnesses leave of each budget, were the axis perfect."""
    found: dict[str, Sequence[Contribution]] = {}
    if bench.gauge is not None:
        found[_GAUGE.name] = contributions(_left_by("gauge_m", bench, settings))
    if bench.counter is not None and bench.axis.encoder is not None:
        found[_COUNTER.name] = contributions(_left_by("counted_m", bench, settings))
    if bench.meter is not None and settings.known_current_a:
        found[_METER.name] = contributions(_left_by_meter(bench))
    return found


PROCEDURE = Procedure(
    name="check_standard",
    title="check standard",
    version="1",
    settings=Settings,
    characteristics=(_GAUGE, _COUNTER, _METER),
    check=check,
    run=run,
    evaluate=evaluate,
    foresee=foresee,
    guards=True,
)
