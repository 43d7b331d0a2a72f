"""How often the intervals of R, B, E and A hold what they claim, on simulated axes of known truth.

    python benches/measurements/coverage_positioning.py [--trials 10000] [--most 40000] [--out TABLE.csv]

One line for each kind of axis and figure: the share of trials in which the 95 % interval held its measurand (the mean
of the figure over endless repetitions of the same test), how often the interval lay above or below it, and the share of
value ± 2u of the place that governs: first as an interval for the same measurand, then for the figure of an endless
test. P(conform) is right as often as the interval is: with a limit at the measurand itself it lies between 2.5 % and
97.5 % in the same trials.

Each trial draws its interval from a seed of its own: one frozen set of draws has an error of its own, which is the same
in every trial and doesn't average out (0.7 % of coverage with 999 draws, 0.2 % with the 9,999 that a record takes).

Where a figure's coverage lies nearer to 93.5 % or 96.5 % than three times its Monte Carlo error, as many trials again
are added, up to `--most`. Lines beyond end in a mark, and a last line says which they are and why. Axes are in units of
the scatter of one approach. Takes about a minute a thousand trials.
"""

from __future__ import annotations

import argparse
import csv
import math
from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stepwitness.metrology.decision import conformity
from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.positioning_intervals import figure_intervals
from stepwitness.metrology.uncertainty import combine, positioning_budgets

Floats = NDArray[np.float64]
FIGURES = ("R", "B", "E", "A", "R_up", "M", "B_mean")
LOW, HIGH = 0.935, 0.965
WHY = (
    "Where one place alone sticks, or scatter differs much from place to place, R is known from the few runs at the "
    "place that governs, and another may have been found to govern: so few readings can't tell such an axis from an "
    "even one. More runs help."
)
REPETITIONS = 400
"""Tests from which a drawn axis' mean figures are taken; those of a fixed axis come from a hundred times as many."""


@dataclass(frozen=True)
class Truth:
    """Means and scatters of the places, shape (m,) each."""

    up: Floats
    down: Floats
    s_up: Floats
    s_down: Floats


@dataclass(frozen=True)
class Scenario:
    """A kind of axis: how one is drawn, whether each trial draws another, and how it is tested."""

    name: str
    draw: Callable[[np.random.Generator, int], Truth]
    varies: bool = False
    m: int = 11
    n: int = 5
    resolution: float = 0.0
    calibration_u: float = 0.0


def _axis(m: int, *, reversal: float | Floats = -3.0, shape: bool = True) -> Truth:
    x = np.linspace(0.0, 1.0, m)
    middle = 20 * x + 2 * np.sin(2 * np.pi * 3.3 * x) if shape else np.zeros(m)
    return Truth(middle + reversal / 2, middle - reversal / 2, np.ones(m), np.ones(m))


