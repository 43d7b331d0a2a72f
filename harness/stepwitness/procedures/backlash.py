"""Backlash: what the load loses when the direction reverses, told apart from what merely bends.

1. Reversal at the load is what a witness on the load sees. Less the motor's own reversal it is the lost motion
   behind the encoder.
2. Lost motion at two drags separates clearance from wind-up: L(D) = b + 2 (F0 + D)/k, with F0 the guide's own
   friction and D the added drag (first principles; a quasi-static elastic train held by friction).
3. Where nothing reverses the force on the nut, one flank stays loaded and clearance isn't observable.
"""

from __future__ import annotations

import math
import operator
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

from stepwitness import diagnosis
from stepwitness.axis import Axis, Mounting, Orientation
from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.display import counted
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Contribution, Estimate, Figure
from stepwitness.metrology.budget import welch_satterthwaite
from stepwitness.metrology.statistics import NotEnoughReadings, Running
from stepwitness.procedures.common import (
    NO_COUNTER,
    NO_GAUGE,
    BudgetLine,
    Trace,
    both_readings,
    combined,
    contributions,
    counts_on,
    expanded,
    load_witness,
    not_observable,
    refuse_speed,
    resolution_of,
    witnesses,
)
from stepwitness.procedures.procedure import FileTable, Forecast, Journal, Procedure, Readings
from stepwitness.quantities import Kind
from stepwitness.settings import setting


@dataclass(frozen=True)
class Settings:
    places: int = setting("places", int, "number of places along the envelope", default=3, at_least=1, at_most=100)
    repeats: int = setting("repeats", int, "reversals at each place and drag", default=5, at_least=2)
    approach_m: float = setting(
        "approach", Kind.TRAVEL, "travel towards a place before it is read", default=1e-3, at_least=1e-4
    )
    speed_m_per_s: float = setting(
        "speed", Kind.SPEED, "speed of travel; default: a third of the envelope's", default=0.0, at_least=0.0
    )
    dwell_s: float = setting("dwell", Kind.TIME, "rest before a reading", default=0.2, at_least=0.0, at_most=60.0)
    drags_n: tuple[float, ...] = setting(
        "drags",
        Kind.FORCE,
        "drag added on the carriage, at two values or more",
        default=(),
        many=True,
        at_least=0.0,
    )


_REVERSAL = Characteristic(
    "reversal_value",
    "reversal value at the load",
    Kind.TRAVEL,
    "um",
    "ISO 230-2 (2006), definition 2.13",
    "greatest over the places of the absolute difference of the mean positions by direction, at the least added drag",
    "B",
    figure=Figure.EXTREME,
)
_MOTOR_REVERSAL = Characteristic(
    "motor_side_reversal",
    "motor-side reversal",
    Kind.TRAVEL,
    "um",
    "own definition",
    "the same of the motor as counted, in travel: twice the rotor's lag under friction",
    figure=Figure.EXTREME,
)
_LOST_MOTION = Characteristic(
    "lost_motion",
    "lost motion behind the encoder",
    Kind.TRAVEL,
    "um",
    "own definition",
    "greatest over the places of load reversal less motor-side reversal: clearance and wind-up together",
    figure=Figure.EXTREME,
)
_CLEARANCE = Characteristic(
    "clearance",
    "clearance",
    Kind.TRAVEL,
    "um",
    "own definition",
    "lost motion less the wind-up under the guide's friction, from reversals at two drags or more",
)
_WIND_UP = Characteristic(
    "wind_up",
    "wind-up at the guide's friction",
    Kind.TRAVEL,
    "um",
    "own definition",
    "twice the guide's friction over the stiffness found from reversals at two drags or more",
)


@dataclass
class _Reversal:
    """Running means of one place at one drag, by witness and direction."""

    up: dict[str, Running] = field(default_factory=lambda: defaultdict(Running))
    down: dict[str, Running] = field(default_factory=lambda: defaultdict(Running))

    def value(self, witness: str) -> float:
        return self.up[witness].mean - self.down[witness].mean

    def variance(self, witness: str) -> float:
        """Of the difference of the two means."""
        return sum(side[witness].variance / side[witness].n for side in (self.up, self.down))

    def degrees_of_freedom(self, witness: str) -> float:
        """Of that variance."""
        sides = (self.up[witness], self.down[witness])
        return welch_satterthwaite([(math.sqrt(side.variance / side.n), side.n - 1) for side in sides])


def _speed(bench: BenchDescription, settings: Settings) -> float:
    return settings.speed_m_per_s or bench.envelope.speed_m_per_s / 3


