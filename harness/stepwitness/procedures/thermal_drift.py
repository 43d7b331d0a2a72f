"""Thermal behaviour: an axis that warms up by its own strokes, and how far a fixed place moves meanwhile.

1. After the model of ISO 230-3, thermal distortion by linear motion of components (from memory; its text wasn't at
   hand): strokes over the whole travel, and in between a look at a place near each end, always from the same side.
2. What a place moves is fitted by an exponential approach to where it settles. Where the looks don't bend, only the
   change over the test and the drift at its end are given.
3. One place alone can't tell a screw that grows from a gauge whose zero drifts; the difference of two can. It is the
   expansion of the travel between them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from stepwitness import diagnosis
from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Contribution, Estimate, Figure
from stepwitness.metrology.budget import welch_satterthwaite
from stepwitness.metrology.drift import drift
from stepwitness.metrology.warm_up import LEAST_READINGS, Approach, Measured, warm_up
from stepwitness.procedures.common import (
    NO_COUNTER,
    NO_GAUGE,
    BudgetLine,
    Trace,
    combined,
    contributions,
    load_witness,
    not_observable,
    refuse_speed,
    resolution_of,
    witnesses,
)
from stepwitness.procedures.procedure import Forecast, Journal, Procedure, Readings
from stepwitness.quantities import Kind
from stepwitness.settings import setting

_STROKE_POLL_S = 0.02
"""Between sweeps of a stroke: nothing is read there, but a stall must still be seen."""


@dataclass(frozen=True)
class Settings:
    duration_s: float = setting(
        "duration", Kind.TIME, "how long the axis is kept in motion", default=1800.0, at_least=10.0, at_most=86_400.0
    )
    interval_s: float = setting(
        "interval", Kind.TIME, "time of strokes between two looks", default=60.0, at_least=0.5, at_most=3600.0
    )
    overrun_m: float = setting(
        "overrun", Kind.TRAVEL, "way from which a place is approached upwards", default=1e-3, at_least=1e-5
    )
    speed_m_per_s: float = setting(
        "speed", Kind.SPEED, "speed of the strokes; default: the envelope's", default=0.0, at_least=0.0
    )
    dwell_s: float = setting("dwell", Kind.TIME, "rest before a reading", default=0.2, at_least=0.0, at_most=60.0)


_ISO = "after ISO 230-3, distortion by linear motion (from memory)"
_CHANGE = Characteristic(
    "thermal_change",
    "thermal change of position",
    Kind.TRAVEL,
    "um",
    _ISO,
    "fitted change of a place from the first look to the last, of the place that moves most, signed",
    magnitude=True,
    figure=Figure.EXTREME,
)
_SETTLED = Characteristic(
    "settled_change",
    "thermal change until settled",
    Kind.TRAVEL,
    "um",
    _ISO,
    "the same to the end of all times, by an exponential approach",
    magnitude=True,
    figure=Figure.EXTREME,
)
_SETTLE = Characteristic(
    "settling_time",
    "thermal time constant",
    Kind.TIME,
    "min",
    "own definition",
    "time in which that place goes 63 % of its way to where it settles",
    figure=Figure.READING,
)
_RATE = Characteristic(
    "drift_rate",
    "drift at the end",
    Kind.SPEED,
    "um/h",
    "own definition",
    "slope of the fit at the last look, of the place that drifts most, signed",
    magnitude=True,
    figure=Figure.EXTREME,
)
_EXPANSION = Characteristic(
    "travel_expansion",
    "expansion of the travel",
    Kind.RATIO,
    "ppm",
    "own definition",
    "change of the upper place less that of the lower, over their distance: free of a drift of the gauge's zero",
    magnitude=True,
    figure=Figure.READING,
)
_COUNTED = Characteristic(
    "count_drift",
    "drift of counts",
    Kind.TRAVEL,
    "count",
    "own definition",
    "greatest change of claimed minus counted travel at one place since the first look",
    magnitude=True,
    figure=Figure.EXTREME,
)
_OF_LOAD = (_CHANGE, _SETTLED, _SETTLE, _RATE, _EXPANSION)


def places_m(bench: BenchDescription, settings: Settings) -> tuple[float, float]:
    """A place near each end of the envelope, the lower an overrun away from its edge."""
    axis, envelope = bench.axis, bench.envelope
    low, high = (
        float(axis.travel_of_microsteps(axis.nearest_microstep(at)))
        for at in (envelope.low_m + settings.overrun_m, envelope.high_m - settings.overrun_m)
    )
    return low, high


def _speed(bench: BenchDescription, settings: Settings) -> float:
    return settings.speed_m_per_s or bench.envelope.speed_m_per_s


def _looks(settings: Settings) -> int:
    """Looks at each place: at the start and after each interval."""
    return 1 + math.ceil(settings.duration_s / settings.interval_s - 1e-9)


def _times(bench: BenchDescription, settings: Settings) -> tuple[float, float]:
    """Of the strokes between two looks, which go there and back to the end, and of one look at both places."""
    low_m, high_m = places_m(bench, settings)
    stroke_s, approach_s = (
        motion.duration_s(
            distance_m=distance_m,
            speed_m_per_s=_speed(bench, settings),
            acceleration_m_per_s2=bench.envelope.acceleration_m_per_s2,
        )
        for distance_m in (high_m - low_m, settings.overrun_m)
    )
    pairs = math.ceil(settings.interval_s / (2 * stroke_s))
    return 2 * stroke_s * pairs, 2 * (stroke_s + approach_s + settings.dwell_s)


def check(bench: BenchDescription, settings: Settings) -> Forecast:
    """Refuse too few looks, and places that don't fit; forecast the rest."""
    refuse_speed(bench, settings.speed_m_per_s)
    if _looks(settings) < LEAST_READINGS:
        raise BadInput(
            "too few looks to fit an approach",
            place=Place(key="interval"),
            found=f"{_looks(settings)} looks",
            allowed=f"{LEAST_READINGS} or more: a longer duration or a shorter interval",
        )
    room_m = bench.envelope.high_m - bench.envelope.low_m
    if 4 * settings.overrun_m > room_m:
        raise BadInput(
            "an overrun too long for the envelope",
            place=Place(key="overrun"),
            found=f"{settings.overrun_m * 1e3:g} mm",
            allowed=f"at most {room_m * 250:g} mm",
        )
    looks = _looks(settings)
    strokes_s, look_s = _times(bench, settings)
    return Forecast(
        phrase=f"{settings.duration_s / 60:g} min of strokes, {looks} looks at 2 places",
        duration_s=(looks - 1) * strokes_s + looks * look_s,
        lowest_m=bench.envelope.low_m,
        highest_m=bench.envelope.high_m - settings.overrun_m,
        warnings=(f"thermal behaviour of the load is not observable: {NO_GAUGE}",)
        if load_witness(bench) is None
        else (),
    )


