"""Repeatability: targets approached in both directions, after ISO 230-2, with the witnesses side by side.

1. The standard's figures are the load's: they come from a witness on the load, or they aren't observable.
2. The same motion, counted at the motor, gives motor-side figures under names of their own.
3. Along the way the witnesses are held against each other: scale of counter against gauge, and closure of counts.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from stepwitness import diagnosis
from stepwitness.axis import Mounting
from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Contribution, Estimate, Figure, Range
from stepwitness.metrology.budget import welch_satterthwaite
from stepwitness.metrology.design import even_axis
from stepwitness.metrology.drift import drift
from stepwitness.metrology.positioning import Positioning, PositioningAccumulator
from stepwitness.metrology.positioning_intervals import MEASURAND, FigureInterval, figure_intervals
from stepwitness.metrology.statistics import SlopeAccumulator
from stepwitness.metrology.targets import Cycle, shortfalls, target_positions, visits
from stepwitness.metrology.uncertainty import Budget, positioning_budgets
from stepwitness.procedures.common import (
    NO_COUNTER,
    NO_GAUGE,
    NO_RETURNS,
    BudgetLine,
    Trace,
    both_readings,
    calibration_of,
    combined,
    contributions,
    counts_on,
    expansion_of,
    has_gauge,
    load_witness,
    not_observable,
    of_length,
    refuse_speed,
    resolution_of,
    shared,
    witnesses,
)
from stepwitness.procedures.procedure import FileTable, Forecast, Journal, Procedure, Readings
from stepwitness.quantities import Kind
from stepwitness.settings import setting

_SETTLED_TRACE_S = 0.05

STANDARD = "ISO 230-2"
NOT_TO_STANDARD = f"computed, but not a test to {STANDARD}"


@dataclass(frozen=True)
class Settings:
    targets: int = setting("targets", int, "number of target positions", default=11, at_least=2, at_most=1000)
    runs: int = setting("runs", int, "approaches to each target in each direction", default=5, at_least=2)
    speed_m_per_s: float = setting(
        "speed", Kind.SPEED, "speed of travel; default: the envelope's", default=0.0, at_least=0.0
    )
    dwell_s: float = setting("dwell", Kind.TIME, "rest before a reading", default=0.2, at_least=0.0, at_most=60.0)
    overrun_m: float = setting(
        "overrun",
        Kind.TRAVEL,
        "travel beyond the outer targets before the axis turns",
        default=5e-4,
        at_least=1e-5,
    )
    seed: int = setting("seed", int, "seed of the random part of the targets", default=1)
    cycle: str = setting(
        "cycle",
        str,
        "standard: all targets up, then all down; step: up and down at each in its turn, never for acceptance",
        default=Cycle.STANDARD.value,
        choices=tuple(cycle.value for cycle in Cycle),
    )


_ISO = "ISO 230-2 (2006), definition"
"""The 2006 edition's numbers; the 2014 edition keeps the formulas (its text was not at hand)."""