def places_m(bench: BenchDescription, settings: Settings) -> tuple[float, ...]:
    """Places evenly inside the envelope, an approach away from its edges, each at another part of a count.

    At places of one phase every reversal is rounded alike, and the mean over them is no better than one.
    """
    low, high = bench.envelope.low_m + settings.approach_m, bench.envelope.high_m - settings.approach_m
    step = (high - low) / (settings.places + 1)
    return tuple(
        _at_phase(bench.axis, low + (index + 1) * step, Fraction(index, settings.places))
        for index in range(settings.places)
    )


def _at_phase(axis: Axis, travel_m: float, phase: Fraction) -> float:
    """Of the microsteps of one step from `travel_m` up, the one that lies nearest to `phase` of a count."""
    first = axis.nearest_microstep(travel_m)
    if axis.encoder is None:
        return float(axis.travel_of_microsteps(first))

    def away(microstep: int) -> Fraction:
        half = Fraction(1, 2)
        return abs((axis.counts_of_microsteps(microstep) - phase + half) % 1 - half)

    return float(axis.travel_of_microsteps(min(range(first, first + axis.microsteps), key=away)))


def _drags(bench: BenchDescription, settings: Settings) -> tuple[float, ...]:
    return settings.drags_n if settings.drags_n and bench.drag is not None else (0.0,)


def check(bench: BenchDescription, settings: Settings) -> Forecast:
    """Refuse drags that nothing applies and approaches that don't fit; forecast the rest."""
    if settings.drags_n and bench.drag is None:
        raise BadInput(
            "drags without a part that applies them",
            place=Place(key="drags"),
            found="drags",
            allowed="a 'drag' part in the bench file, or no drags",
        )
    if len(set(settings.drags_n)) == 1:
        raise BadInput(
            "one drag separates nothing",
            place=Place(key="drags"),
            found="one value",
            allowed="two different drags or more",
        )
    refuse_speed(bench, settings.speed_m_per_s)
    room_m = bench.envelope.high_m - bench.envelope.low_m
    if 4 * settings.approach_m > room_m:
        raise BadInput(
            "an approach too long for the envelope",
            place=Place(key="approach"),
            found=f"{settings.approach_m * 1e3:g} mm",
            allowed=f"at most {room_m * 250:g} mm",
        )
    hop_s = motion.duration_s(
        distance_m=settings.approach_m,
        speed_m_per_s=_speed(bench, settings),
        acceleration_m_per_s2=bench.envelope.acceleration_m_per_s2,
    )
    reversals = settings.places * settings.repeats * len(_drags(bench, settings))
    reason = _unloaded_reason(bench)
    return Forecast(
        phrase=f"{counted(settings.places, 'place', gap=' ')} × {settings.repeats} reversals"
        + (f" × {len(settings.drags_n)} drags" if settings.drags_n else ""),
        duration_s=reversals * 2 * (2 * hop_s + settings.dwell_s) + room_m / _speed(bench, settings),
        lowest_m=bench.envelope.low_m,
        highest_m=bench.envelope.high_m,
        warnings=(f"clearance is not observable: {reason}",) if reason else (),
    )


def run(bench: Bench, settings: Settings, journal: Journal) -> None:
    """At each place and drag: from an approach below up to the place, on, and from above down to it."""
    speed = _speed(bench.description, settings)
    motion.prepare(bench, speed_m_per_s=speed)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed)
    trace = Trace(journal, "reversal", period_s=0.02)

    def go(travel_m: float) -> None:
        motion.move_to(bench, travel_m, watch, speed_m_per_s=speed, on_sweep=trace)

    try:
        for place_index, place in enumerate(places_m(bench.description, settings)):
            for drag_n in _drags(bench.description, settings):
                if bench.drag is not None:
                    bench.drag.set_force(drag_n)
                for repeat in range(settings.repeats):
                    for up in (True, False):
                        go(place - settings.approach_m if up else place + settings.approach_m)
                        go(place)
                        motion.settle(bench, settings.dwell_s)
                        row = {
                            "place_index": place_index,
                            "place_m": place,
                            "drag_n": drag_n,
                            "repeat": repeat,
                            "up": up,
                        }
                        journal.write("reversals", {**row, **witnesses(bench.sweep())})
                journal.commit()
    finally:
        if bench.drag is not None:
            bench.drag.set_force(0.0)


