"""Which pictures a procedure gets, fed from its journal.

A procedure that isn't known here (a user's own) gets none; its findings and numbers stand on the page all the same.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup

from stepwitness.axis import Mounting
from stepwitness.bench.description import BenchDescription
from stepwitness.display import THIN, number
from stepwitness.metrology.warm_up import LEAST_READINGS, warm_up
from stepwitness.procedures.common import expansion_of, load_witness
from stepwitness.procedures.stall_recovery.declared import window_of
from stepwitness.procedures.thermal_drift import looked
from stepwitness.quantities import Kind
from stepwitness.records.journal import JournalReadings
from stepwitness_reports import gathering, plots
from stepwitness_reports.bench_facts import nominal, quantity
from stepwitness_reports.charts import Mark, Panel, Series, chart, multiples
from stepwitness_reports.plots import Bound, ReversalLine


@dataclass(frozen=True)
class Figure:
    """A drawing and what is said beneath it."""

    drawing: Markup
    caption: str


@dataclass(frozen=True)
class Source:
    """What the pictures of one procedure are made from.

    `said` gives the printed value of a characteristic that the record holds ("18.4 µm"), `bounds` its limit in SI
    and as printed.
    """

    id: str
    readings: JournalReadings
    bench: BenchDescription
    settings: Any
    said: Mapping[str, str]
    bounds: Mapping[str, tuple[float, str]]


def figures(procedure: str, source: Source) -> tuple[Figure, ...]:
    """The pictures of a procedure; none for one that isn't known."""
    draw = _PICTURES.get(procedure)
    return draw(source) if draw is not None else ()


def _witness_of_load(source: Source) -> tuple[str, bool]:
    """The witness whose deviations are drawn, and whether it stands on the load."""
    if source.bench.gauge is not None:
        return "gauge", True
    encoder = source.bench.axis.encoder
    return "counter", encoder is not None and encoder.mounting is Mounting.LOAD


# -- repeatability -------------------------------------------------------------------------------------------


def _repeatability(source: Source) -> tuple[Figure, ...]:
    return (*_deviations(source), *_scale(source), *_closure(source))


def _deviations(source: Source) -> tuple[Figure, ...]:
    witness, on_load = _witness_of_load(source)
    name = "bidirectional_repeatability" if on_load else "motor_side_repeatability"
    symbol = "R" if on_load else "motor-side R"
    words = f"{symbol}{THIN}={THIN}{source.said[name]}" if name in source.said else symbol
    if name in source.said and name in source.bounds:
        words += f", limit {source.bounds[name][1]}"
    found = gathering.deviations(
        source.readings.rows("positions"),
        column=gathering.WITNESS_COLUMNS[witness],
        words=words,
        expansion=expansion_of(source.bench, gathering.WITNESS_COLUMNS[witness]),
    )
    if not found.targets:
        return ()
    whose = "of the load, read by the gauge" if witness == "gauge" else "of the load, counted"
    whose = whose if on_load else "of the motor shaft, as counted; it says nothing of the load"
    shown = (
        f"of {number(found.readings, 0)} readings the least and the greatest of each target and direction"
        if found.crowded
        else f"{found.readings} readings"
    )
    caption = f"Deviation from the target, {whose}: {shown}; the lines join the means of each direction."
    if found.worst is not None:
        caption += f" The bracket at {number(found.worst.target_mm, 2)}{THIN}mm spans R where it is greatest."
    drawing = plots.deviations(
        found.targets, witness=witness, band=found.worst, title=f"Deviation against target, {whose}"
    )
    return (Figure(drawing, caption),)


def _scale(source: Source) -> tuple[Figure, ...]:
    """What a counter on the motor tells, less what the gauge tells, along the travel."""
    encoder = source.bench.axis.encoder
    if source.bench.gauge is None or encoder is None or encoder.mounting is not Mounting.MOTOR:
        return ()
    found = gathering.differences(source.readings.rows("positions"), expansion=expansion_of(source.bench, "gauge_m"))
    if not any(found.values()):
        return ()
    series = [
        Series(points, f"{way}, mean", "counter", mark)
        for (way, mark), points in zip((("up", Mark.UP), ("down", Mark.DOWN)), found.values(), strict=True)
    ]
    said = f" Its slope is the scale, {source.said['scale_difference']}." if "scale_difference" in source.said else ""
    caption = (
        f"What the encoder counted less what the gauge read, means at the targets.{said} The gap between the "
        "directions is what the load loses behind the encoder."
    )
    drawing = chart(
        series, x_title="target / mm", y_title="counter − gauge / µm", title="Counter less gauge along the travel"
    )
    return (Figure(drawing, caption),)


