"""Settings and characteristics of stall recovery, and what a bench must bring for it."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.devices.interfaces import Side
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Contribution, Figure
from stepwitness.procedures.common import (
    NO_COUNTER,
    both_readings,
    contributions,
    one_reading,
    refuse_speed,
    resolution_of,
)
from stepwitness.procedures.procedure import Forecast
from stepwitness.quantities import Kind
from stepwitness.settings import setting

_DEFAULT_SPEED_SHARE = 0.2
_HUNTING_WINDOW_COUNTS = (8.0, 4.0, 2.0, 1.0, 0.6, 0.3)
"""Windows tried, in the coarser of count and microstep: from wide to finer than an axis can resolve.

Half a count is what an axis between two counts can't get rid of, so no window is just that.
"""


@dataclass(frozen=True)
class Settings:
    stall_current_a: float = setting(
        "stall_current", Kind.CURRENT, "run current at which the motor can't turn the axis", at_least=0.0
    )
    following_error_window_m: float = setting(
        "following_error_window",
        Kind.TRAVEL,
        "following error that counts as a stall; default: 2 steps",
        default=0.0,
        at_least=0.0,
    )
    attempts: int = setting("attempts", int, "repositioning attempts before the fault reaction", default=3, at_least=1)
    distance_m: float = setting("distance", Kind.TRAVEL, "travel of each move", default=8e-3, at_least=1e-4)
    speed_m_per_s: float = setting(
        "speed", Kind.SPEED, "speed of travel; default: a fifth of the envelope's", default=0.0, at_least=0.0
    )
    healthy_moves: int = setting(
        "healthy_moves", int, "moves out and back that are watched for false alarms", default=4, at_least=1
    )
    provocations: int = setting("provocations", int, "stalls provoked in mid-move", default=3, at_least=1, at_most=100)
    poll_s: float = setting("poll", Kind.TIME, "pause between two sweeps of a watched move", default=1e-3, at_least=0.0)
    position_window_m: float = setting(
        "position_window",
        Kind.TRAVEL,
        "band around the target in which the axis must rest; default: 1 step",
        default=0.0,
        at_least=0.0,
    )
    position_window_time_s: float = setting(
        "position_window_time", Kind.TIME, "time for which it must rest there", default=0.05, at_least=0.0
    )
    return_time_s: float = setting(
        "return_time", Kind.TIME, "time that a displaced axis has to return", default=2.0, at_least=0.01
    )
    displacement_m: float = setting(
        "displacement", Kind.TRAVEL, "displacement at standstill; default: 3 steps", default=0.0, at_least=0.0
    )
    hunting_time_s: float = setting("hunting_time", Kind.TIME, "time at each window tried", default=0.5, at_least=0.05)
    settle_s: float = setting("settle", Kind.TIME, "rest after a change of current", default=0.1, at_least=0.0)
    output: int = setting("output", int, "digital output that the fault reaction raises", default=1, at_least=1)


_OWN = "own definition"

CLAIM_ERROR = Characteristic(
    "claim_error",
    "claim against count, starved",
    Kind.TRAVEL,
    "mm",
    _OWN,
    "greatest claimed less counted travel of a move out or back at too little current",
    magnitude=True,
    figure=Figure.EXTREME,
)
CURRENT = Characteristic(
    "current_difference",
    "current, metered − set",
    Kind.RATIO,
    "%",
    _OWN,
    "metered less set winding current at rest, as a share of the set one, at the holding current",
    magnitude=True,
    figure=Figure.MEAN,
)
LATENCY = Characteristic(
    "detection_latency",
    "stall detection latency",
    Kind.TIME,
    "ms",
    _OWN,
    "longest time from the onset of a provoked stall to its detection",
    figure=Figure.EXTREME,
)
LATENCY_TRAVEL = Characteristic(
    "detection_travel",
    "stall detection latency, commanded",
    Kind.TRAVEL,
    "step",
    _OWN,
    "greatest travel commanded between the onset of a provoked stall and its detection",
    figure=Figure.EXTREME,
)
MISSED = Characteristic(
    "missed_stalls", "missed stalls", Kind.COUNT, "", _OWN, "provoked stalls that were not detected in motion"
)
FALSE_ALARMS = Characteristic("false_alarms", "false alarms", Kind.COUNT, "", _OWN, "alarms over the healthy moves")
ATTEMPTS = Characteristic(
    "attempts_needed",
    "repositioning attempts",
    Kind.COUNT,
    "",
    _OWN,
    "most attempts needed to reach the target after a stall whose cause had gone",
)
RECOVERY_ERROR = Characteristic(
    "recovery_error",
    "error after fault reaction",
    Kind.TRAVEL,
    "step",
    _OWN,
    "target less counted travel after the fault reaction, greatest of all recoveries",
    magnitude=True,
    figure=Figure.EXTREME,
)
OUTPUT = Characteristic(
    "fault_outputs_missing",
    "fault outputs missing",
    Kind.COUNT,
    "",
    _OWN,
    "fault reactions whose output read back as off",
)
STANDSTILL = Characteristic(
    "standstill_error",
    "error at standstill",
    Kind.TRAVEL,
    "step",
    _OWN,
    "target less counted travel at the end of the return from a displacement",
    magnitude=True,
)
RETURN_TIME = Characteristic(
    "standstill_return",
    "return time at standstill",
    Kind.TIME,
    "ms",
    _OWN,
    "time from the displacement to rest inside the position window",
)
NEEDLESS = Characteristic(
    "needless_corrections",
    "needless corrections",
    Kind.COUNT,
    "",
    _OWN,
    "corrections sent while the axis, displaced by less, stood inside the position window",
)
HUNTING = Characteristic(
    "hunting_reversals",
    "hunting reversals",
    Kind.COUNT,
    "",
    _OWN,
    "reversals between corrections without rest, at the plan's position window",
)
LEAST_WINDOW = Characteristic(
    "least_window",
    "least window without hunting",
    Kind.TRAVEL,
    "step",
    _OWN,
    "least position window that held for the hunting time without a reversal",
)
RECOVERED = Characteristic(
    "unrecovered",
    "stalls not recovered",
    Kind.COUNT,
    "",
    _OWN,
    "provoked stalls after which the axis did not rest inside the position window at its target",
)

CHARACTERISTICS = (
    CLAIM_ERROR,
    CURRENT,
    LATENCY,
    LATENCY_TRAVEL,
    MISSED,
    FALSE_ALARMS,
    ATTEMPTS,
    RECOVERY_ERROR,
    OUTPUT,
    RECOVERED,
    STANDSTILL,
    RETURN_TIME,
    NEEDLESS,
    HUNTING,
    LEAST_WINDOW,
)


def speed_of(bench: BenchDescription, settings: Settings) -> float:
    return settings.speed_m_per_s or _DEFAULT_SPEED_SHARE * bench.envelope.speed_m_per_s


def window_of(bench: BenchDescription, settings: Settings) -> float:
    return settings.following_error_window_m or motion.default_window_m(bench)


def position_window_of(bench: BenchDescription, settings: Settings) -> float:
    return settings.position_window_m or float(bench.axis.step_travel)


def displacement_of(bench: BenchDescription, settings: Settings) -> float:
    return settings.displacement_m or 3 * float(bench.axis.step_travel)


def hunting_windows(bench: BenchDescription, settings: Settings) -> tuple[float, ...]:
    """Windows tried for hunting, from wide to fine, the plan's own among them."""
    if bench.axis.encoder is None:
        return ()
    finest_m = float(max(bench.axis.count_travel, bench.axis.microstep_travel))
    tried = {share * finest_m for share in _HUNTING_WINDOW_COUNTS} | {position_window_of(bench, settings)}
    return tuple(sorted(tried, reverse=True))