def evaluate(readings: Readings, bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    """Estimates of reversal, lost motion, clearance and wind-up; one pass over the readings."""
    del settings
    cells: dict[tuple[int, float], _Reversal] = defaultdict(_Reversal)
    for row in readings.rows("reversals"):
        cell = cells[int(row["place_index"]), float(row["drag_n"])]
        side = cell.up if row["up"] else cell.down
        for column in ("counted_m", "gauge_m"):
            if row[column] is not None:
                side[column].add(float(row[column]) - float(row["place_m"]))
    witness = load_witness(bench)
    motor = "counted_m" if counts_on(bench, Mounting.MOTOR) else None
    _check_whole(cells, {column for column in (witness, motor) if column is not None})
    least_drag = min(drag for _, drag in cells)
    free = {place: cell for (place, drag), cell in cells.items() if drag == least_drag}
    return (
        *_reversal_estimates(free, bench, witness, motor),
        *_separated(cells, bench, witness, motor),
    )


def _check_whole(cells: Mapping[tuple[int, float], _Reversal], columns: set[str]) -> None:
    """Two readings in each direction at each place and drag, by each witness: without them there is no scatter.

    Raises
    ------
    NotEnoughReadings : at the first place that lacks one.
    """
    if not cells:
        raise NotEnoughReadings("no reversal was read")
    for (place, drag_n), cell in cells.items():
        for way, side in (("up", cell.up), ("down", cell.down)):
            for column in columns:
                if (n := side[column].n) < 2:
                    seen = f"{n} readings of the {_WITNESS[column]} {way}"
                    raise NotEnoughReadings(f"place {place} at {drag_n:g} N has {seen}; 2 are the least")


def _reversal_estimates(
    free: dict[int, _Reversal], bench: BenchDescription, witness: str | None, motor: str | None
) -> tuple[Estimate, ...]:
    estimates: list[Estimate] = []
    motor_place = max(free.values(), key=lambda cell: abs(cell.value(motor))) if motor else None
    if witness is None:
        estimates += not_observable([_REVERSAL.name, _LOST_MOTION.name], NO_GAUGE)
    else:
        place = max(free.values(), key=lambda cell: abs(cell.value(witness)))
        budget = _budget(place, bench, witness)
        value = place.value(witness)
        said = diagnosis.reversal(value, expanded(budget), place.value(motor) if motor else None, bench.axis)
        estimates.append(Estimate(_REVERSAL.name, abs(value), combined(budget), budget, said))
        if motor is None:
            estimates += not_observable([_LOST_MOTION.name], _NO_MOTOR_WITNESS)
        else:
            lost = max(free.values(), key=lambda cell: _lost(cell, witness, motor))
            lost_budget = _budget(lost, bench, witness, motor)
            value = _lost(lost, witness, motor)
            estimates.append(
                Estimate(
                    _LOST_MOTION.name, value, combined(lost_budget), lost_budget, diagnosis.in_trade(value, bench.axis)
                )
            )
    if motor_place is None or motor is None:
        estimates += not_observable([_MOTOR_REVERSAL.name], NO_COUNTER)
    else:
        budget = _budget(motor_place, bench, motor)
        value = abs(motor_place.value(motor))
        estimates.append(
            Estimate(_MOTOR_REVERSAL.name, value, combined(budget), budget, diagnosis.in_trade(value, bench.axis))
        )
    return tuple(estimates)


def _lost(cell: _Reversal, witness: str, motor: str) -> float:
    """Lost motion behind the encoder at one place; signed so that play is positive."""
    return cell.value(motor) - cell.value(witness)


def _separated(
    cells: dict[tuple[int, float], _Reversal], bench: BenchDescription, witness: str | None, motor: str | None
) -> tuple[Estimate, ...]:
    """Clearance and wind-up from the slope of lost motion over drag."""
    names = [_CLEARANCE.name, _WIND_UP.name]
    if witness is None:
        return not_observable(names, NO_GAUGE)
    if motor is None:
        return not_observable(names, _NO_MOTOR_WITNESS)
    drags = sorted({drag for _, drag in cells})
    if reason := _inseparable(bench, drags):
        return not_observable(names, reason)
    assert bench.guide_friction_n is not None
    friction = bench.guide_friction_n
    places = sorted({place for place, _ in cells})
    means = [sum(_lost(cells[place, drag], witness, motor) for place in places) / len(places) for drag in drags]
    # of each drag's mean: a reversal of each witness at each place, with its degrees of freedom
    scatters = [
        [
            (math.sqrt(cell.variance(column)) / len(places), cell.degrees_of_freedom(column))
            for cell in (cells[place, drag] for place in places)
            for column in (witness, motor)
        ]
        for drag in drags
    ]
    scatter = [math.hypot(*(u for u, _ in of_drag)) for of_drag in scatters]
    rounding = _rounding(bench, witness, motor)
    weights_of = _weights(drags, friction)

    def estimate(name: str, statement: Callable[[float], str]) -> Estimate:
        weights = weights_of[name]
        value = sum(weight * mean for weight, mean in zip(weights, means, strict=True))
        dof = welch_satterthwaite(
            [(weight * u, dof) for weight, of_drag in zip(weights, scatters, strict=True) for u, dof in of_drag]
        )
        budget = contributions(
            [
                ("scatter of the reversals", math.hypot(*map(operator.mul, weights, scatter)), "A", dof, "t"),
                _rounding_at_each_drag(weights, rounding),
            ]
        )
        return Estimate(name, value, combined(budget), budget, statement(value))

    return (
        estimate(_CLEARANCE.name, lambda value: diagnosis.in_trade(value, bench.axis)),
        estimate(_WIND_UP.name, lambda value: _stiffness(value, friction)),
    )


def _weights(drags: Sequence[float], friction_n: float) -> dict[str, list[float]]:
    """What each drag's mean lost motion counts for in clearance and in wind-up, by the line through them."""
    centre = sum(drags) / len(drags)
    spread = sum((drag - centre) ** 2 for drag in drags)
    slope = [(drag - centre) / spread for drag in drags]  # for 2/k
    return {
        _CLEARANCE.name: [1 / len(drags) - weight * (centre + friction_n) for weight in slope],
        _WIND_UP.name: [weight * friction_n for weight in slope],
    }


def _rounding_at_each_drag(weights: Sequence[float], rounding: Sequence[Contribution]) -> BudgetLine:
    return ("resolution of both witnesses, at each drag", math.hypot(*weights) * combined(rounding), "B")


def _inseparable(bench: BenchDescription, drags: Sequence[float]) -> str:
    """Why clearance and wind-up can't be told apart on this bench at these drags, or an empty text."""
    if reason := _unloaded_reason(bench):
        return reason
    if len(drags) < 2:
        return "clearance and wind-up can't be told apart at one drag; reverse at two"
    return "" if bench.guide_friction_n is not None else "the bench file doesn't give the guide's own friction"


def _stiffness(wind_up_m: float, friction_n: float) -> str:
    if wind_up_m <= 0:
        return "the train is stiffer than these drags can show"
    return f"axial stiffness about {2 * friction_n / wind_up_m * 1e-6:.2g} N/µm"


def _unloaded_reason(bench: BenchDescription) -> str:
    """Why one flank of the nut stays loaded through a reversal, or an empty text."""
    if bench.axis.orientation is Orientation.VERTICAL:
        return "gravity keeps one flank of the nut loaded in both directions"
    gauge = bench.gauge
    if gauge is not None and bench.guide_friction_n is not None and gauge.measuring_force_n >= bench.guide_friction_n:
        return (
            f"the gauge's measuring force ({gauge.measuring_force_n:g} N) exceeds the guide's friction "
            f"({bench.guide_friction_n:g} N) and keeps one flank of the nut loaded"
        )
    return ""


def _budget(cell: _Reversal, bench: BenchDescription, *columns: str) -> tuple[Contribution, ...]:
    """Budget of one reversal: scatter of the means of each witness, and its resolution at both readings."""
    scatter = [
        (
            f"scatter of the reversals, {_WITNESS[column]}",
            math.sqrt(cell.variance(column)),
            "A",
            cell.degrees_of_freedom(column),
            "t",
        )
        for column in columns
    ]
    return (*contributions(scatter), *_rounding(bench, *columns))


_NO_MOTOR_WITNESS = "lost motion needs a counter on the motor beside the load's witness"
_WITNESS = {"gauge_m": "gauge", "counted_m": "counter"}


def _rounding(bench: BenchDescription, *columns: str) -> tuple[Contribution, ...]:
    """Resolution of each witness in a difference of two readings (JCGM 100 F.2.2.1)."""
    return contributions(both_readings(f"the {_WITNESS[column]}", resolution_of(bench, column)) for column in columns)


def foresee(bench: BenchDescription, settings: Settings) -> Mapping[str, tuple[Contribution, ...]]:
    """What the witnesses leave of each budget, were the axis perfect."""
    witness = load_witness(bench)
    motor = "counted_m" if counts_on(bench, Mounting.MOTOR) else None
    found: dict[str, tuple[Contribution, ...]] = {}
    if witness is not None:
        found[_REVERSAL.name] = _rounding(bench, witness)
    if motor is not None:
        found[_MOTOR_REVERSAL.name] = _rounding(bench, motor)
    if witness is not None and motor is not None:
        rounding = found[_LOST_MOTION.name] = _rounding(bench, witness, motor)
        drags = sorted(set(_drags(bench, settings)))
        if not _inseparable(bench, drags):
            assert bench.guide_friction_n is not None
            for name, weights in _weights(drags, bench.guide_friction_n).items():
                found[name] = contributions([_rounding_at_each_drag(weights, rounding)])
    return found


PROCEDURE = Procedure(
    name="backlash",
    title="backlash",
    version="2",
    settings=Settings,
    characteristics=(_REVERSAL, _MOTOR_REVERSAL, _LOST_MOTION, _CLEARANCE, _WIND_UP),
    check=check,
    run=run,
    evaluate=evaluate,
    foresee=foresee,
    from_file=FileTable("reversals", place="place", repeat="repeat", drag=True),
)
