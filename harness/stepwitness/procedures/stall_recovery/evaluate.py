"""From the readings of stall recovery to its characteristics: pure, one pass a table."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import groupby, takewhile
from typing import Any

from stepwitness import diagnosis
from stepwitness.bench.description import BenchDescription
from stepwitness.findings import Characteristic, Estimate
from stepwitness.metrology.statistics import Running
from stepwitness.procedures.common import (
    NO_COUNTER,
    both_readings,
    combined,
    contributions,
    not_observable,
    one_reading,
    resolution_of,
)
from stepwitness.procedures.procedure import Readings
from stepwitness.procedures.stall_recovery import declared
from stepwitness.procedures.stall_recovery.declared import Settings, position_window_of, undetectable

Row = dict[str, Any]

_NO_WITNESS = "neither encoder counter nor gauge: nothing testifies beside the drive's own claim"
_NEVER_DETECTED = "no provoked stall was detected in motion"
_NOT_DISPLACED = (
    "a drive that closes its own loop is displaced at standstill by a slip, which this axis' load doesn't allow"
)


def evaluate(readings: Readings, bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    """Estimates of every characteristic of stall recovery."""
    without_counter = (_claim(list(readings.rows("claim")), bench), _current(readings.rows("currents"), bench))
    if bench.counter is None:
        seen = {estimate.name for estimate in without_counter}
        names = [item.name for item in declared.CHARACTERISTICS if item.name not in seen]
        return (*without_counter, *not_observable(names, NO_COUNTER))
    return (
        *without_counter,
        *_detection(list(readings.rows("detections")), readings.rows("watch"), bench, settings),
        *_recovery(list(readings.rows("attempts")), list(readings.rows("recoveries")), bench, settings),
        *_standstill(readings.rows("standstill"), bench, settings),
    )


def _travel(characteristic: Characteristic, value_m: float, bench: BenchDescription, statement: str) -> Estimate:
    budget = contributions([one_reading("the counter", float(bench.axis.count_travel))])
    return Estimate(characteristic.name, value_m, combined(budget), budget, statement)


def _counted(characteristic: Characteristic, number: int, statement: str) -> Estimate:
    return Estimate(characteristic.name, float(number), statement=statement)


def _claim(rows: Sequence[Row], bench: BenchDescription) -> Estimate:
    """The leg on which the drive's claim is furthest from the best witness."""
    witness = "counted_m" if bench.counter is not None else "gauge_m" if bench.gauge is not None else None
    if witness is None:
        return not_observable([declared.CLAIM_ERROR.name], _NO_WITNESS)[0]
    worst = max(rows, key=lambda row: abs(row["claim_m"] - row[witness]))
    value = abs(worst["claim_m"] - worst[witness])
    statement = diagnosis.starved_claim(worst["claim_m"], worst["counted_m"], worst["gauge_m"])
    quantum = resolution_of(bench, witness)
    budget = contributions([both_readings("the witness", quantum)])
    return Estimate(declared.CLAIM_ERROR.name, value, combined(budget), budget, statement)


def _current(rows: Iterable[Row], bench: BenchDescription) -> Estimate:
    """Mean of the metered current over the one that was set, less one."""
    if bench.meter is None:
        return not_observable([declared.CURRENT.name], "no meter in the motor's windings")[0]
    metered = Running()
    set_a = bench.motor.hold_current_a
    for row in rows:
        metered.add(row["metered_a"])
    calibration = bench.meter.calibration
    calibration_a = calibration.standard_uncertainty if calibration else 0.0
    budget = contributions(
        [
            ("scatter of the meter", metered.sd / math.sqrt(metered.n) / set_a, "A", metered.n - 1, "t"),
            ("calibration of the meter", calibration_a / set_a, "B"),
        ]
    )
    statement = f"the drive was set to {set_a:.3g} A at rest and the meter read {metered.mean:.3g} A"
    return Estimate(declared.CURRENT.name, metered.mean / set_a - 1, combined(budget), budget, statement)