def run(bench: Bench, settings: Settings, journal: Journal) -> None:
    """Look at both places, then strokes for an interval, and so on until the time is over."""
    speed = _speed(bench.description, settings)
    motion.prepare(bench, speed_m_per_s=speed)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed)
    low_m, high_m = places_m(bench.description, settings)
    trace = Trace(journal, "strokes", period_s=settings.interval_s)

    def look(number: int) -> None:
        for place_index, place_m in enumerate((low_m, high_m)):
            motion.move_to(bench, place_m - settings.overrun_m, watch, speed_m_per_s=speed)
            motion.move_to(bench, place_m, watch, speed_m_per_s=speed)
            bench.clock.sleep(settings.dwell_s)
            row = {"look": number, "place_index": place_index, "place_m": place_m}
            journal.write("looks", {**row, **witnesses(bench.sweep())})
        journal.commit()

    stroke = replace(watch, poll_s=_STROKE_POLL_S)
    look(0)
    for number in range(1, _looks(settings)):
        until_s = bench.clock.now() + settings.interval_s
        while bench.clock.now() < until_s:
            for end_m in (low_m, high_m):
                motion.move_to(bench, end_m, stroke, speed_m_per_s=speed, on_sweep=trace)
        look(number)


@dataclass
class Looked:
    """What was seen of one place: when, and how far the claim it was."""

    place_m: float
    times_s: list[float] = field(default_factory=list)
    moved_m: list[float] = field(default_factory=list)


def looked(readings: Readings, column: str) -> list[Looked]:
    """Each place's looks through the witness in `column`, the lower place first."""
    found: dict[int, Looked] = {}
    for row in readings.rows("looks"):
        place = found.setdefault(int(row["place_index"]), Looked(float(row["place_m"])))
        place.times_s.append(float(row["t_s"]))
        place.moved_m.append(float(row[column]) - float(row["claim_m"]))
    return [found[index] for index in sorted(found)]