_LOAD_FIGURES = (
    Characteristic(
        "bidirectional_repeatability",
        "bidirectional repeatability",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.19",
        "greatest over the targets of 2 s↑ + 2 s↓ + |B|, 4 s↑ and 4 s↓ there",
        "R",
        figure=Figure.SPREAD,
    ),
    Characteristic(
        "repeatability_up",
        "unidirectional repeatability",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.18",
        "greatest 4 s of the approaches in the positive direction",
        "R↑",
        figure=Figure.SPREAD,
    ),
    Characteristic(
        "repeatability_down",
        "unidirectional repeatability",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.18",
        "greatest 4 s of the approaches in the negative direction",
        "R↓",
        figure=Figure.SPREAD,
    ),
    Characteristic(
        "reversal_value",
        "reversal value",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.13",
        "greatest over the targets of the absolute difference of the mean deviations of both directions",
        "B",
        figure=Figure.EXTREME,
    ),
    Characteristic(
        "mean_reversal",
        "mean reversal value",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.14",
        "mean over the targets of the mean deviation upwards less that downwards, signed",
        "B̄",
        magnitude=True,
        figure=Figure.MEAN,
    ),
    Characteristic(
        "bidirectional_systematic_deviation",
        "bidirectional systematic deviation",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.21",
        "range of the mean deviations of both directions",
        "E",
        figure=Figure.SPREAD,
    ),
    Characteristic(
        "bidirectional_accuracy",
        "bidirectional accuracy",
        Kind.TRAVEL,
        "um",
        f"{_ISO} 2.24",
        "range of mean deviation ± 2 s over both directions",
        "A",
        figure=Figure.SPREAD,
    ),
)
_MOTOR_FIGURES = (
    Characteristic(
        "motor_side_repeatability",
        "motor-side repeatability",
        Kind.TRAVEL,
        "um",
        f"formula of {_ISO} 2.19 on counts",
        "bidirectional repeatability of the motor shaft in travel, as counted; says nothing of the load",
        figure=Figure.SPREAD,
    ),
    Characteristic(
        "motor_side_mean_reversal",
        "motor-side mean reversal",
        Kind.TRAVEL,
        "um",
        f"formula of {_ISO} 2.14 on counts",
        "mean reversal of the motor shaft in travel, as counted: twice the rotor's lag under friction",
        magnitude=True,
        figure=Figure.MEAN,
    ),
)
_WITNESS_FIGURES = (
    Characteristic(
        "scale_difference",
        "scale, counter − gauge",
        Kind.RATIO,
        "ppm",
        "own definition",
        "slope of counted against gauged travel, less one; lead or gauge, which can't be told without a check standard",
        magnitude=True,
        figure=Figure.MEAN,
    ),
    Characteristic(
        "count_closure",
        "closure of counts",
        Kind.TRAVEL,
        "count",
        "own definition",
        "greatest change of claimed minus counted travel on the return to the start",
        magnitude=True,
        figure=Figure.EXTREME,
    ),
    Characteristic(
        "start_drift",
        "drift of the start",
        Kind.TRAVEL,
        "um",
        "own definition",
        "gauged position of the start after the last run less that before the first, the start claimed alike",
        magnitude=True,
        figure=Figure.READING,
    ),
)
ATTRIBUTES = {
    "bidirectional_repeatability": "R",
    "repeatability_up": "R_up",
    "repeatability_down": "R_down",
    "reversal_value": "B",
    "mean_reversal": "B_mean",
    "bidirectional_systematic_deviation": "E",
    "bidirectional_accuracy": "A",
    "motor_side_repeatability": "R",
    "motor_side_mean_reversal": "B_mean",
}
"""Which attribute of a `Positioning` each characteristic is."""


def _speed(bench: BenchDescription, settings: Settings) -> float:
    return settings.speed_m_per_s or bench.envelope.speed_m_per_s


def targets_m(bench: BenchDescription, settings: Settings) -> tuple[float, ...]:
    """Target positions in travel: equal intervals over the envelope less the overruns, each target but the outer two
    shifted by a random part, the same for the same seed (after ISO 230-2 4.3)."""
    low, high = bench.envelope.low_m + settings.overrun_m, bench.envelope.high_m - settings.overrun_m
    exact = target_positions(low, high, settings.targets, seed=settings.seed)
    return tuple(float(bench.axis.travel_of_microsteps(bench.axis.nearest_microstep(at))) for at in exact)


def check(bench: BenchDescription, settings: Settings) -> Forecast:
    """Refuse settings that leave no room between the overruns; forecast the rest."""
    room_m = bench.envelope.high_m - bench.envelope.low_m - 2 * settings.overrun_m
    if room_m <= 0:
        raise BadInput(
            "the overruns leave no travel for targets",
            place=Place(key="overrun"),
            found=f"overrun of {settings.overrun_m * 1e3:g} mm",
            allowed=f"less than {(bench.envelope.high_m - bench.envelope.low_m) * 500:g} mm",
        )
    refuse_speed(bench, settings.speed_m_per_s)
    warnings = []
    if load_witness(bench) is None:
        warnings.append(f"figures of the load are not observable: {NO_GAUGE}")
    short = shortfalls(room_m, targets=settings.targets, runs=settings.runs, cycle=Cycle(settings.cycle))
    if short:
        warnings.append(f"{NOT_TO_STANDARD}: {'; '.join(short)}")
    hop_s, turn_s = (
        motion.duration_s(
            distance_m=distance_m,
            speed_m_per_s=_speed(bench, settings),
            acceleration_m_per_s2=bench.envelope.acceleration_m_per_s2,
        )
        for distance_m in (room_m / (settings.targets - 1), settings.overrun_m)
    )
    stepping = Cycle(settings.cycle) is Cycle.STEP
    if stepping:  # each reading takes a way beyond its target and one back, on average one and a half overruns long
        hop_s = 3 * turn_s
    way_s = (settings.targets - 1) * hop_s + settings.targets * settings.dwell_s + 2 * turn_s
    return Forecast(
        phrase=f"{settings.targets} targets × {settings.runs} runs × 2 directions{', step cycle' if stepping else ''}",
        duration_s=2 * settings.runs * way_s + (settings.runs + 1) * settings.dwell_s,
        lowest_m=bench.envelope.low_m,
        highest_m=bench.envelope.high_m,
        warnings=tuple(warnings),
    )


