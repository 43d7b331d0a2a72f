"""Errors of the screw along the travel: fine steps over whole leads, at places of the stroke, there and back.

1. What repeats with the lead, with the electrical cycle of the motor and with its full step is fitted by least squares
   at those periods, to the mean of both directions, stretch by stretch; the greatest stretch is the figure.
2. Pitch error is what the deviation gains over one lead; hysteresis is the difference of the directions at each place.
3. Everything is the load's, so it takes a witness there. A motor-side counter tells which side of it an error lies on.
4. Calibration of a witness is taken as independent between crest and trough, however near, as between any two places.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from stepwitness import diagnosis
from stepwitness.axis import FULL_STEPS_PER_ELECTRICAL_PERIOD, Axis, Mounting
from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.display import counted
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Contribution, Estimate, Figure
from stepwitness.metrology.periodic import Harmonic, condition, periodic_error
from stepwitness.metrology.positioning import Positioning, PositioningAccumulator
from stepwitness.metrology.screw_errors import Curve, hysteresis, pitch_error
from stepwitness.procedures.common import (
    NO_GAUGE,
    BudgetLine,
    Trace,
    calibration_of,
    combined,
    contributions,
    counts_on,
    expansion_of,
    load_witness,
    not_observable,
    of_length,
    refuse_speed,
    resolution_of,
    shared,
    witnesses,
)
from stepwitness.procedures.procedure import Forecast, Journal, Procedure, Readings
from stepwitness.quantities import Kind
from stepwitness.settings import setting

_WELL_APART = 3.0
"""Condition number of the fit at which places are taken to tell all periods apart."""

_LEAST_PHASES = 3
"""Of a period, at which a sine can be fitted at all."""


@dataclass(frozen=True)
class Settings:
    places: int = setting("places", int, "stretches along the envelope", default=3, at_least=1, at_most=100)
    leads: int = setting("leads", int, "whole leads of each stretch", default=2, at_least=2, at_most=50)
    steps: int = setting(
        "steps",
        int,
        "steps in one lead, or the next number above that tells the periods apart",
        default=24,
        at_least=12,
        at_most=1000,
    )
    runs: int = setting("runs", int, "times there and back", default=2, at_least=2)
    lead_m: float = setting(
        "lead", Kind.TRAVEL, "lead of the screw; default: travel of one motor turn", default=0.0, at_least=0.0
    )
    overrun_m: float = setting(
        "overrun", Kind.TRAVEL, "travel beyond a stretch before the axis turns", default=5e-4, at_least=1e-5
    )
    speed_m_per_s: float = setting(
        "speed", Kind.SPEED, "speed of travel; default: a third of the envelope's", default=0.0, at_least=0.0
    )
    dwell_s: float = setting("dwell", Kind.TIME, "rest before a reading", default=0.2, at_least=0.0, at_most=60.0)


_OWN = "own definition"
_TURN = Characteristic(
    "periodic_error_lead",
    "periodic error over one lead",
    Kind.TRAVEL,
    "um",
    _OWN,
    "greatest over the stretches of the amplitude with the period of one lead, by least squares",
    figure=Figure.EXTREME,
)
_CYCLE = Characteristic(
    "periodic_error_cycle",
    "periodic error over one electrical cycle",
    Kind.TRAVEL,
    "um",
    _OWN,
    "greatest over the stretches of the amplitude with the period of four full steps, by least squares: a winding "
    "current with an offset",
    figure=Figure.EXTREME,
)
_TWO_STEPS = Characteristic(
    "periodic_error_two_steps",
    "periodic error over two full steps",
    Kind.TRAVEL,
    "um",
    _OWN,
    "greatest over the stretches of the amplitude with the period of two full steps, by least squares: windings whose "
    "currents differ",
    figure=Figure.EXTREME,
)
_STEP = Characteristic(
    "periodic_error_step",
    "periodic error over one full step",
    Kind.TRAVEL,
    "um",
    _OWN,
    "greatest over the stretches of the amplitude with the period of one full step, by least squares: detent, or "
    "microstep currents that are no sines",
    figure=Figure.EXTREME,
)
_PITCH = Characteristic(
    "pitch_error",
    "pitch error",
    Kind.TRAVEL,
    "um",
    _OWN,
    "greatest absolute deviation gained over one lead, within a stretch",
    figure=Figure.EXTREME,
)
_CUMULATIVE = Characteristic(
    "cumulative_pitch_error",
    "cumulative pitch error",
    Kind.TRAVEL,
    "um",
    "own definition, after travel variation in ISO 3408-3 (from memory)",
    "greatest less least deviation about the line through all of them",
    figure=Figure.EXTREME,
)
_LEAD = Characteristic(
    "mean_lead_error",
    "error of the mean lead",
    Kind.RATIO,
    "ppm",
    _OWN,
    "slope of that line: travel of the load over travel of the screw by its nominal lead, less one",
    magnitude=True,
    figure=Figure.MEAN,
)
_HYSTERESIS = Characteristic(
    "hysteresis",
    "hysteresis",
    Kind.TRAVEL,
    "um",
    "formula of ISO 230-2 (2006), definition 2.13, at each place",
    "greatest absolute difference of the mean deviations of both directions",
    figure=Figure.EXTREME,
)
_VARIATION = Characteristic(
    "hysteresis_variation",
    "variation of hysteresis",
    Kind.TRAVEL,
    "um",
    _OWN,
    "greatest less least difference of the mean deviations of both directions, along the travel",
    figure=Figure.EXTREME,
)
_CHARACTERISTICS = (_TURN, _CYCLE, _TWO_STEPS, _STEP, _PITCH, _CUMULATIVE, _LEAD, _HYSTERESIS, _VARIATION)


def lead_of(axis: Axis, settings: Settings) -> float:
    return settings.lead_m or float(axis.travel_per_turn)


def periods_of(axis: Axis, settings: Settings) -> dict[str, float]:
    """Periods in travel by characteristic, those that the drive's microsteps can sample."""
    steps = {_CYCLE.name: FULL_STEPS_PER_ELECTRICAL_PERIOD, _TWO_STEPS.name: 2, _STEP.name: 1}
    return {
        _TURN.name: lead_of(axis, settings),
        **{
            name: period * float(axis.step_travel)
            for name, period in steps.items()
            if period * axis.microsteps >= _LEAST_PHASES
        },
    }


