"""Whether a characteristic is still what it was: new, same, drifted, or changed by a step, and since which run.

1. The baseline is made of the first runs, with their mean and their spread. A run that lies outside what such a
   baseline foretells doesn't enter it. The spread is never taken below one reading's own standard uncertainty: what
   lies within that is no change of the axis.
2. Four checks share the risk of a false alarm, each exact on any night for normal readings, however short the baseline:
   the uncertainty of its mean and of its spread is counted in. One reading far out; and from the complete baseline on,
   two in a row on the same side, an EWMA of all since, and, once, whether the baseline itself moved. The first has the
   least share, because single readings of a skewed characteristic lie far out oftenest.
3. Single readings are clipped before they enter the EWMA, so one outlier isn't called a drift the night after.
4. After an alarm the better of two fits tells a step from a ramp: a level that changes once, or one that leaves a level
   in a straight line. Both have a place, a level and one number more, so the smaller sum of squares decides.

References
----------
.. [1] ISO 7870-6:2016, EWMA charts (from memory); the limits here hold for an estimated baseline and use Student's t.
.. [2] E. C. Fieller, J. R. Stat. Soc. B 16 (1954), the interval of a ratio, for the date of a crossing (from memory).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from stepwitness.metrology.change_point import change_point
from stepwitness.metrology.inputs import CONFIDENCE, Floats, count, probability, readings
from stepwitness.metrology.statistics import BadReadings, Running

BASELINE = 20
"""Runs in a baseline, where nobody says otherwise."""

LEAST = 5
"""Runs that a baseline needs before anything is compared with it."""

WEIGHT = 0.1
CLIP = 4.0
"""Weight of the newest reading in the EWMA, and where single readings are clipped, in spreads."""

RECORD_RISK = 1.0 / 500.0
"""Risk of a false alarm in one record, over all its characteristics: with one record a night on each of two axes, about
one night in 250."""

ONE_SHARE, TWO_SHARE, EWMA_SHARE, BASELINE_SHARE = 0.1, 0.4, 0.4, 0.1
"""Shares of the risk: one reading, two in a row, the EWMA, the baseline itself."""

_NODES = 40


class Status(Enum):
    """NEW: fewer runs than a comparison needs. SAME, DRIFTED, STEP: against the baseline."""

    NEW = "new"
    SAME = "same"
    DRIFTED = "drifted"
    STEP = "step change"


@dataclass(frozen=True)
class Watch:
    """How a history is watched: runs in the baseline, and the risk of a false alarm of this one characteristic a night.

    Raises
    ------
    BadReadings : a baseline of fewer than `LEAST` runs, a risk that isn't between 0 and 1.
    """

    baseline: int = BASELINE
    risk: float = RECORD_RISK

    def __post_init__(self) -> None:
        count(self.baseline, "the baseline", least=LEAST)
        probability(self.risk, "the risk of a false alarm")

    def shared(self, characteristics: int) -> Watch:
        """The same for one of so many characteristics that are watched side by side."""
        return Watch(self.baseline, self.risk / count(characteristics, "the characteristics"))


@dataclass(frozen=True)
class Level:
    """The baseline: indices of its runs, their mean, and the spread that is taken for one reading's.

    `scatter` is the sample standard deviation; `spread` is no smaller than the standard uncertainty of a reading.
    `half_width` is how far from the mean one more reading may lie.
    """

    runs: tuple[int, ...]
    centre: float
    scatter: float
    spread: float
    half_width: float
    complete: bool


@dataclass(frozen=True)
class Ramp:
    """A line from the run at `index` on: slope a second, its standard uncertainty with the degrees of freedom of that,
    and when it reaches the limit.

    `crossing_s` is None where it doesn't go towards a limit; `earliest_s` and `latest_s` are the ends of its interval,
    None where it has no such end.
    """

    index: int
    slope_per_s: float
    u_slope_per_s: float
    degrees_of_freedom: int
    crossing_s: float | None = None
    earliest_s: float | None = None
    latest_s: float | None = None


@dataclass(frozen=True)
class Step:
    """A change of level: the first run after it, the runs it may be, and by how much."""

    index: int
    first: int
    last: int
    shift: float


@dataclass(frozen=True)
class Trend:
    """What a history says of its newest run.

    `level` is None for a new history; `path` the EWMA by run in the readings' unit, NaN before it begins, and
    `half_width` its limit about the centre by run. `alarms` are the runs that raised one.
    """

    status: Status
    level: Level | None
    path: tuple[float, ...] = ()
    half_width: tuple[float, ...] = ()
    alarms: tuple[int, ...] = ()
    step: Step | None = None
    ramp: Ramp | None = None


def trend(
    times_s: ArrayLike,
    values: ArrayLike,
    uncertainties: ArrayLike,
    *,
    watch: Watch,
    resolution: float = 0.0,
    lower: float = -math.inf,
    upper: float = math.inf,
) -> Trend:
    """The newest run against those before it.

    Parameters
    ----------
    times_s, values, uncertainties : shape (n,), oldest first; times in seconds, standard uncertainties.
    resolution : what readings are rounded to, where their uncertainty doesn't say it: 1 for things that are counted.
    lower, upper : limits that a ramp is followed to.

    Raises
    ------
    BadReadings, NotEnoughReadings : readings that aren't numbers, of unequal length, times that fall, none at all.
    """
    x, at, u = readings(values, "history"), readings(times_s, "times"), readings(uncertainties, "uncertainties")
    if not len(x) == len(at) == len(u):
        raise BadReadings(f"history: {len(x)} values, {len(at)} times and {len(u)} uncertainties")
    if np.any(np.diff(at) < 0.0):
        raise BadReadings("history: its times fall")
    if len(x) <= LEAST:
        return Trend(Status.NEW, None)
    seen = replay(x, u, watch=watch, resolution=resolution)
    same = Trend(Status.SAME, seen.level, seen.path, seen.half_width, seen.alarms)
    if not seen.alarms or seen.alarms[-1] != len(x) - 1:
        return same
    stepped, ramped = _best_step(x), _best_ramp(at, x)
    if stepped.left_over <= ramped.left_over:
        return replace(same, status=Status.STEP, step=_step(x, stepped.index))
    return replace(same, status=Status.DRIFTED, ramp=_ramp(at, x, ramped.index, lower=lower, upper=upper))


# -- the three checks ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Replay:
    """A history of more than `LEAST` runs as it went by; fields as in `Trend`."""

    level: Level
    path: tuple[float, ...]
    half_width: tuple[float, ...]
    alarms: tuple[int, ...]


def replay(values: Floats, uncertainties: Floats, *, watch: Watch, resolution: float = 0.0) -> Replay:
    """Run after run, each judged by what was known on its night."""
    risk, x, u = watch.risk, values.tolist(), uncertainties.tolist()
    rounding = resolution / math.sqrt(12.0)
    runs = list(range(LEAST))
    level = _level(x, u, runs, rounding, watch)
    path, half_width = [math.nan] * len(x), [math.nan] * len(x)
    alarms: list[int] = []
    smooth, after, before = 0.0, 0, 0.0
    moved = level.complete and _moved(x, level, BASELINE_SHARE * risk)
    for index in range(LEAST, len(x)):
        away = x[index] - level.centre
        alarm = abs(away) > level.half_width
        if not level.complete:
            if not alarm:
                runs.append(index)
                level = _level(x, u, runs, rounding, watch)
                moved = level.complete and _moved(x, level, BASELINE_SHARE * risk)
        elif level.spread > 0.0:
            after += 1
            z = away / level.spread
            smooth += WEIGHT * (max(-CLIP, min(CLIP, z)) - smooth)
            bound = _quantile(EWMA_SHARE * risk, len(runs) - 1) * _path_sd(len(runs), after)
            path[index], half_width[index] = level.centre + smooth * level.spread, bound * level.spread
            both = min(z, before) if z > 0.0 else min(-z, -before)
            alarm = alarm or abs(smooth) > bound or both > _pair_quantile(TWO_SHARE * risk, len(runs))
            before = z
        if alarm or moved:
            alarms.append(index)
    return Replay(level, tuple(path), tuple(half_width), tuple(alarms))


def _level(x: Sequence[float], u: Sequence[float], runs: list[int], rounding: float, watch: Watch) -> Level:
    taken = Running(x[index] for index in runs)
    spread = max(taken.sd, statistics.median(u[index] for index in runs), rounding)
    reach = _quantile(ONE_SHARE * watch.risk, taken.n - 1) * math.sqrt(1.0 + 1.0 / taken.n)
    return Level(tuple(runs), taken.mean, taken.sd, spread, reach * spread, taken.n >= watch.baseline)


def _path_sd(n: int, after: int) -> float:
    """Of the EWMA less the baseline's mean, in spreads: after so many readings, with n in the baseline."""
    return math.sqrt(1.0 / n + WEIGHT / (2.0 - WEIGHT) * (1.0 - (1.0 - WEIGHT) ** (2 * after)))