def run(bench: Bench, settings: Settings, journal: Journal) -> None:
    """The test cycle: up through all targets, over the end, down through all targets, over the start; or by steps."""
    speed = _speed(bench.description, settings)
    motion.prepare(bench, speed_m_per_s=speed)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed)
    targets = targets_m(bench.description, settings)
    start, end = targets[0] - settings.overrun_m, targets[-1] + settings.overrun_m
    trace = Trace(journal, "travel", period_s=_SETTLED_TRACE_S)

    def go(travel_m: float) -> None:
        motion.move_to(bench, travel_m, watch, speed_m_per_s=speed, on_sweep=trace)

    def close(run_index: int) -> None:
        motion.settle(bench, settings.dwell_s)
        journal.write("closure", {"run": run_index, **witnesses(bench.sweep())})
        journal.commit()

    def read(index: int, run_index: int, up: bool) -> None:
        go(targets[index])
        motion.settle(bench, settings.dwell_s)
        row = {"target_index": index, "target_m": targets[index], "run": run_index, "up": up}
        journal.write("positions", {**row, **witnesses(bench.sweep())})

    # the start is always reached from above, so that the closure compares like with like
    go(targets[0])
    go(start)
    close(0)
    if Cycle(settings.cycle) is Cycle.STEP:
        for index, run_index, up in visits(len(targets), settings.runs, Cycle.STEP):
            go(targets[index] - settings.overrun_m if up else targets[index] + settings.overrun_m)
            read(index, run_index, up)
        go(start)
        close(settings.runs)
        return
    for run_index in range(settings.runs):
        for up in (True, False):
            order = range(len(targets)) if up else reversed(range(len(targets)))
            for index in order:
                read(index, run_index, up)
            go(end if up else start)
        close(run_index + 1)