def stretches_m(bench: BenchDescription, settings: Settings) -> tuple[tuple[float, ...], ...]:
    """Targets of each stretch, ascending, each on a microstep.

    Raises
    ------
    BadInput : where the stretches don't fit beside each other, or no number of steps tells the periods apart.
    """
    axis, envelope, lead_m = bench.axis, bench.envelope, lead_of(bench.axis, settings)
    low_m, high_m = envelope.low_m + settings.overrun_m, envelope.high_m - settings.overrun_m
    length_m = settings.leads * lead_m
    if settings.places * length_m > high_m - low_m:
        raise BadInput(
            "stretches that don't fit the envelope beside each other",
            place=Place(key="places"),
            found=f"{settings.places} stretches of {length_m * 1e3:g} mm",
            allowed=f"{(high_m - low_m) * 1e3:g} mm in all",
        )
    gap_m = (high_m - low_m - length_m) / max(settings.places - 1, 1)
    first_m = low_m if settings.places > 1 else (low_m + high_m - length_m) / 2
    steps = _steps(axis, settings)
    return tuple(_stretch(axis, first_m + index * gap_m, settings, steps) for index in range(settings.places))


def _stretch(axis: Axis, start_m: float, settings: Settings, steps: int) -> tuple[float, ...]:
    start, lead = axis.nearest_microstep(start_m), lead_of(axis, settings) / float(axis.microstep_travel)
    at = (start + round(index * lead / steps) for index in range(settings.leads * steps + 1))
    return tuple(float(axis.travel_of_microsteps(microstep)) for microstep in at)


def _steps(axis: Axis, settings: Settings) -> int:
    """The least number of steps in a lead, from the one asked, at which the periods don't look alike."""
    periods = list(periods_of(axis, settings).values())
    most = min(2 * settings.steps, int(lead_of(axis, settings) / float(axis.microstep_travel)))
    for steps in range(settings.steps, most + 1):
        if condition(_stretch(axis, 0.0, settings, steps), periods) <= _WELL_APART:
            return steps
    raise BadInput(
        "no number of steps in a lead tells its periods apart",
        place=Place(key="steps"),
        found=f"{settings.steps} to {most}",
        allowed="a number that isn't in step with the motor's own steps, and no more than a lead has microsteps",
    )