def _moved(x: Sequence[float], level: Level, risk: float) -> bool:
    """Whether the baseline holds a step or a slope: the best of its splits and the slope, by t with Bonferroni's bound.

    A slope or step that moves readings by less than their own uncertainty is none.
    """
    base = np.array([x[index] for index in level.runs])
    n = len(base)
    squares = float(np.sum((base - level.centre) ** 2))
    if squares == 0.0:
        return False
    order = np.arange(n) - (n - 1) / 2.0
    by_slope = float(order @ base) ** 2 / float(order @ order)
    by_step = float(np.max(_explained(base - level.centre)))
    least = level.spread if level.spread > level.scatter else 0.0
    for explained, looks in ((by_step, n - 1), (by_slope, 1)):
        sd = max(math.sqrt(max(squares - explained, 0.0) / (n - 2)), least)
        if sd == 0.0 or math.sqrt(explained) / sd > _quantile(risk / 2.0 / looks, n - 2):
            return True
    return False


@lru_cache(maxsize=4096)
def _quantile(risk: float, dof: int) -> float:
    """Student's t that is exceeded on either side with probability `risk` in all."""
    return float(-special.stdtrit(dof, risk / 2.0))


@lru_cache(maxsize=1024)
def _pair_quantile(risk: float, n: int) -> float:
    """How far out, in spreads of a baseline of n, two readings lie on one side with probability `risk` in all.

    Given the baseline's errors (mean m/√n, spread s) the two are independent: 2 E Φ(−k s − m/√n)² = risk.
    """
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    m, m_weight = nodes / math.sqrt(n), weights / math.sqrt(2.0 * math.pi)
    share, share_weight = np.polynomial.legendre.leggauss(_NODES)
    s = np.sqrt(special.chdtri(n - 1, 0.5 * (1.0 + share)) / (n - 1))

    def excess(k: float) -> float:
        tail = special.ndtr(-k * s[:, np.newaxis] - m[np.newaxis, :]) ** 2
        return float(2.0 * (0.5 * share_weight) @ tail @ m_weight) - risk

    from scipy import optimize  # costs a third of a second, and most plans have no history to ask this of

    return float(optimize.brentq(excess, 0.0, 60.0, xtol=1e-6))