@dataclass(frozen=True)
class Course:
    """Where the moves go: from `start_m` by `out_m` (signed) and back."""

    start_m: float
    out_m: float


def against_stop(bench: BenchDescription) -> bool:
    """Whether the stall is provoked by pushing a load against its stop, because elsewhere it could fall."""
    return bench.blocked is not None and bench.back_drives


def course(bench: BenchDescription, settings: Settings) -> Course:
    """About the middle of the envelope, or from the stop into it where the load is blocked there."""
    if bench.blocked is not None and against_stop(bench):
        return Course(
            bench.blocked.at_m,
            -settings.distance_m if bench.blocked.side is Side.LOW else settings.distance_m,
        )
    middle = (bench.envelope.low_m + bench.envelope.high_m) / 2
    return Course(middle - settings.distance_m / 2, settings.distance_m)


def undetectable(bench: BenchDescription, settings: Settings) -> str:
    """Why a stall can't be detected in motion on this bench at this speed, or an empty text."""
    if bench.counter is None:
        return NO_COUNTER
    bounds = motion.window_bounds(bench, speed_m_per_s=speed_of(bench, settings))
    if bounds.observable:
        return ""
    return (
        f"a healthy axis shows up to {bounds.least_steps:.1f} steps of following error at this speed, a slip as little "
        f"as {bounds.largest_steps:.1f}: no window tells them apart; {bounds.cure()}"
    )