def _speed(bench: BenchDescription, settings: Settings) -> float:
    return settings.speed_m_per_s or bench.envelope.speed_m_per_s / 3


def check(bench: BenchDescription, settings: Settings) -> Forecast:
    """Refuse stretches that don't fit and steps that sample alike; forecast the rest."""
    refuse_speed(bench, settings.speed_m_per_s)
    stretches = stretches_m(bench, settings)
    speed, envelope = _speed(bench, settings), bench.envelope

    def takes_s(distance_m: float) -> float:
        return motion.duration_s(
            distance_m=distance_m, speed_m_per_s=speed, acceleration_m_per_s2=envelope.acceleration_m_per_s2
        )

    stops = len(stretches[0])
    way_s = stops * (takes_s(stretches[0][1] - stretches[0][0]) + settings.dwell_s) + 2 * takes_s(settings.overrun_m)
    travel_m = envelope.high_m - envelope.low_m
    reasons = (
        [f"errors of the screw are not observable: {NO_GAUGE}"]
        if load_witness(bench) is None
        else [f"the error over a full step is not observable: {_too_few(bench.axis)}"]
        if bench.axis.microsteps < _LEAST_PHASES
        else []
    )
    return Forecast(
        phrase=f"{counted(settings.places, 'place', gap=' ')} × {counted(settings.leads, 'lead', gap=' ')} "
        f"× {(stops - 1) // settings.leads} steps × {settings.runs} runs × 2 directions",
        duration_s=settings.places * settings.runs * 2 * way_s + travel_m / speed,
        lowest_m=min(min(one) for one in stretches) - settings.overrun_m,
        highest_m=max(max(one) for one in stretches) + settings.overrun_m,
        warnings=tuple(reasons),
    )


def _too_few(axis: Axis) -> str:
    microsteps = counted(axis.microsteps, "microstep", gap=" ")
    return f"{microsteps} a step sample{'s' if axis.microsteps == 1 else ''} it at too few phases"


def run(bench: Bench, settings: Settings, journal: Journal) -> None:
    """Each stretch, `runs` times: from below up through all its places, over the end, and down again."""
    speed = _speed(bench.description, settings)
    motion.prepare(bench, speed_m_per_s=speed)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed)
    trace = Trace(journal, "fine", period_s=0.1)

    def go(travel_m: float) -> None:
        motion.move_to(bench, travel_m, watch, speed_m_per_s=speed, on_sweep=trace)

    for stretch, targets in enumerate(stretches_m(bench.description, settings)):
        for run_index in range(settings.runs):
            for up in (True, False):
                go(targets[0] - settings.overrun_m if up else targets[-1] + settings.overrun_m)
                for index in range(len(targets)) if up else reversed(range(len(targets))):
                    go(targets[index])
                    motion.settle(bench, settings.dwell_s)
                    row = {"stretch": stretch, "index": index, "target_m": targets[index], "run": run_index, "up": up}
                    journal.write("steps", {**row, **witnesses(bench.sweep())})
            journal.commit()


@dataclass
class Stretch:
    """One stretch: targets by index, and deviations from them by witness."""

    targets: dict[int, float] = field(default_factory=dict)
    figures: dict[str, PositioningAccumulator] = field(default_factory=lambda: defaultdict(PositioningAccumulator))

    @property
    def places(self) -> list[float]:
        return [self.targets[index] for index in sorted(self.targets)]


def stretches_of(readings: Readings, expansion: float = 0.0) -> list[Stretch]:
    """What was read, stretch by stretch, in the order of their numbers; where the axis has grown by `expansion` since
    20 °C, what the gauge reads is told at that temperature."""
    found: dict[int, Stretch] = defaultdict(Stretch)
    for row in readings.rows("steps"):
        stretch, index, target = found[int(row["stretch"])], int(row["index"]), float(row["target_m"])
        stretch.targets[index] = target
        for column in ("counted_m", "gauge_m"):
            if row[column] is not None:
                grown = expansion if column == "gauge_m" else 0.0
                stretch.figures[column].add(index, bool(row["up"]), float(row[column]) - target * (1 + grown))
    return [found[number] for number in sorted(found)]