def evaluate(readings: Readings, bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    """Estimates of every characteristic; one pass over the readings, in memory that doesn't grow with them."""
    load, motor = PositioningAccumulator(), PositioningAccumulator()
    scale = {up: SlopeAccumulator() for up in (True, False)}
    places: set[float] = set()
    witness = load_witness(bench)
    has_motor = counts_on(bench, Mounting.MOTOR)
    both = has_motor and has_gauge(bench)
    grown = expansion_of(bench, witness) if witness else 0.0
    for row in readings.rows("positions"):
        index, up, target = int(row["target_index"]), bool(row["up"]), float(row["target_m"])
        places.add(target)
        if witness is not None:
            load.add(index, up, float(row[witness]) - target * (1 + grown))
        if has_motor:
            motor.add(index, up, float(row["counted_m"]) - target)
        if both:
            scale[up].add(float(row["gauge_m"]) * (1 - grown), float(row["counted_m"]))
    return (
        *_load_estimates(load, bench, witness, places, settings),
        *_motor_estimates(motor, bench, has_motor),
        *_scale_estimate(scale, bench, both, places),
        *_closure_estimate(readings, bench),
        *_drift_estimate(readings, bench),
    )


def _shortfalls(places: set[float], figures: Positioning, settings: Settings) -> tuple[str, ...]:
    """Why these readings are no test to the standard, or none; from the readings, not from what was asked."""
    travel_m = max(places) - min(places)
    if travel_m == 0.0:
        return ()
    return shortfalls(travel_m, targets=figures.m, runs=figures.n, cycle=Cycle(settings.cycle))


def _witness(bench: BenchDescription, column: str) -> tuple[float, float]:
    """Least step and standard calibration uncertainty of the witness in a column, in metres."""
    return resolution_of(bench, column), calibration_of(bench, column)


def _load_estimates(
    load: PositioningAccumulator, bench: BenchDescription, witness: str | None, places: set[float], settings: Settings
) -> tuple[Estimate, ...]:
    names = [item.name for item in _LOAD_FIGURES]
    if witness is None:
        return not_observable(names, NO_GAUGE)
    figures = load.result()
    short = _shortfalls(places, figures, settings)
    told = f"; {NOT_TO_STANDARD}: {'; '.join(short)}" if short else ""
    estimates = _estimates(
        names,
        figures,
        _witness(bench, witness),
        lambda attribute, held: f"{diagnosis.load_figure(attribute, held)}{told}",
        of_length(bench, witness, max(places) - min(places)),
    )
    return tuple(replace(item, deviations=tuple(f"{text} ({STANDARD})" for text in short)) for item in estimates)


def _motor_estimates(motor: PositioningAccumulator, bench: BenchDescription, has_motor: bool) -> tuple[Estimate, ...]:
    names = [item.name for item in _MOTOR_FIGURES]
    if not has_motor:
        return not_observable(names, NO_COUNTER)
    return _estimates(names, motor.result(), _witness(bench, "counted_m"), diagnosis.motor_figure)


def _estimates(
    names: list[str],
    figures: Positioning,
    witness: tuple[float, float],
    say: Callable[[str, Positioning], str],
    of_travel: Sequence[BudgetLine] = (),
) -> tuple[Estimate, ...]:
    """`of_travel` is what the whole travel owes to temperature and alignment: a bound for any two places of it."""
    resolution_m, calibration_m = witness
    budgets = positioning_budgets(figures, resolution_m=resolution_m, calibration_u_m=calibration_m)
    # between two places a calibration counts twice, and this once
    beside_m = combined(contributions(of_travel)) / math.sqrt(2)
    intervals = figure_intervals(figures, resolution=resolution_m, calibration_u=math.hypot(calibration_m, beside_m))
    estimates = []
    for name in names:
        attribute = ATTRIBUTES[name]
        budget, found = _with_travel(attribute, budgets[attribute], of_travel), intervals[attribute]
        estimates.append(
            Estimate(
                name,
                getattr(figures, attribute),
                combined(budget),
                budget,
                say(attribute, figures),
                interval=_range(found),
                known=found.known,
            )
        )
    return tuple(estimates)


def _with_travel(attribute: str, budget: Budget, of_travel: Sequence[BudgetLine]) -> tuple[Contribution, ...]:
    """A figure between two places owes to the travel between them what one at a place doesn't."""
    return contributions([*budget, *(of_travel if attribute in ("E", "A") else ())])


def _range(found: FigureInterval) -> Range:
    return Range(found.interval.low, found.interval.high, found.interval.confidence, MEASURAND)


def _scale_estimate(
    scale: dict[bool, SlopeAccumulator], bench: BenchDescription, both: bool, places: set[float]
) -> tuple[Estimate, ...]:
    """Mean of the slopes of the two directions, so that reversal is no scatter about the line."""
    if not both:
        return not_observable(["scale_difference"], "scale needs a counter on the motor and a gauge on the load")
    if len(places) == 1:
        return not_observable(["scale_difference"], "scale takes two targets or more")
    slopes = [accumulator.result() for accumulator in scale.values()]
    span_m = slopes[0].span
    calibration_m = calibration_of(bench, "gauge_m")
    scatter = math.hypot(*(slope.standard_uncertainty for slope in slopes)) / len(slopes)
    dof = welch_satterthwaite([(slope.standard_uncertainty, slope.n - 2) for slope in slopes])
    budget = contributions(
        [
            ("scatter about the fitted lines", scatter, "A", dof, "t"),
            ("gauge calibration at both ends of the span", math.sqrt(2) * calibration_m / span_m, "B"),
            *shared(of_length(bench, "gauge_m", span_m), 1 / span_m),
        ]
    )
    value = sum(slope.slope for slope in slopes) / len(slopes) - 1
    return (Estimate("scale_difference", value, combined(budget), budget, diagnosis.scale(value, span_m)),)


def _closure_estimate(readings: Readings, bench: BenchDescription) -> tuple[Estimate, ...]:
    if bench.counter is None:
        return not_observable(["count_closure"], NO_COUNTER)
    returns = [
        (row["claim_m"] - row["counted_m"], None if row["gauge_m"] is None else row["claim_m"] - row["gauge_m"])
        for row in readings.rows("closure")
    ]
    if len(returns) < 2:
        return not_observable(["count_closure"], NO_RETURNS)
    (counted_at_start, gauge_at_start), later = returns[0], returns[1:]
    counted, gauged = max(later, key=lambda pair: abs(pair[0] - counted_at_start))
    worst = counted - counted_at_start
    gauge_worst = None if gauged is None or gauge_at_start is None else gauged - gauge_at_start
    count_m = float(bench.axis.count_travel)
    budget = contributions([_one_count(bench)])
    statement = diagnosis.closure(worst / count_m, gauge_worst)
    return (Estimate("count_closure", worst, combined(budget), budget, statement),)


def _drift_estimate(readings: Readings, bench: BenchDescription) -> tuple[Estimate, ...]:
    if not has_gauge(bench):
        return not_observable(["start_drift"], NO_GAUGE)
    starts = [row["gauge_m"] - row["claim_m"] for row in readings.rows("closure") if row["gauge_m"] is not None]
    if len(starts) < 2:
        return not_observable(["start_drift"], NO_RETURNS)
    found = drift(starts)
    resolution_m, _ = _witness(bench, "gauge_m")
    budget = contributions([both_readings("the gauge", resolution_m)])
    statement = diagnosis.start_drift(found.total, found.spread, found.probability)
    return (Estimate("start_drift", found.total, combined(budget), budget, statement),)


def foresee(bench: BenchDescription, settings: Settings) -> Mapping[str, tuple[Contribution, ...]]:
    """What the witnesses leave of each figure's budget, were the axis perfect."""
    found: dict[str, tuple[Contribution, ...]] = {}
    still = even_axis(settings.targets, settings.runs, scatter=0.0)
    witness, targets = load_witness(bench), targets_m(bench, settings)
    sides: list[tuple[tuple[Characteristic, ...], str]] = [(_LOAD_FIGURES, witness)] if witness else []
    if counts_on(bench, Mounting.MOTOR):
        sides.append((_MOTOR_FIGURES, "counted_m"))
    for figures, column in sides:
        resolution_m, calibration_m = _witness(bench, column)
        budgets: Mapping[str, Budget] = positioning_budgets(
            still, resolution_m=resolution_m, calibration_u_m=calibration_m
        )
        of_travel = of_length(bench, column, targets[-1] - targets[0])
        for item in figures:
            attribute = ATTRIBUTES[item.name]
            found[item.name] = _with_travel(attribute, budgets[attribute], of_travel)
    if bench.counter is not None:
        found["count_closure"] = contributions([_one_count(bench)])
    if has_gauge(bench):
        resolution_m, calibration_m = _witness(bench, "gauge_m")
        found["start_drift"] = contributions([both_readings("the gauge", resolution_m)])
        if counts_on(bench, Mounting.MOTOR):
            span_m = targets[-1] - targets[0]
            found["scale_difference"] = contributions(
                [
                    ("gauge calibration at both ends of the span", math.sqrt(2) * calibration_m / span_m, "B"),
                    *shared(of_length(bench, "gauge_m", span_m), 1 / span_m),
                ]
            )
    return found


def _one_count(bench: BenchDescription) -> tuple[str, float, str, float, str]:
    return ("one count at each end", float(bench.axis.count_travel) / math.sqrt(6), "B", math.inf, "triangular")


PROCEDURE = Procedure(
    name="repeatability",
    title="repeatability",
    version="4",
    settings=Settings,
    characteristics=_LOAD_FIGURES + _MOTOR_FIGURES + _WITNESS_FIGURES,
    check=check,
    run=run,
    evaluate=evaluate,
    foresee=foresee,
    from_file=FileTable("positions", place="target", repeat="run"),
)