def _closure(source: Source) -> tuple[Figure, ...]:
    """How far each return to the start is from the first, by counter and gauge."""
    found = gathering.closures(source.readings.rows("closure"))
    series = [
        Series(points, _CLOSING[witness], witness, Mark.DISC if witness == "gauge" else Mark.SQUARE)
        for witness, points in found.items()
        if len(points) > 1
    ]
    if not series:
        return ()
    limit = None
    if "count_closure" in source.bounds and "count_closure" in source.said:
        bound, printed = source.bounds["count_closure"]
        limit = Bound(bound * 1e6, f"limit {printed}")
    count = source.bench.axis.count_travel if source.bench.axis.encoder else 0
    caption = (
        "Closure: the start, read again after each run, as far as it differs from the first reading, claimed alike."
    )
    if count:
        caption += f" One count is {nominal(float(count), Kind.TRAVEL)}."
    drawing = chart(
        series,
        x_title="return to the start",
        y_title="change since the first / µm",
        title="Closure at the start, by counter and gauge",
        limit=limit,
        name=f"hatch-{source.id}-closure",
    )
    return (Figure(drawing, caption),)


_CLOSING = {"gauge": "gauge", "counter": "counter"}


# -- errors of the screw ---------------------------------------------------------------------------------------


def _screw_errors(source: Source) -> tuple[Figure, ...]:
    """Deviation and hysteresis along each stretch."""
    witness = load_witness(source.bench)
    if witness is None:
        return ()
    class_ = "gauge" if witness == "gauge_m" else "counter"
    found = gathering.stretches(source.readings, witness, expansion=expansion_of(source.bench, witness))
    if not found:
        return ()
    waves = [Panel(one.words, (Series(one.mean, class_=class_),)) for one in found]
    curves = [Panel(one.words, (Series(one.reversal, class_=class_),)) for one in found]
    mean_title, reversal_title = "mean of both directions / µm", "up less down / µm"
    return (
        Figure(
            multiples(
                waves, x_title="travel / mm", y_title=mean_title, title="Deviation along the travel, in fine steps"
            ),
            "Deviation of the load from its target, in fine steps over whole leads; one scale. What repeats from lead "
            "to lead is the screw's, what repeats within a few full steps the motor's.",
        ),
        Figure(
            multiples(curves, x_title="travel / mm", y_title=reversal_title, title="Hysteresis along the travel"),
            "Hysteresis as a curve: where the load stands when it came from below, less where it stands when it came "
            "from above.",
        ),
    )


# -- thermal drift -----------------------------------------------------------------------------------------------


def _thermal_drift(source: Source) -> tuple[Figure, ...]:
    """How far both places moved since the first look, and the approach that was fitted."""
    witness = load_witness(source.bench)
    if witness is None:
        return ()
    class_ = "gauge" if witness == "gauge_m" else "counter"
    series: list[Series] = []
    places = looked(source.readings, witness)
    for mark, place in zip((Mark.SQUARE, Mark.DISC), places, strict=False):
        if len(place.times_s) < LEAST_READINGS:
            continue
        fit = warm_up(place.times_s, place.moved_m)
        since_s = [t - place.times_s[0] for t in place.times_s]
        points = zip(since_s, place.moved_m, strict=True)
        series += [
            Series(
                tuple((t / 60, 1e6 * (fit.at(t) - fit.start)) for t in since_s), f"at {place.place_m * 1e3:.1f}{THIN}mm"
            ),
            Series(tuple((t / 60, 1e6 * (moved - fit.start)) for t, moved in points), "", class_, mark, joined=False),
        ]
    if not series:
        return ()
    caption = (
        "How far a place near each end of the travel moved since the first look, and the approach that was fitted; "
        "what both have in common may be the gauge's own."
    )
    drawing = chart(series, x_title="time / min", y_title="moved / µm", title="Thermal drift of two places")
    return (Figure(drawing, caption),)