def evaluate(readings: Readings, bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    """Estimates of every characteristic; the readings are held as moments of each place."""
    witness = load_witness(bench)
    if witness is None:
        return not_observable([item.name for item in _CHARACTERISTICS], NO_GAUGE)
    stretches = stretches_of(readings, expansion_of(bench, witness))
    figures = [one.figures[witness].result() for one in stretches]
    motor = "counted_m" if counts_on(bench, Mounting.MOTOR) else None
    return (
        *_periodic(stretches, figures, bench, settings, witness, motor),
        *_pitch(stretches, figures, bench, settings, witness),
        *_hysteresis(stretches, figures, bench, witness),
    )


def _periodic(
    stretches: Sequence[Stretch],
    figures: Sequence[Positioning],
    bench: BenchDescription,
    settings: Settings,
    witness: str,
    motor: str | None,
) -> tuple[Estimate, ...]:
    periods = periods_of(bench.axis, settings)
    fits = [
        periodic_error(one.places, of.mean, list(periods.values())) for one, of in zip(stretches, figures, strict=True)
    ]
    found: list[Estimate] = []
    for at, name in enumerate(periods):
        worst = max(range(len(fits)), key=lambda index: fits[index].harmonics[at].amplitude)
        wave = fits[worst].harmonics[at]
        beside = None
        if motor is not None:
            counted = stretches[worst].figures[motor].result().mean
            beside = periodic_error(stretches[worst].places, counted, list(periods.values())).harmonics[at].amplitude
        budget = contributions(
            [
                ("scatter about the fitted waves", wave.u_amplitude, "A", fits[worst].degrees_of_freedom, "t"),
                *_crest_and_trough(bench, witness),
            ]
        )
        found.append(Estimate(name, wave.amplitude, combined(budget), budget, _said(wave, beside)))
    lost = [item.name for item in (_CYCLE, _TWO_STEPS, _STEP) if item.name not in periods]
    return (*found, *not_observable(lost, _too_few(bench.axis)))


def _said(wave: Harmonic, motor_m: float | None) -> str:
    return diagnosis.periodic(wave.amplitude, (wave.phase_rad, wave.u_phase_rad), wave.p_value, wave.greatest, motor_m)


def _pitch(
    stretches: Sequence[Stretch],
    figures: Sequence[Positioning],
    bench: BenchDescription,
    settings: Settings,
    witness: str,
) -> tuple[Estimate, ...]:
    lead_m = lead_of(bench.axis, settings)
    singles = [pitch_error(one.places, of.mean, lead=lead_m).single for one, of in zip(stretches, figures, strict=True)]
    worst = max(range(len(singles)), key=lambda index: abs(_greatest(singles[index])))
    whole = pitch_error(
        [place for one in stretches for place in one.places],
        [value for of in figures for value in of.mean],
        lead=lead_m,
    )
    span_m = stretches[-1].places[-1] - stretches[0].places[0]
    count = sum(len(one.places) for one in stretches)
    scatter = _scatter("the two places", figures[worst], 1.0)
    over_lead, over_all = (
        contributions([scatter, *_two_places(bench, witness, length_m)]) for length_m in (lead_m, span_m)
    )
    of_lead = contributions(
        [
            ("scatter about the line", whole.u_mean_lead_error, "A", count - 2, "t"),
            *_over_span(bench, witness, span_m),
        ]
    )
    gained = diagnosis.gained(_greatest(singles[worst]), float(singles[worst].places[singles[worst].worst]))
    return (
        Estimate(_PITCH.name, abs(_greatest(singles[worst])), combined(over_lead), over_lead, gained),
        Estimate(
            _CUMULATIVE.name,
            whole.cumulative,
            combined(over_all),
            over_all,
            diagnosis.lead(whole.mean_lead_error, lead_m),
        ),
        Estimate(
            _LEAD.name,
            whole.mean_lead_error,
            combined(of_lead),
            of_lead,
            diagnosis.lead(whole.mean_lead_error, lead_m),
        ),
    )


def _greatest(curve: Curve) -> float:
    return float(curve.values[curve.worst])


def _hysteresis(
    stretches: Sequence[Stretch], figures: Sequence[Positioning], bench: BenchDescription, witness: str
) -> tuple[Estimate, ...]:
    curves = [hysteresis(one.places, of) for one, of in zip(stretches, figures, strict=True)]
    worst = max(range(len(curves)), key=lambda index: abs(_greatest(curves[index])))
    least, most = (by(float(by(curve.values)) for curve in curves) for by in (min, max))
    at_one = contributions([_scatter("the reversal", figures[worst], math.sqrt(2)), *_one_place(bench, witness)])
    at_two = contributions([_scatter("two reversals", figures[worst], 2.0), *_two_reversals(bench, witness)])
    where = float(curves[worst].places[curves[worst].worst])
    return (
        Estimate(
            _HYSTERESIS.name,
            abs(_greatest(curves[worst])),
            combined(at_one),
            at_one,
            diagnosis.hysteresis(_greatest(curves[worst]), where),
        ),
        Estimate(_VARIATION.name, most - least, combined(at_two), at_two, diagnosis.hysteresis_range(least, most)),
    )


# -- budgets -------------------------------------------------------------------------------------------------


def _scatter(what: str, figures: Positioning, factor: float) -> BudgetLine:
    """`factor` times s/√n, with s pooled over a stretch: 1 for the difference of two places, each the mean of both
    directions; √2 for the difference of the directions at one place; 2 for the difference of two such."""
    pooled = math.sqrt(float((figures.s_up**2 + figures.s_down**2).mean()) / 2)
    dof = 2 * figures.m * (figures.n - 1)
    return (f"scatter of {what}, pooled over its stretch", factor * pooled / math.sqrt(figures.n), "A", dof, "t")


def _rounding(bench: BenchDescription, witness: str, factor: float, what: str) -> BudgetLine:
    u = factor * resolution_of(bench, witness) / math.sqrt(6)
    return (f"resolution of the witness, {what}", u, "B", math.inf, "triangular")


def _calibrated(bench: BenchDescription, witness: str, factor: float, what: str) -> tuple[BudgetLine, ...]:
    u = factor * calibration_of(bench, witness)
    return ((f"calibration of the witness, {what}", u, "B", math.inf, "normal"),) if u else ()


def _one_place(bench: BenchDescription, witness: str) -> tuple[BudgetLine, ...]:
    return (_rounding(bench, witness, 1.0, "both directions"),)


def _two_reversals(bench: BenchDescription, witness: str) -> tuple[BudgetLine, ...]:
    return (_rounding(bench, witness, math.sqrt(2), "two reversals"),)


def _two_places(bench: BenchDescription, witness: str, length_m: float) -> tuple[BudgetLine, ...]:
    return (
        _rounding(bench, witness, 1.0, "two places"),
        *_calibrated(bench, witness, math.sqrt(2), "two places"),
        *of_length(bench, witness, length_m),
    )


def _crest_and_trough(bench: BenchDescription, witness: str) -> tuple[BudgetLine, ...]:
    """An amplitude is half the difference of two places."""
    return (
        _rounding(bench, witness, 0.5, "crest and trough"),
        *_calibrated(bench, witness, math.sqrt(2) / 2, "crest and trough"),
    )


def _over_span(bench: BenchDescription, witness: str, span_m: float) -> tuple[BudgetLine, ...]:
    return (
        *_calibrated(bench, witness, math.sqrt(2) / span_m, "both ends of the span"),
        *shared(of_length(bench, witness, span_m), 1 / span_m),
    )


def foresee(bench: BenchDescription, settings: Settings) -> Mapping[str, tuple[Contribution, ...]]:
    """What the witness on the load leaves of each budget, were the screw perfect."""
    witness = load_witness(bench)
    if witness is None:
        return {}
    stretches = stretches_m(bench, settings)
    span_m, lead_m = stretches[-1][-1] - stretches[0][0], lead_of(bench.axis, settings)
    waves = contributions(_crest_and_trough(bench, witness))
    return {
        **dict.fromkeys(periods_of(bench.axis, settings), waves),
        _PITCH.name: contributions(_two_places(bench, witness, lead_m)),
        _CUMULATIVE.name: contributions(_two_places(bench, witness, span_m)),
        _LEAD.name: contributions(_over_span(bench, witness, span_m)),
        _HYSTERESIS.name: contributions(_one_place(bench, witness)),
        _VARIATION.name: contributions(_two_reversals(bench, witness)),
    }


PROCEDURE = Procedure(
    name="screw_errors",
    title="errors of the screw",
    version="1",
    settings=Settings,
    characteristics=_CHARACTERISTICS,
    check=check,
    run=run,
    evaluate=evaluate,
    foresee=foresee,
)