def _worn(m: int) -> Truth:
    reversal = np.full(m, -3.0)
    reversal[m // 2] = -11.0
    return _axis(m, reversal=reversal)


def _scattered(m: int, up: Floats | float, down: Floats | float) -> Truth:
    even = _axis(m)
    return Truth(even.up, even.down, even.s_up * up, even.s_down * down)


def _sticking(m: int) -> Truth:
    times = np.ones(m)
    times[m // 3] = 3.0
    return _scattered(m, times, times)


def _uneven(rng: np.random.Generator, m: int, by: float) -> Truth:
    return _scattered(m, np.exp(by * rng.standard_normal(m)), np.exp(by * rng.standard_normal(m)))


SCENARIOS = (
    Scenario("even", lambda _, m: _axis(m)),
    Scenario("even, 5 targets", lambda _, m: _axis(m), m=5),
    Scenario("even, 10 runs", lambda _, m: _axis(m), n=10),
    Scenario("even, no lead error", lambda _, m: _axis(m, shape=False)),
    Scenario("reversal varies", lambda rng, m: _axis(m, reversal=-5 + rng.standard_normal(m)), varies=True),
    Scenario("worn at one place", lambda _, m: _worn(m)),
    Scenario("scatter 2x downwards", lambda _, m: _scattered(m, 1.0, 2.0)),
    Scenario("scatter varies by 20 %", lambda rng, m: _uneven(rng, m, 0.2), varies=True),
    Scenario("gauge: step 0.5, u 0.5", lambda _, m: _axis(m), resolution=0.5, calibration_u=0.5),
    Scenario("scatter varies by 40 %", lambda rng, m: _uneven(rng, m, 0.4), varies=True),
    Scenario("sticks 3x at one place", lambda _, m: _sticking(m)),
    Scenario("sticks 3x, 10 runs", lambda _, m: _sticking(m), n=10),
)


def read(truth: Truth, scenario: Scenario, rng: np.random.Generator, tests: int) -> tuple[Floats, Floats]:
    """Deviations up and down as the gauge shows them, shape (tests, m, n)."""
    m, n = scenario.m, scenario.n
    error = scenario.calibration_u * rng.standard_normal((tests, m, 1))
    found = []
    for mean, s in ((truth.up, truth.s_up), (truth.down, truth.s_down)):
        rounding = scenario.resolution * rng.uniform(-0.5, 0.5, (tests, m, 1))
        found.append(mean[:, None] + s[:, None] * rng.standard_normal((tests, m, n)) + error + rounding)
    return found[0], found[1]


def figures_of(up: Floats, down: Floats, s_up: Floats, s_down: Floats) -> dict[str, Floats]:
    """The figures by their definitions, written out once more; shape (..., m) to (...)."""
    b = up - down
    both = np.maximum(2 * s_up + 2 * s_down + np.abs(b), 4 * np.maximum(s_up, s_down))
    high = np.maximum(up + 2 * s_up, down + 2 * s_down).max(-1)
    low = np.minimum(up - 2 * s_up, down - 2 * s_down).min(-1)
    middle = (up + down) / 2
    return {
        "R": both.max(-1),
        "B": np.abs(b).max(-1),
        "E": np.maximum(up, down).max(-1) - np.minimum(up, down).min(-1),
        "A": high - low,
        "R_up": 4 * s_up.max(-1),
        "M": np.ptp(middle, axis=-1),
        "B_mean": b.mean(-1),
    }


def mean_figures(truth: Truth, scenario: Scenario, rng: np.random.Generator, tests: int) -> dict[str, float]:
    """The measurands: mean figures of so many tests by a gauge without error."""
    perfect = Scenario("", scenario.draw, m=scenario.m, n=scenario.n)
    up, down = read(truth, perfect, rng, tests)
    tested = figures_of(up.mean(-1), down.mean(-1), up.std(-1, ddof=1), down.std(-1, ddof=1))
    return {name: float(values.mean()) for name, values in tested.items()}


@dataclass
class Count:
    below: int = 0
    above: int = 0
    plain: int = 0
    endless: int = 0
    conform: int = 0

    def held(self, trials: int) -> float:
        return 1 - (self.below + self.above) / trials

    def doubtful(self, trials: int) -> bool:
        """Whether chance may have decided on which side of a bound it lies."""
        held = self.held(trials)
        return min(abs(held - LOW), abs(held - HIGH)) < 3 * math.sqrt(held * (1 - held) / trials)

    def __add__(self, other: Count) -> Count:
        return Count(*(mine + its for mine, its in zip(astuple(self), astuple(other), strict=True)))


def study(scenario: Scenario, trials: int, seed: int) -> dict[str, Count]:
    rng = np.random.default_rng(seed)
    truth = scenario.draw(rng, scenario.m)
    means = mean_figures(truth, scenario, rng, 100 * REPETITIONS)
    counts = {name: Count() for name in FIGURES}
    for trial in range(trials):
        if scenario.varies:
            truth = scenario.draw(rng, scenario.m)
            means = mean_figures(truth, scenario, rng, REPETITIONS)
        endless = figures_of(truth.up, truth.down, truth.s_up, truth.s_down)
        up, down = read(truth, scenario, rng, 1)
        figures = positioning(up[0], down[0])
        instrument = {"resolution": scenario.resolution, "calibration_u": scenario.calibration_u}
        found = figure_intervals(figures, **instrument, draws=999, seed=1000 * seed + trial)
        budgets = positioning_budgets(figures, resolution_m=scenario.resolution, calibration_u_m=scenario.calibration_u)
        for name, count in counts.items():
            one, expanded = found[name], 2 * combine(budgets.get(name, ()))
            count.below += means[name] < one.interval.low
            count.above += means[name] > one.interval.high
            count.conform += 0.025 <= conformity(one.known, upper=means[name]) <= 0.975
            count.plain += abs(one.value - means[name]) <= expanded
            count.endless += abs(one.value - float(endless[name])) <= expanded
    return counts


def settled(scenario: Scenario, trials: int, most: int, seed: int) -> tuple[int, dict[str, Count]]:
    """The study with as many trials as leave no figure in doubt, or `most`; how many they were."""
    taken, counts = trials, study(scenario, trials, seed)
    while taken + trials <= most and any(count.doubtful(taken) for count in counts.values()):
        again = study(scenario, trials, seed + 1000 * (taken // trials))
        counts = {name: count + again[name] for name, count in counts.items()}
        taken += trials
    return taken, counts


def main() -> None:
    parser = argparse.ArgumentParser(description="Coverage of the intervals of positioning figures.")
    parser.add_argument("--trials", type=int, default=10_000)
    parser.add_argument("--most", type=int, default=40_000)
    parser.add_argument("--seed", type=int, default=230)
    parser.add_argument("--only", default="", help="part of a scenario's name")
    parser.add_argument("--out", type=Path, help="also write the table as CSV")
    given = parser.parse_args()
    head = (
        "axis",
        "figure",
        "trials",
        "held %",
        "too high %",
        "too low %",
        "P(conform) %",
        "value ± 2u %",
        "2u, endless %",
    )
    print(f"{given.trials} to {given.most} trials each; held is due to be 95, within {100 * LOW:g} to {100 * HIGH:g}")
    print(f"{head[0]:24} {head[1]:7}" + "".join(f"{word:>14}" for word in head[2:]))
    beyond = []
    rows: list[tuple[str, ...]] = [head]
    for at, scenario in enumerate(SCENARIOS):
        if given.only not in scenario.name:
            continue
        trials, counts = settled(scenario, given.trials, given.most, given.seed + at)
        for name, count in counts.items():
            held = count.held(trials)
            shares = (
                held,
                *(part / trials for part in (count.below, count.above, count.conform, count.plain, count.endless)),
            )
            row = (scenario.name, name, str(trials), *(f"{100 * share:.2f}" for share in shares))
            rows.append(row)
            inside = LOW <= held <= HIGH
            if not inside:
                beyond.append(f"{name} in {100 * held:.2f} % ({scenario.name})")
            mark = "" if inside else "  <- beyond"
            print(f"{row[0]:24} {row[1]:7}" + "".join(f"{word:>14}" for word in row[2:]) + mark, flush=True)
    print(f"Beyond: {'; '.join(beyond)}. {WHY}" if beyond else "All lie inside.")
    if given.out:
        with given.out.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)


if __name__ == "__main__":
    main()