def _detection(
    rows: Sequence[Row], watch: Iterable[Row], bench: BenchDescription, settings: Settings
) -> tuple[Estimate, ...]:
    if reason := undetectable(bench, settings):
        latencies = not_observable([declared.LATENCY.name, declared.LATENCY_TRAVEL.name, declared.MISSED.name], reason)
        return (*latencies, _false_alarms(watch))
    missed = sum(not row["detected"] for row in rows)
    noticed = [row for row in rows if row["detected"]]
    who = f"noticed by the {rows[0]['loop']}" if rows else "none provoked"
    found = _counted(declared.MISSED, missed, f"{len(rows) - missed} of {len(rows)} provoked stalls {who}")
    if not noticed:
        return (
            *not_observable([declared.LATENCY.name, declared.LATENCY_TRAVEL.name], _NEVER_DETECTED),
            found,
            _false_alarms(watch),
        )
    return (*_latencies(noticed, bench), found, _false_alarms(watch))


def _latencies(noticed: Sequence[Row], bench: BenchDescription) -> tuple[Estimate, Estimate]:
    """The longest latency, and the greatest travel claimed meanwhile.

    The onset is when the change of current was asked and the detection when the sweep that showed it was answered, so
    the value is the longest that the stamps allow; half of each exchange is its uncertainty (JCGM 100 4.3.7).
    """
    slow = max(noticed, key=lambda row: row["detected_s"] - row["onset_s"])
    latency_s = slow["detected_s"] + slow["detected_skew_s"] - slow["onset_s"]
    time_budget = contributions(
        [
            ("exchange that starved the motor", (slow["starved_s"] - slow["onset_s"]) / math.sqrt(12), "B"),
            ("exchange that showed the stall", slow["detected_skew_s"] / math.sqrt(3), "B"),
        ]
    )
    travel_m = max(float(row["commanded_since_m"]) for row in noticed)
    steps = travel_m / float(bench.axis.step_travel)
    statement = (
        f"{len(noticed)} stalls noticed by the {slow['loop']}, the slowest {latency_s * 1e3:.1f} ms after its onset; "
        f"meanwhile the drive commanded up to {steps:.1f} steps"
    )
    travel_budget = contributions([both_readings("the claim", float(bench.axis.microstep_travel))])
    return (
        Estimate(declared.LATENCY.name, latency_s, combined(time_budget), time_budget, statement),
        Estimate(declared.LATENCY_TRAVEL.name, travel_m, combined(travel_budget), travel_budget, statement),
    )


def _false_alarms(watch: Iterable[Row]) -> Estimate:
    alarms, sweeps, greatest_m, moves = 0, 0, 0.0, set()
    for row in watch:
        sweeps += 1
        alarms += bool(row["alarm"])
        moves.add(row["move"])
        greatest_m = max(greatest_m, abs(row["claim_m"] - row["counted_m"]))
    statement = (
        f"{alarms} alarms in {sweeps} sweeps over {len(moves)} healthy moves; greatest following error "
        f"{greatest_m * 1e6:.1f} µm"
    )
    return _counted(declared.FALSE_ALARMS, alarms, statement)


def _recovery(
    attempts: Sequence[Row], recoveries: Sequence[Row], bench: BenchDescription, settings: Settings
) -> tuple[Estimate, ...]:
    names = [item.name for item in (declared.ATTEMPTS, declared.RECOVERY_ERROR, declared.OUTPUT, declared.RECOVERED)]
    if not recoveries:
        return not_observable(names, undetectable(bench, settings) or _NEVER_DETECTED)
    lost = [row for row in recoveries if not row["recovered"]]
    reactions = [row for row in recoveries if row["scenario"] == "persistent"]
    silent = sum(not row["output_on"] for row in reactions)
    far = max(recoveries, key=lambda row: abs(row["target_m"] - row["counted_m"]))
    where = diagnosis.standing(far["target_m"], far["counted_m"], far["gauge_m"])
    return (
        _attempts(attempts, settings),
        _travel(declared.RECOVERY_ERROR, abs(far["target_m"] - far["counted_m"]), bench, where),
        _counted(declared.OUTPUT, silent, f"{len(reactions) - silent} of {len(reactions)} outputs read back as on"),
        _counted(
            declared.RECOVERED,
            len(lost),
            f"{len(recoveries) - len(lost)} of {len(recoveries)} provoked stalls ended at rest in the position window",
        ),
    )