# -- a step or a ramp ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Fit:
    """The place of the best fit of a kind, and the sum of squares that it leaves."""

    index: int
    left_over: float


def _explained(centred: Floats) -> Floats:
    """Sum of squares that a step before each of the readings 1 … n − 1 takes out of centred ones, shape (n − 1,)."""
    n = len(centred)
    m = np.arange(1, n)
    return np.asarray(np.cumsum(centred)[:-1] ** 2 * (n / (m * (n - m))))


def _best_step(x: Floats) -> _Fit:
    centred = x - np.mean(x)
    explained = _explained(centred)
    best = int(np.argmax(explained))
    return _Fit(best + 1, float(centred @ centred - explained[best]))


def _best_ramp(at: Floats, x: Floats) -> _Fit:
    """A level up to a run, a line from there on; the last two runs at least lie on the line."""
    span = float(at[-1] - at[0])
    if span <= 0.0:
        return _Fit(0, math.inf)
    time, centred = (at - at[0]) / span, x - np.mean(x)
    best = _Fit(0, math.inf)
    for index in range(len(x) - 2):
        grown = np.maximum(time - time[index], 0.0)
        grown = grown - np.mean(grown)
        power = float(grown @ grown)
        if power > 0.0:
            left = float(centred @ centred) - float(grown @ centred) ** 2 / power
            best = min(best, _Fit(index, left), key=lambda fit: fit.left_over)
    return best


def _step(x: Floats, index: int) -> Step:
    """The step, with the runs that it may lie at where either side has enough of them to say."""
    if min(index, len(x) - index) < 2 or float(np.ptp(x)) == 0.0:
        return Step(index, index, index, float(np.mean(x[index:]) - np.mean(x[:index])))
    found = change_point(x)
    return Step(found.index, found.first, found.last, found.shift)


def _ramp(at: Floats, x: Floats, index: int, *, lower: float, upper: float) -> Ramp:
    """The line through the runs from `index` on, and where it meets the limit that it goes towards."""
    time, value = at[index:], x[index:]
    middle, mean = float(np.mean(time)), float(np.mean(value))
    apart = time - middle
    power = float(apart @ apart)
    slope = float(apart @ (value - mean)) / power
    rest = value - mean - slope * apart
    variance = float(rest @ rest) / (len(value) - 2)
    u_slope = math.sqrt(variance / power)
    bare = Ramp(index, slope, u_slope, len(value) - 2)
    limit = upper if slope > 0.0 else lower
    if slope == 0.0 or math.isinf(limit):
        return bare
    # Fieller: all τ with (mean + slope τ − limit)² ≤ t² s² (1/m + τ²/Sxx), τ from the middle of the times
    t2s2 = float(special.stdtrit(len(value) - 2, (1.0 + CONFIDENCE) / 2.0)) ** 2 * variance
    a, b, c = slope**2 - t2s2 / power, slope * (mean - limit), (mean - limit) ** 2 - t2s2 / len(value)
    ends: list[float | None] = [None, None]
    inside = b * b - a * c
    if a > 0.0 and inside >= 0.0:
        ends = [middle + (-b + side * math.sqrt(inside)) / a for side in (-1.0, 1.0)]
    elif a < 0.0 and inside > 0.0 and c > 0.0:
        # the slope may be none: there is an earliest crossing and no latest one
        ends[0] = middle + min(root for side in (-1.0, 1.0) if (root := (-b + side * math.sqrt(inside)) / a) > 0.0)
    return replace(bare, crossing_s=middle + (limit - mean) / slope, earliest_s=ends[0], latest_s=ends[1])
