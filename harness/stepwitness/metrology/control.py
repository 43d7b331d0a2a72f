"""Shewhart charts: individuals with moving range, means with range, means with standard deviation.

1. A baseline is taken from a process that is thought in control, or given; a chart judges points against it. Limits
   stand at three sd, where the tables of ISO 7870-2 have them (text not at hand, factors computed).
2. A baseline of few readings has limits that are themselves uncertain; `degrees_of_freedom` says how much its sd is
   worth, and `false_alarm_rate` counts that in.
3. Readings that aren't finite numbers, unequal subgroups and a baseline without spread are refused. An alarm of the
   chart is a reason to look, not a verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy import integrate, optimize, special, stats

from stepwitness.metrology.control_constants import constants
from stepwitness.metrology.inputs import Floats, count, frozen, positive, readings, table
from stepwitness.metrology.run_rules import BEYOND_LIMIT, Alarm, RunRule, alarms
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

Kind = Literal["individuals", "range", "sd"]

WIDTH = 3.0


@dataclass(frozen=True)
class Limits:
    """Centre line and control limits, in the unit of the points."""

    lower: float
    centre: float
    upper: float


@dataclass(frozen=True)
class Baseline:
    """What a chart judges against.

    Attributes
    ----------
    kind : what the spread chart shows: moving ranges of two, ranges, or standard deviations.
    n : readings in a subgroup, 1 for individuals. `subgroups` : in the baseline; 0 where centre and sd were given.
    centre, sd : of the process, sd within subgroups, in the unit of the readings.
    degrees_of_freedom : that sd is worth, infinite where it was given.
    location, spread : limits of the two charts.
    """

    kind: Kind
    n: int
    subgroups: int
    centre: float
    sd: float
    degrees_of_freedom: float
    location: Limits
    spread: Limits


@dataclass(frozen=True, eq=False)
class Chart:
    """Points of both charts, shape (k,) each, and where they raise the alarm.

    The first moving range of an individuals chart doesn't exist and is NaN. Run rules are applied to the location
    alone; the spread sounds by its limits.
    """

    location: Floats
    spread: Floats
    location_alarms: tuple[Alarm, ...]
    spread_alarms: tuple[int, ...]


def individuals_baseline(values: ArrayLike) -> Baseline:
    """Centre x̄ and sd = mean moving range / d2, from readings in order of time, shape (k,), k ≥ 3.

    Raises
    ------
    BadReadings, NotEnoughReadings : a reading that isn't a number, too few, no spread.
    """
    array = readings(values, "baseline", least=3)
    mean_range = float(np.mean(np.abs(np.diff(array))))
    return _baseline("individuals", 1, len(array), float(np.mean(array)), mean_range / constants(2).d2)


def subgroup_baseline(subgroups: ArrayLike, *, kind: Literal["range", "sd"]) -> Baseline:
    """Centre x̿ and sd = R̄/d2 or s̄/c4, from subgroups, shape (k, n), k ≥ 2, n from 2 to 100.

    Raises
    ------
    BadReadings, NotEnoughReadings : unequal subgroups, a reading that isn't a number, too few, no spread.
    """
    array = table(subgroups, "baseline", least=(2, 2))
    k, n = array.shape
    factors = constants(n)
    sd = np.mean(np.ptp(array, axis=1)) / factors.d2 if kind == "range" else np.mean(_sds(array)) / factors.c4
    return _baseline(kind, n, k, float(np.mean(array)), float(sd))


def given_baseline(*, centre: float, sd: float, n: int = 1, kind: Kind = "individuals") -> Baseline:
    """A baseline of a centre and a sd that are known.

    Raises
    ------
    BadReadings : a sd that isn't positive, n that doesn't suit the kind.
    """
    readings([centre], "the centre")
    positive(sd, "the standard deviation")
    if (n == 1) != (kind == "individuals"):
        raise BadReadings(f"subgroups of {n} don't suit a chart of kind '{kind}'")
    return _baseline(kind, count(n, "the size of a subgroup"), 0, centre, sd)


def chart(baseline: Baseline, points: ArrayLike, *, rules: Sequence[RunRule] = (BEYOND_LIMIT,)) -> Chart:
    """Points against a baseline: readings, shape (k,), or subgroups, shape (k, n), in order of time.

    Raises
    ------
    BadReadings, NotEnoughReadings : as for the baselines; subgroups of another size than the baseline's.
    """
    if baseline.kind == "individuals":
        location = readings(points, "points of a chart")
        moved = np.abs(np.diff(location))
        spread_points = np.concatenate(([math.nan], moved))
    else:
        array = table(points, "points of a chart", least=(1, 2))
        if array.shape[1] != baseline.n:
            raise BadReadings(f"subgroups of {array.shape[1]} on a chart for subgroups of {baseline.n}")
        location = array.mean(axis=1)
        spread_points = np.ptp(array, axis=1) if baseline.kind == "range" else _sds(array)
    z = (location - baseline.centre) * math.sqrt(baseline.n) / baseline.sd
    beyond = np.flatnonzero((spread_points > baseline.spread.upper) | (spread_points < baseline.spread.lower))
    return Chart(
        location=frozen(location),
        spread=frozen(spread_points),
        location_alarms=alarms(z, rules),
        spread_alarms=tuple(int(index) for index in beyond),
    )


def false_alarm_rate(baseline: Baseline) -> tuple[float, float]:
    """Probability that a point of a process in control lies outside, (location chart, spread chart), single limits.

    For the location it is the mean over baselines of that worth (Student's t, with the centre's own uncertainty), so it
    is above 0.27 % and falls to it as the baseline grows. The spread chart's is with the sd known.

    The moving range sounds far oftener than 0.27 %, because three sd of a range of two aren't normal ones.
    """
    grown = math.sqrt(1.0 + 1.0 / baseline.subgroups) if baseline.subgroups else 1.0
    if math.isinf(baseline.degrees_of_freedom):
        location = 2.0 * float(special.ndtr(-WIDTH / grown))
    else:
        # the sd is right on average, so it's that of χ over its own mean
        df = baseline.degrees_of_freedom
        location = 2.0 * float(stats.t.cdf(-WIDTH / (grown * _mean_chi(df)), df))
    low, high = baseline.spread.lower / baseline.sd, baseline.spread.upper / baseline.sd
    if baseline.kind == "individuals":
        return location, 2.0 * float(special.ndtr(-high / math.sqrt(2.0)))
    if baseline.kind == "range":
        return location, _range_cdf(low, baseline.n) + 1.0 - _range_cdf(high, baseline.n)
    own = baseline.n - 1
    return location, float(stats.chi2.cdf(own * low**2, own) + stats.chi2.sf(own * high**2, own))


def _baseline(kind: Kind, n: int, subgroups: int, centre: float, sd: float) -> Baseline:
    if not sd > 0.0:
        raise NotEnoughReadings("baseline: no spread, so no control limits")
    half = WIDTH * sd / math.sqrt(n)
    factors = constants(max(n, 2))
    if kind == "sd":
        middle, low, high = factors.c4 * sd, factors.b3, factors.b4
    else:
        middle, low, high = factors.d2 * sd, factors.big_d3, factors.big_d4
    return Baseline(
        kind=kind,
        n=n,
        subgroups=subgroups,
        centre=centre,
        sd=sd,
        degrees_of_freedom=_worth(kind, n, subgroups) if subgroups else math.inf,
        location=Limits(centre - half, centre, centre + half),
        spread=Limits(low * middle, middle, high * middle),
    )


def _worth(kind: Kind, n: int, subgroups: int) -> float:
    """Degrees of freedom of the χ that has the same relative variance, 1/c4² − 1 (Patnaik's way, from memory)."""
    factors = constants(max(n, 2))
    if kind == "individuals":
        # neighbouring moving ranges share a reading: covariance of |x₁ − x₂| and |x₂ − x₃| of normal readings
        m = subgroups - 1
        shared = (4.0 / math.pi) * (math.sqrt(3.0) / 2.0 + math.pi / 12.0 - 1.0)
        cv2 = (m * factors.d3**2 + 2.0 * (m - 1) * shared) / (m * factors.d2) ** 2
    elif kind == "range":
        cv2 = (factors.d3 / factors.d2) ** 2 / subgroups
    else:
        cv2 = (1.0 / factors.c4**2 - 1.0) / subgroups

    def excess(log_df: float) -> float:
        return math.log(1.0 / _mean_chi(math.exp(log_df)) ** 2 - 1.0) - math.log(cv2)

    # 1/2ν is near from above: the root lies a little below it
    return math.exp(float(optimize.brentq(excess, math.log(0.1 / cv2), math.log(1.0 / cv2), xtol=1e-12)))


def _mean_chi(df: float) -> float:
    """c4 for any degrees of freedom: the mean of √(χ²/ν); by its series where gamma functions would lose digits."""
    if df > 1e4:
        return 1.0 - 1.0 / (4.0 * df) + 1.0 / (32.0 * df**2)
    return math.sqrt(2.0 / df) * math.exp(math.lgamma((df + 1.0) / 2) - math.lgamma(df / 2))


def _sds(array: Floats) -> Floats:
    shifted = array - array[:, :1]
    return np.asarray(shifted.std(axis=1, ddof=1))


def _range_cdf(w: float, n: int) -> float:
    """P(range of n standard normals ≤ w) = n ∫ φ(x) (Φ(x + w) − Φ(x))ⁿ⁻¹ dx."""
    if w <= 0.0:
        return 0.0

    def density(x: float) -> float:
        return (
            n
            * math.exp(-x * x / 2.0)
            / math.sqrt(2.0 * math.pi)
            * float(special.ndtr(x + w) - special.ndtr(x)) ** (n - 1)
        )

    held, _ = integrate.quad(density, -9.0, 9.0, epsabs=1e-13, epsrel=1e-11, limit=200)
    return float(held)