def _attempts(attempts: Sequence[Row], settings: Settings) -> Estimate:
    """Most attempts over the transient stalls; one more than allowed where an axis never got there."""
    needed = 0
    for _, tries in groupby((row for row in attempts if row["scenario"] == "transient"), key=lambda row: row["index"]):
        last = list(tries)[-1]
        needed = max(needed, last["attempt"] if last["reached"] else settings.attempts + 1)
    persistent = [row for row in attempts if row["scenario"] == "persistent"]
    statement = (
        f"at most {needed} of {settings.attempts} attempts once the cause had gone; while it lasted, "
        f"{sum(not row['reached'] for row in persistent)} of {len(persistent)} attempts failed"
    )
    return _counted(declared.ATTEMPTS, needed, statement)


def _standstill(rows: Iterable[Row], bench: BenchDescription, settings: Settings) -> tuple[Estimate, ...]:
    looks = [list(group) for _, group in groupby(rows, key=lambda row: (row["scenario"], row["window_m"]))]
    by_scenario = {scenario: [group for group in looks if group[0]["scenario"] == scenario] for scenario in _SCENARIOS}
    names = [
        item.name
        for item in (
            declared.STANDSTILL,
            declared.RETURN_TIME,
            declared.NEEDLESS,
            declared.HUNTING,
            declared.LEAST_WINDOW,
        )
    ]
    if not by_scenario["return"]:
        return not_observable(names, _NOT_DISPLACED)
    window_m = position_window_of(bench, settings)
    back, alone = by_scenario["return"][0], by_scenario["left alone"][0]
    tried = sorted(by_scenario["hunting"], key=lambda group: group[0]["window_m"], reverse=True)
    held = list(takewhile(lambda group: not reversals(group), tried))
    at_plan = next(group for group in tried if group[0]["window_m"] == window_m)
    statement = (
        f"displaced by {abs(back[0]['error_m']) * 1e6:.1f} µm, brought back by the {back[0]['loop']} to "
        f"{abs(back[-1]['error_m']) * 1e6:.1f} µm from its target"
    )
    finest_m = float(max(bench.axis.count_travel, bench.axis.microstep_travel))
    needless = sum(0 < abs(row["correction_m"]) <= window_m - finest_m for row in alone)
    return (
        _travel(declared.STANDSTILL, abs(back[-1]["error_m"]), bench, statement),
        _return_time(back, window_m, settings),
        _counted(declared.NEEDLESS, needless, f"displaced by less than the window: {needless} corrections"),
        _counted(
            declared.HUNTING,
            reversals(back) + reversals(at_plan),
            f"{reversals(back) + reversals(at_plan)} reversals at a window of {window_m * 1e6:.1f} µm",
        ),
        _least_window(held, bench),
    )


_SCENARIOS = ("return", "left alone", "hunting")


def _return_time(back: Sequence[Row], window_m: float, settings: Settings) -> Estimate:
    """From the first look after the displacement to the first of the last unbroken stretch inside the window."""
    inside_s: float | None = None
    for row in back:
        if abs(row["error_m"]) > window_m:
            inside_s = None
        elif inside_s is None:
            inside_s = row["t_s"]
    if inside_s is None or not back[-1]["rested"]:
        return Estimate(
            declared.RETURN_TIME.name,
            back[-1]["t_s"],
            statement=f"the axis had not returned to rest after {settings.return_time_s:g} s",
        )
    looks = len(back)
    period_s = (back[-1]["t_s"] - back[0]["t_s"]) / (looks - 1) if looks > 1 else 0.0
    budget = contributions([("time between two looks", period_s / math.sqrt(12), "B")])
    statement = f"inside the position window {inside_s * 1e3:.0f} ms after the displacement"
    return Estimate(declared.RETURN_TIME.name, inside_s, combined(budget), budget, statement)


def _least_window(held: Sequence[Sequence[Row]], bench: BenchDescription) -> Estimate:
    """The finest window below which, going down from the widest, the axis hunted."""
    if not held:
        return not_observable([declared.LEAST_WINDOW.name], "the axis hunted at every window that was tried")[0]
    least_m = min(group[0]["window_m"] for group in held)
    return _travel(
        declared.LEAST_WINDOW,
        least_m,
        bench,
        f"no reversal down to {least_m * 1e6:.2f} µm, {least_m / float(bench.axis.count_travel):.1f} counts",
    )


def reversals(looks: Sequence[Row]) -> int:
    """Changes of sign between successive corrections that no rest inside the window separates."""
    found, earlier = 0, 0.0
    for row in looks:
        correction = row["correction_m"]
        if correction != 0.0:
            found += earlier * correction < 0
            earlier = correction
        elif row["rested"]:
            earlier = 0.0
    return found