# -- backlash ------------------------------------------------------------------------------------------------


def _backlash(source: Source) -> tuple[Figure, ...]:
    found = gathering.reversals(source.readings.rows("reversals"))
    if not found:
        return ()
    least = min(drag for _, drag in found)
    lines = tuple(
        ReversalLine(witness, _reversal_words(source, witness, drag, several=len(found) > 2), places)
        for (witness, drag), places in found.items()
        if witness == "gauge" or drag == least
    )
    # a limit is drawn only where this bench could see what it limits
    name = next((name for name in ("reversal_value", "motor_side_reversal") if name in source.said), "")
    limit = None
    if name in source.bounds:
        bound, printed = source.bounds[name]
        limit = Bound(bound * 1e6, f"{'limit' if name == 'reversal_value' else 'limit, motor'} {printed}")
    caption = (
        "How far apart the axis comes to rest at one place, reached from below and from above: means, with bars from "
        "the least to the greatest of the repeats."
    )
    drawing = plots.reversals(lines, limit=limit, title="Reversal at each place", name=f"hatch-{source.id}")
    return (Figure(drawing, caption),)


def _reversal_words(source: Source, witness: str, drag_n: float, *, several: bool) -> str:
    if witness == "counter":
        encoder = source.bench.axis.encoder
        return f"counter, {encoder.mounting.value if encoder else 'motor'}"
    return f"gauge, load, {nominal(drag_n, Kind.FORCE)}" if several else "gauge, load"


# -- stall recovery ------------------------------------------------------------------------------------------

_AROUND_LEAST_S = 0.06
"""Least time that is shown before the onset of a stall."""


def _stall_recovery(source: Source) -> tuple[Figure, ...]:
    return (
        *_claims(source),
        *_starved(source),
        *_detection(source),
        *_standstill(source),
        *_currents(source),
    )


def _claims(source: Source) -> tuple[Figure, ...]:
    """The three figures of the claim."""
    axis = source.bench.axis
    items = []
    for row in source.readings.rows("claim"):
        for witness, column in (("drive", "claim_m"), *reversed(gathering.WITNESS_COLUMNS.items())):
            value = row[column]
            if value is None:
                continue
            words = f"{number(value * 1e3, 3)}{THIN}mm"
            if witness == "drive":
                words += f", {_units(value / float(axis.microstep_travel), 'microstep')}"
            elif witness == "counter":
                words += f", {_units(value / float(axis.count_travel), 'count')}"
            items.append(plots.Testimony(_LEGS.get(row["leg"], row["leg"]), witness, value * 1e3, words))
    if not items:
        return ()
    caption = "A move out and back at too little current, as each witness tells it; bars on one scale."
    return (Figure(plots.claims(items, title="What each witness says of the starved move"), caption),)


_LEGS = {"out": "move out", "back": "move back"}


def _units(value: float, unit: str) -> str:
    whole = round(value)
    return f"{number(whole, 0)}{THIN}{unit}{'' if abs(whole) == 1 else 's'}"


def _starved(source: Source) -> tuple[Figure, ...]:
    """Travel against time while the motor is starved."""
    step_m = float(source.bench.axis.step_travel)
    found = gathering.motion(source.readings.rows("motion"), phase="starved", step_m=step_m)
    if not found.travel:
        return ()
    drawing = plots.travel(
        found.travel,
        found.errors,
        window_steps=window_of(source.bench, source.settings) / step_m,
        moments=(),
        title="Travel and following error against time, at too little current",
        name=f"hatch-{source.id}-starved",
    )
    caption = "The same move against time. Nothing stops it here: the claim runs its course and the rest is seen."
    return (Figure(drawing, caption if found.errors else f"{caption} Nobody counted."),)