def check(bench: BenchDescription, settings: Settings) -> Forecast:
    """Refuse a stall that could drop a load, and moves that don't fit; forecast the rest."""
    if bench.back_drives and bench.blocked is None:
        raise BadInput(
            "a stall by reduced current on an axis that its load can drive",
            found=f"back_drives: yes on '{bench.name}'",
            allowed="only where the bench file declares the load 'blocked' by a stop",
        )
    if settings.stall_current_a >= bench.motor.rated_current_a:
        raise BadInput(
            "a stall current that isn't below the rated one",
            place=Place(key="stall_current"),
            found=f"{settings.stall_current_a:g} A",
            allowed=f"less than {bench.motor.rated_current_a:g} A",
        )
    if bench.blocked is not None and settings.stall_current_a > bench.blocked.push_current_a:
        raise BadInput(
            "a stall current above what may push against the stop",
            place=Place(key="stall_current"),
            found=f"{settings.stall_current_a:g} A",
            allowed=f"at most {bench.blocked.push_current_a:g} A (blocked.push_current)",
        )
    room_m = bench.envelope.high_m - bench.envelope.low_m
    if 3 * settings.distance_m > room_m:
        raise BadInput(
            "a distance that doesn't fit the envelope three times (a starved axis may stand at either end of it)",
            place=Place(key="distance"),
            found=f"{settings.distance_m * 1e3:g} mm",
            allowed=f"at most {room_m / 3 * 1e3:g} mm",
        )
    displacement_m, window_m = displacement_of(bench, settings), position_window_of(bench, settings)
    if displacement_m <= window_m:
        raise BadInput(
            "a displacement that doesn't leave the position window",
            place=Place(key="displacement"),
            found=f"{displacement_m * 1e6:g} µm",
            allowed=f"more than {window_m * 1e6:g} µm",
        )
    speed = speed_of(bench, settings)
    refuse_speed(bench, speed)
    move_s = motion.duration_s(
        distance_m=settings.distance_m,
        speed_m_per_s=speed,
        acceleration_m_per_s2=bench.envelope.acceleration_m_per_s2,
    )
    moves = 2 + 2 * settings.healthy_moves + 3 * (settings.provocations + 1) + settings.attempts
    way = course(bench, settings)
    ends = (way.start_m - way.out_m, way.start_m if against_stop(bench) else way.start_m + 2 * way.out_m)
    return Forecast(
        phrase=f"provoked at {settings.stall_current_a:g} A" + (" against the stop" if against_stop(bench) else ""),
        duration_s=moves * (move_s + settings.settle_s)
        + len(hunting_windows(bench, settings)) * settings.hunting_time_s
        + settings.return_time_s,
        lowest_m=min(ends),
        highest_m=max(ends),
        warnings=tuple(_warnings(bench, settings)),
    )


def most(settings: Settings) -> dict[str, tuple[float, str]]:
    """Greatest values that can come out, in SI, and why."""
    return {
        RETURN_TIME.name: (settings.return_time_s, "the return is waited for no longer than return_time"),
        ATTEMPTS.name: (
            settings.attempts,
            "no more than attempts are made, and one that fails then counts as one more",
        ),
        MISSED.name: (settings.provocations, "so many stalls are provoked in motion, and one that lasts"),
    }


def foresee(bench: BenchDescription, settings: Settings) -> dict[str, tuple[Contribution, ...]]:
    """What the witnesses leave of each budget, were the axis perfect."""
    axis, found = bench.axis, {}
    column = "counted_m" if bench.counter is not None else "gauge_m" if bench.gauge is not None else ""
    if column:
        found[CLAIM_ERROR.name] = [both_readings("the witness", resolution_of(bench, column))]
    if bench.meter is not None and bench.meter.calibration is not None:
        u = bench.meter.calibration.standard_uncertainty / bench.motor.hold_current_a
        found[CURRENT.name] = [("calibration of the meter", u, "B")]
    if bench.counter is not None:
        one = one_reading("the counter", float(axis.count_travel))
        found |= {item.name: [one] for item in (RECOVERY_ERROR, STANDSTILL, LEAST_WINDOW)}
        if not undetectable(bench, settings):
            found[LATENCY.name] = [("pause between two sweeps", settings.poll_s / math.sqrt(12), "B")]
            found[LATENCY_TRAVEL.name] = [both_readings("the claim", float(axis.microstep_travel))]
    return {name: contributions(lines) for name, lines in found.items()}


def _warnings(bench: BenchDescription, settings: Settings) -> list[str]:
    if reason := undetectable(bench, settings):
        return [f"detection in motion is not observable: {reason}"]
    bounds = motion.window_bounds(bench, speed_m_per_s=speed_of(bench, settings))
    steps = window_of(bench, settings) / float(bench.axis.step_travel)
    if bounds.least_steps <= steps <= bounds.largest_steps:
        return []
    risk = "may alarm falsely" if steps < bounds.least_steps else "may miss a slip of four steps"
    return [
        f"a following error window of {steps:.2g} steps {risk}; "
        f"between {bounds.least_steps:.2g} and {bounds.largest_steps:.2g} steps it does neither"
    ]
