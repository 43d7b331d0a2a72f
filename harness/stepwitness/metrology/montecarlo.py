"""Propagation of distributions by simulation (JCGM 101:2008), and how it differs from the law of propagation.

1. Blocks of 10,000 trials, or 100/(1 − p) where that is more, until value, standard uncertainty and both ends of
   the interval are stable to the digits wanted (7.9), or until `most` trials, and then it says that it isn't stable.
2. Correlated inputs are drawn from a joint normal distribution and may have no other (6.4.8).
3. The same seed gives the same numbers with one version of numpy; another may draw otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from stepwitness.metrology.budget import Budget, Distribution, Floats, Input, Measurement
from stepwitness.metrology.statistics import BadReadings

LEAST_BLOCK = 10_000
MOST_TRIALS = 5_000_000


@dataclass(frozen=True)
class Simulation:
    """What a simulation gives.

    Attributes
    ----------
    value, standard_uncertainty : mean and standard deviation of all trials.
    low, high : probabilistically symmetric coverage interval. shortest : the shortest one (JCGM 101, 5.3.4).
    probability : of both. tolerance : half a unit of the last digit wanted of u (7.9.2).
    stable : whether all four figures are settled to within `tolerance`.
    """

    value: float
    standard_uncertainty: float
    low: float
    high: float
    shortest: tuple[float, float]
    probability: float
    trials: int
    tolerance: float
    stable: bool


@dataclass(frozen=True)
class Disagreement:
    """Simulation less law of propagation: ends of the coverage intervals, and standard uncertainty as a ratio.

    `validated` says whether both ends agree to within the tolerance (JCGM 101:2008, 8.1).
    """

    low: float
    high: float
    uncertainty_ratio: float
    tolerance: float

    @property
    def validated(self) -> bool:
        return abs(self.low) <= self.tolerance and abs(self.high) <= self.tolerance

    def sentence(self) -> str:
        """What a report says of it."""
        if self.validated:
            return "the law of propagation is validated by simulation"
        return (
            f"simulation and law of propagation disagree: u is {self.uncertainty_ratio:.3f} times as large simulated, "
            "so the simulated interval is the one to use"
        )


def simulate(
    measurement: Measurement,
    *,
    probability: float = 0.95,
    digits: int = 2,
    seed: int = 1,
    least: int = 0,
    most: int = MOST_TRIALS,
) -> Simulation:
    """Simulate until stable (JCGM 101:2008, 7.9.4).

    Parameters
    ----------
    digits : significant digits of the standard uncertainty that have to be right, 1 or 2.
    least : trials that are made in any case. most : trials after which it gives up on being stable.

    Raises
    ------
    BadReadings : for a probability outside 0 to 1, correlated inputs that aren't normal, or a function that gives
        something else than a finite number a trial.
    """
    if not 0 < probability < 1:
        raise BadReadings(f"a coverage probability of {probability}")
    draw = _drawer(measurement, np.random.default_rng(seed))
    block = max(LEAST_BLOCK, math.ceil(100 / (1 - probability)))
    blocks: list[Floats] = []
    figures: list[tuple[float, float, float, float]] = []
    tolerance, stable = 0.0, False
    while (not stable or len(blocks) * block < least) and (len(blocks) + 1) * block <= max(most, 2 * block):
        values = _evaluated(measurement, draw(block))
        blocks.append(values)
        figures.append((float(values.mean()), float(values.std(ddof=1)), *_symmetric(values, probability)))
        if len(blocks) > 1:
            every = np.concatenate(blocks)
            tolerance = tolerance_of(float(every.std(ddof=1)), digits)
            scatter = np.std(figures, axis=0, ddof=1) / math.sqrt(len(blocks))
            stable = bool(np.all(2 * scatter <= tolerance))
    every = np.sort(np.concatenate(blocks))
    low, high = _symmetric(every, probability)
    return Simulation(
        value=float(every.mean()),
        standard_uncertainty=float(every.std(ddof=1)),
        low=low,
        high=high,
        shortest=_shortest(every, probability),
        probability=probability,
        trials=len(every),
        tolerance=tolerance,
        stable=stable,
    )


def disagreement(budget: Budget, simulated: Simulation) -> Disagreement:
    """How the simulated interval differs from y ± U of the law of propagation at the same probability."""
    expanded = budget.expanded_uncertainty(simulated.probability)
    u = budget.standard_uncertainty
    return Disagreement(
        low=simulated.low - (budget.value - expanded),
        high=simulated.high - (budget.value + expanded),
        uncertainty_ratio=simulated.standard_uncertainty / u
        if u
        else math.inf
        if simulated.standard_uncertainty
        else 1.0,
        tolerance=simulated.tolerance,
    )


def tolerance_of(uncertainty: float, digits: int) -> float:
    """Half a unit of the last of so many significant digits (JCGM 101:2008, 7.9.2); 0 for none.

    >>> tolerance_of(0.00032, 2)
    5e-06
    """
    if not uncertainty > 0:
        return 0.0
    exponent = math.floor(math.log10(uncertainty)) - (digits - 1)
    return float(f"0.5e{exponent}")


def _evaluated(measurement: Measurement, drawn: list[Floats]) -> Floats:
    values = np.asarray(measurement.function(*drawn), dtype=np.float64)
    values = np.broadcast_to(values, drawn[0].shape)
    if not np.all(np.isfinite(values)):
        raise BadReadings("the measurand isn't a finite number for every draw of its inputs")
    return values


def _symmetric(values: Floats, probability: float) -> tuple[float, float]:
    low, high = np.quantile(values, [(1 - probability) / 2, (1 + probability) / 2])
    return float(low), float(high)


def _shortest(ordered: Floats, probability: float) -> tuple[float, float]:
    covered = min(len(ordered) - 1, round(probability * len(ordered)))
    at = int(np.argmin(ordered[covered:] - ordered[: len(ordered) - covered]))
    return float(ordered[at]), float(ordered[at + covered])


def _drawer(measurement: Measurement, rng: np.random.Generator) -> Callable[[int], list[Floats]]:
    correlated = {source for pair, r in measurement.correlations.items() if r for source in pair}
    for item in measurement.inputs:
        if item.source in correlated and item.distribution is not Distribution.NORMAL:
            raise BadReadings(f"'{item.source}' is correlated and {item.distribution.value}; only normal inputs may be")
    root = _root(measurement.correlation_matrix())

    def draw(n: int) -> list[Floats]:
        joint = root @ rng.standard_normal((len(measurement.inputs), n)) if correlated else None
        return [
            item.value + item.standard_uncertainty * joint[index]
            if joint is not None and item.source in correlated
            else _drawn(item, n, rng)
            for index, item in enumerate(measurement.inputs)
        ]

    return draw


def _root(matrix: Floats) -> Floats:
    """A square root of a positive semidefinite matrix."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)), dtype=np.float64)


def _drawn(item: Input, n: int, rng: np.random.Generator) -> Floats:
    half = item.standard_uncertainty * item.distribution.half_width_over_u if item.standard_uncertainty else 0.0
    if item.distribution is Distribution.NORMAL:
        return item.value + item.standard_uncertainty * rng.standard_normal(n)
    if item.distribution is Distribution.STUDENT:
        t = (
            rng.standard_normal(n)
            if math.isinf(item.degrees_of_freedom)
            else rng.standard_t(item.degrees_of_freedom, n)
        )
        return item.value + item.standard_uncertainty * t
    if item.distribution is Distribution.RECTANGULAR:
        return item.value + half * rng.uniform(-1.0, 1.0, n)
    if item.distribution is Distribution.TRIANGULAR:
        return item.value + half * (rng.uniform(-0.5, 0.5, n) + rng.uniform(-0.5, 0.5, n))
    return item.value + half * np.sin(2 * np.pi * rng.random(n))
