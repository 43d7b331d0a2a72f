"""What a comparison says, in the engineer's units: a few words for a line, a sentence for who wants to know more."""

from __future__ import annotations

from datetime import UTC, datetime

from stepwitness.axis import Axis
from stepwitness.display import MINUS, counted, limit_text, shown, with_unit
from stepwitness.findings import coverage_factor
from stepwitness.history.comparison import Compared
from stepwitness.metrology.trend import Ramp, Status, Step

WEEK_S = 7 * 86400.0
FAR_S = 5 * 365.25 * 86400.0
"""A crossing further away than this isn't dated."""


def in_words(compared: Compared, axis: Axis) -> str:
    """What changed, and since when: ``drifted +1.2 µm a week since 2026-11-10, at its limit about 2026-12-20``."""
    trend = compared.trend
    if trend.step is not None:
        return f"{_step(compared, trend.step, axis)}"
    if trend.ramp is not None:
        return _drift(compared, trend.ramp, axis)
    count = len(compared.points) - compared.first
    if compared.status is Status.NEW:
        if not compared.splits:
            return f"new, run {count}"
        return f"new, run {count} since {_listed(compared.splits[-1].changed)}"
    return f"same as {counted(count - 1, 'run', gap=' ')} before"


def _step(compared: Compared, step: Step, axis: Axis) -> str:
    by = _signed(step.shift, compared, axis)
    if step.first == step.last == len(compared.points) - compared.first - 1:
        return f"step change of {by} in this run"
    run = _day(compared, step.index)
    if step.first == step.last:
        return f"step change of {by} since the run of {run}"
    return f"step change of {by} since the run of {run} ({_day(compared, step.first)} to {_day(compared, step.last)})"


def _drift(compared: Compared, ramp: Ramp, axis: Axis) -> str:
    expanded = coverage_factor(ramp.degrees_of_freedom) * ramp.u_slope_per_s
    rate = _signed(ramp.slope_per_s * WEEK_S, compared, axis, U=expanded * WEEK_S)
    told = f"drifted {rate} a week since {_day(compared, ramp.index)}"
    crossing = ramp.crossing_s
    now_s = compared.points[-1].time.timestamp()
    if crossing is None or crossing > now_s + FAR_S:
        return told
    limit = limit_text(compared.limit, axis).split(" ", 1)[1]
    if crossing <= now_s:
        return f"{told}, past its limit {limit} since about {_date(crossing)}"
    told += f", at its limit {limit} about {_date(crossing)}"
    if ramp.earliest_s is None:
        return told
    latest = ramp.latest_s
    if latest is None or latest > now_s + FAR_S:
        return f"{told} ({_date(ramp.earliest_s)} or later)"
    return f"{told} ({_date(ramp.earliest_s)} to {_date(latest)})"


def _signed(value: float, compared: Compared, axis: Axis, *, U: float = 0.0) -> str:
    """A difference with its sign, in the unit of the limit, with its expanded uncertainty."""
    limit = compared.limit
    printed = shown(value, U, limit.unit, limit.characteristic.kind, axis)
    sign = "" if printed.value.startswith(MINUS) else "+"
    told = f"{sign}{with_unit(printed.value, printed.unit)}"
    return f"{told} ± {with_unit(printed.uncertainty, printed.unit)}" if printed.uncertainty else told


def _day(compared: Compared, index: int) -> str:
    """The day of a run, by its index in the trend; with the time where that day had several."""
    points = compared.points[compared.first :]
    when = points[index].time
    same_day = [point for point in points if point.time.date() == when.date()]
    return f"{when:%Y-%m-%d %H:%M}" if len(same_day) > 1 else f"{when:%Y-%m-%d}"


def _date(seconds: float) -> str:
    return f"{datetime.fromtimestamp(seconds, UTC):%Y-%m-%d}"


def _listed(words: tuple[str, ...]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