def _detection(source: Source) -> tuple[Figure, ...]:
    """Around the stall that was noticed last, or not at all."""
    detections = list(source.readings.rows("detections"))
    if not detections:
        return ()
    worst = max(detections, key=_latency_s)
    onset_s, latency_s = float(worst["onset_s"]), _latency_s(worst)
    phase = f"{worst['scenario']} {int(worst['index']) + 1}"
    step_m = float(source.bench.axis.step_travel)
    found = gathering.motion(
        source.readings.rows("motion"),
        phase=phase,
        step_m=step_m,
        from_s=onset_s - (max(4 * latency_s, _AROUND_LEAST_S) if math.isfinite(latency_s) else math.inf),
    )
    if not found.travel or found.origin_s is None:
        return ()
    moments = [plots.Moment(onset_s - found.origin_s, "current taken away")]
    if worst["detected"]:
        _add_detection(found, worst, step_m)
        after = source.said.get("detection_latency", f"{number(latency_s * 1e3, 1)}{THIN}ms")
        moments.append(plots.Moment(onset_s + latency_s - found.origin_s, f"stall noticed after {after}"))
    who = "the drive itself" if worst["loop"] == "drive" else "the harness"
    which = "the one noticed last" if worst["detected"] else "not noticed"
    drawing = plots.travel(
        found.travel,
        found.errors,
        window_steps=window_of(source.bench, source.settings) / step_m,
        moments=moments,
        title="Travel and following error about the detection of a stall",
        name=f"hatch-{source.id}-stall",
    )
    caption = (
        f"Stall {int(worst['index']) + 1} of {len(detections)} that were provoked in motion, {which}; "
        f"{who} watches the following error. Time runs from the start of the stretch shown."
    )
    return (Figure(drawing, caption),)


def _add_detection(found: gathering.Motion, detection: Mapping[str, Any], step_m: float) -> None:
    """The sweep that showed the stall; the trace is sparser and may have left it out."""
    claim_m = float(detection["detected_claim_m"])
    counted_m = claim_m - float(detection["following_error_m"])
    found.add({"t_s": detection["detected_s"], "claim_m": claim_m, "counted_m": counted_m, "gauge_m": None}, step_m)


def _latency_s(detection: Mapping[str, Any]) -> float:
    """From the onset to the answer of the sweep that showed the stall; endless where none did."""
    if not detection["detected"]:
        return math.inf
    answered_s = float(detection["detected_s"]) + float(detection["detected_skew_s"])
    return answered_s - float(detection["onset_s"])


_STANDING = {"return": "brought back,", "left alone": "left alone,", "hunting": "held by"}


def _standstill(source: Source) -> tuple[Figure, ...]:
    """Left alone, and held by ever finer windows; the return from a displacement has another scale and comes first."""
    found = gathering.standstill(source.readings.rows("standstill"), step_m=float(source.bench.axis.step_travel))
    items = [
        (
            scenario,
            plots.Standing(f"{_STANDING.get(scenario, scenario)} ±{quantity(window, '', 2)}", window, line.points),
        )
        for (scenario, window), line in found.items()
    ]
    returns = [item for scenario, item in items if scenario == "return"]
    held = [item for scenario, item in items if scenario != "return"]
    captions = (
        (returns, "Back from a displacement at standstill; beyond the position window (in full steps) is hatched."),
        (held, "Left alone inside the window, and held by ever finer windows to where the axis hunts; one scale."),
    )
    return tuple(
        Figure(plots.standing(group, title="Error at standstill", name=f"hatch-{source.id}-rest-{index}"), caption)
        for index, (group, caption) in enumerate(captions)
        if group
    )


def _currents(source: Source) -> tuple[Figure, ...]:
    """What the meter read while the drive was told to hold."""
    metered, told = gathering.currents(source.readings.rows("currents"))
    if not metered:
        return ()
    caption = f"Winding current at rest, as metered in {len(metered)} readings, and as the drive was told."
    series = [Series(told, "drive was told", "drive"), Series(metered, "metered", "", Mark.DISC, joined=False)]
    drawing = chart(
        series,
        x_title="time / ms",
        y_title="current / mA",
        title="Current at rest, metered and set",
        zero=False,
        least=2.0,
    )
    return (Figure(drawing, caption),)


_PICTURES: dict[str, Callable[[Source], tuple[Figure, ...]]] = {
    "repeatability": _repeatability,
    "backlash": _backlash,
    "screw_errors": _screw_errors,
    "thermal_drift": _thermal_drift,
    "stall_recovery": _stall_recovery,
}