def evaluate(readings: Readings, bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    """Estimates of every characteristic."""
    del settings
    witness = load_witness(bench)
    load = (
        not_observable([item.name for item in _OF_LOAD], NO_GAUGE)
        if witness is None
        else _of_load(looked(readings, witness), bench, witness)
    )
    return (*load, _count_drift(readings, bench))


def _of_load(places: Sequence[Looked], bench: BenchDescription, witness: str) -> tuple[Estimate, ...]:
    fits = [warm_up(place.times_s, place.moved_m) for place in places]
    at = max(range(len(fits)), key=lambda index: abs(fits[index].change.value))
    most, place = fits[at], places[at]
    fastest = max(fits, key=lambda fit: abs(fit.rate.value))
    length_s = max(place.times_s) - min(place.times_s)
    rounding_m = resolution_of(bench, witness) / math.sqrt(6)
    change = diagnosis.thermal_change(most.change.value, place.place_m, length_s, most.p_value)
    return (
        _estimate(_CHANGE, most.change, most, rounding_m, change),
        *_where_it_settles(most, length_s, rounding_m, change),
        _estimate(
            _RATE,
            fastest.rate,
            fastest,
            rounding_m / length_s,
            diagnosis.thermal_rate(fastest.rate.value, fastest.found),
        ),
        _expansion(fits, places, rounding_m),
    )


def _estimate(
    characteristic: Characteristic, value: Measured, fit: Approach, rounding: float, statement: str
) -> Estimate:
    budget = contributions(
        [
            ("scatter about the fitted approach", value.u, "A", fit.degrees_of_freedom, "t"),
            *([_rounding(rounding)] if rounding else []),
        ]
    )
    return Estimate(characteristic.name, value.value, combined(budget), budget, statement)


def _rounding(u: float) -> BudgetLine:
    return ("resolution of the witness, first look and last", u, "B", math.inf, "triangular")


def _where_it_settles(fit: Approach, length_s: float, rounding_m: float, change: str) -> tuple[Estimate, ...]:
    """What didn't move has settled already; what still runs on a straight line can't be foretold."""
    if not fit.found:
        return (
            _estimate(_SETTLED, fit.change, fit, rounding_m, change),
            *not_observable([_SETTLE.name], "no change beyond scatter, so nothing that could settle"),
        )
    if not fit.bent:
        reason = f"after {length_s / 60:.0f} min the looks don't tell yet where it settles; a longer test does"
        return not_observable([_SETTLED.name, _SETTLE.name], reason)
    said = diagnosis.thermal_settled(fit.settled.value, fit.settle.value)
    return (
        _estimate(_SETTLED, fit.settled, fit, rounding_m, said),
        _estimate(_SETTLE, fit.settle, fit, 0.0, said),
    )


def _expansion(fits: Sequence[Approach], places: Sequence[Looked], rounding_m: float) -> Estimate:
    lower, upper = fits
    distance_m = places[1].place_m - places[0].place_m
    value = (upper.change.value - lower.change.value) / distance_m
    scatters = [(fit.change.u / distance_m, float(fit.degrees_of_freedom)) for fit in fits]
    scatter, dof = math.hypot(*(u for u, _ in scatters)), welch_satterthwaite(scatters)
    budget = contributions(
        [
            ("scatter about both fitted approaches", scatter, "A", dof, "t"),
            _rounding(math.sqrt(2) * rounding_m / distance_m),
        ]
    )
    said = diagnosis.thermal_expansion(value, lower.change.value)
    return Estimate(_EXPANSION.name, value, combined(budget), budget, said)


def _count_drift(readings: Readings, bench: BenchDescription) -> Estimate:
    if bench.counter is None:
        return not_observable([_COUNTED.name], NO_COUNTER)[0]
    away = [[-value for value in place.moved_m] for place in looked(readings, "counted_m")]
    changes = [value - place[0] for place in away for value in place[1:]]
    worst = max(changes, key=abs)
    budget = contributions([_one_count(bench)])
    steadily = min((found for place in away if (found := drift(place).probability) is not None), default=1.0)
    said = diagnosis.count_drift(worst / float(bench.axis.count_travel), steadily)
    return Estimate(_COUNTED.name, worst, combined(budget), budget, said)


def _one_count(bench: BenchDescription) -> BudgetLine:
    return ("one count at each look", float(bench.axis.count_travel) / math.sqrt(6), "B", math.inf, "triangular")


def foresee(bench: BenchDescription, settings: Settings) -> Mapping[str, tuple[Contribution, ...]]:
    """What the witnesses leave of each budget, were nothing to move or to scatter."""
    found: dict[str, tuple[Contribution, ...]] = defaultdict(tuple)
    witness = load_witness(bench)
    if witness is not None:
        rounding_m = resolution_of(bench, witness) / math.sqrt(6)
        low_m, high_m = places_m(bench, settings)
        found[_CHANGE.name] = found[_SETTLED.name] = contributions([_rounding(rounding_m)])
        test_s = (_looks(settings) - 1) * sum(_times(bench, settings))
        found[_RATE.name] = contributions([_rounding(rounding_m / test_s)])
        found[_EXPANSION.name] = contributions([_rounding(math.sqrt(2) * rounding_m / (high_m - low_m))])
    if bench.counter is not None:
        found[_COUNTED.name] = contributions([_one_count(bench)])
    return dict(found)


PROCEDURE = Procedure(
    name="thermal_drift",
    title="thermal drift",
    version="1",
    settings=Settings,
    characteristics=(*_OF_LOAD, _COUNTED),
    check=check,
    run=run,
    evaluate=evaluate,
    foresee=foresee,
)
