"""Uncertainty budgets as data, and the law of propagation (JCGM 100:2008).

1. An input has a value, a standard uncertainty, a distribution, degrees of freedom and a type; a measurement is
   inputs, a function of them and their correlations. What comes out is read line by line.
2. Sensitivities are numerical: five points spaced a quarter of u apart, exact for polynomials up to the fourth
   degree. The function takes its inputs one by one, in their order, as floats or arrays.
3. Degrees of freedom by Welch–Satterthwaite (G.4). It holds for independent inputs alone, so inputs that are
   correlated count as one, with the least of their degrees of freedom.

Why no library for propagation: the best kept one for Python (``uncertainties``) differentiates well and follows
correlations, but knows neither degrees of freedom nor distributions nor types, which are half of a budget, and
doesn't simulate; this room imports numpy and scipy alone, and what would be saved is one function of ten lines.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from stepwitness.metrology.statistics import BadReadings, finite

Floats = NDArray[np.float64]
Function = Callable[..., Any]
"""Takes as many floats or arrays as there are inputs; gives one of the same shape."""


class Distribution(Enum):
    """What is known of an input: its state of knowledge (JCGM 101:2008, 6.4)."""

    NORMAL = "normal"
    STUDENT = "t"
    RECTANGULAR = "rectangular"
    TRIANGULAR = "triangular"
    ARCSINE = "arcsine"

    @property
    def half_width_over_u(self) -> float:
        """Half-width of a bounded distribution over its standard deviation; infinite for the others."""
        widths = {Distribution.RECTANGULAR: 3.0, Distribution.TRIANGULAR: 6.0, Distribution.ARCSINE: 2.0}
        return math.sqrt(widths[self]) if self in widths else math.inf


@dataclass(frozen=True)
class Input:
    """One input of a measurement.

    Attributes
    ----------
    source : where it comes from, in words; the name by which correlations are given.
    value, standard_uncertainty : in one unit.
    degrees_of_freedom : of the standard uncertainty; infinite where it is taken as known.
    kind : "A" from the scatter of readings, "B" from other knowledge.
    """

    source: str
    value: float = 0.0
    standard_uncertainty: float = 0.0
    distribution: Distribution = Distribution.NORMAL
    degrees_of_freedom: float = math.inf
    kind: str = "B"

    def __post_init__(self) -> None:
        finite(self.value, f"the value of '{self.source}'")
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise BadReadings(f"the standard uncertainty of '{self.source}' is {self.standard_uncertainty}")
        if not self.degrees_of_freedom > 0:
            raise BadReadings(f"'{self.source}' has {self.degrees_of_freedom} degrees of freedom")
        if self.kind not in ("A", "B"):
            raise BadReadings(f"'{self.source}' is of type '{self.kind}'; A or B is due")


def within(
    source: str,
    half_width: float,
    distribution: Distribution = Distribution.RECTANGULAR,
    *,
    value: float = 0.0,
    degrees_of_freedom: float = math.inf,
) -> Input:
    """An input known to lie within `value` ± `half_width` (JCGM 100:2008, 4.3.7 to 4.3.9).

    >>> round(within("reading", 0.5).standard_uncertainty, 4)
    0.2887
    """
    over = distribution.half_width_over_u
    if math.isinf(over):
        raise BadReadings(f"'{source}': a {distribution.value} distribution has no half-width")
    return Input(source, value, half_width / over, distribution, degrees_of_freedom)


@dataclass(frozen=True)
class Measurement:
    """Inputs, the function that makes the measurand of them, and correlation coefficients by pair of sources."""

    inputs: tuple[Input, ...]
    function: Function
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        sources = [item.source for item in self.inputs]
        if not sources:
            raise BadReadings("a measurement without inputs")
        if len(set(sources)) < len(sources):
            raise BadReadings("two inputs bear the same name")
        for pair, r in self.correlations.items():
            if not set(pair) <= set(sources) or pair[0] == pair[1]:
                raise BadReadings(f"a correlation of {pair}, which aren't two of the inputs")
            if not -1.0 <= r <= 1.0:
                raise BadReadings(f"the correlation of {pair} is {r}, which doesn't lie between -1 and 1")
        if self.correlations and float(np.linalg.eigvalsh(self.correlation_matrix()).min()) < -1e-9:
            raise BadReadings("the correlations contradict each other: their matrix isn't positive semidefinite")

    @property
    def values(self) -> tuple[float, ...]:
        return tuple(item.value for item in self.inputs)

    def correlation_matrix(self) -> Floats:
        """Shape (inputs, inputs), ones on the diagonal."""
        at = {item.source: index for index, item in enumerate(self.inputs)}
        matrix = np.eye(len(self.inputs))
        for (first, second), r in self.correlations.items():
            matrix[at[first], at[second]] = matrix[at[second], at[first]] = r
        return matrix


@dataclass(frozen=True)
class BudgetLine:
    """An input with its sensitivity coefficient c and what it contributes, c·u, signed."""

    input: Input
    sensitivity: float

    @property
    def contribution(self) -> float:
        return self.sensitivity * self.input.standard_uncertainty


@dataclass(frozen=True)
class Budget:
    """What the law of propagation gives.

    Attributes
    ----------
    value : the function at the inputs' values.
    standard_uncertainty : combined, correlations included. degrees_of_freedom : effective, not truncated.
    correlated_variance : what the correlations add to u², negative where they lessen it.
    """

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float
    lines: tuple[BudgetLine, ...]
    correlated_variance: float = 0.0

    @property
    def shares(self) -> tuple[float, ...]:
        """Each line's share of u²; with what the correlations add they sum to 1. Zeros where u is 0."""
        variance = self.standard_uncertainty**2
        return tuple(line.contribution**2 / variance if variance else 0.0 for line in self.lines)

    def coverage_factor(self, probability: float = 0.95) -> float:
        """k from the t-distribution at the degrees of freedom, truncated to a whole number (JCGM 100, G.4.1)."""
        return coverage_factor(self.degrees_of_freedom, probability)

    def expanded_uncertainty(self, probability: float = 0.95) -> float:
        return self.coverage_factor(probability) * self.standard_uncertainty


def coverage_factor(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Two-sided factor of Student's t, degrees of freedom truncated and at least 1 (JCGM 100:2008, G.3 and G.4.1).

    >>> round(coverage_factor(16.7, 0.99), 2)
    2.92
    """
    if not 0 < probability < 1:
        raise BadReadings(f"a coverage probability of {probability}")
    upper = (1 + probability) / 2
    from scipy import special  # costs a fifth of a second, and a plan that is only read needs no coverage factor

    if math.isinf(degrees_of_freedom):
        return float(special.ndtri(upper))
    whole = math.floor(degrees_of_freedom * (1 + 1e-12))  # what sums of powers leave of a whole number is that number
    return float(special.stdtrit(max(1.0, whole), upper))


def welch_satterthwaite(contributions: Sequence[tuple[float, float]]) -> float:
    """Effective degrees of freedom of independent contributions (u, degrees of freedom) (JCGM 100:2008, G.2b)."""
    variance = sum(u**2 for u, _ in contributions)
    below = sum(u**4 / dof for u, dof in contributions if u and math.isfinite(dof))
    return variance**2 / below if below else math.inf


def propagate(measurement: Measurement) -> Budget:
    """The law of propagation of uncertainty, first order (JCGM 100:2008, 5.1.2 and, correlated, 5.2.2)."""
    lines = tuple(BudgetLine(item, _sensitivity(measurement, index)) for index, item in enumerate(measurement.inputs))
    signed = np.array([line.contribution for line in lines])
    matrix = measurement.correlation_matrix()
    variance = float(signed @ matrix @ signed)
    return Budget(
        value=finite(float(measurement.function(*measurement.values)), "the measurand"),
        standard_uncertainty=math.sqrt(max(0.0, variance)),
        degrees_of_freedom=welch_satterthwaite(_independent(lines, matrix)),
        lines=lines,
        correlated_variance=variance - float(signed @ signed),
    )


def summed(inputs: Sequence[Input], correlations: Mapping[tuple[str, str], float] | None = None) -> Measurement:
    """The measurement whose measurand is the sum of its inputs."""
    return Measurement(tuple(inputs), lambda *values: sum(values), correlations or {})


def second_order_uncertainty(measurement: Measurement) -> float:
    """u with the second-order terms of independent, normal inputs (JCGM 100:2008, 5.1.2, note).

    u² = Σ fᵢ² uᵢ² + Σᵢ Σⱼ (fᵢⱼ² / 2 + fᵢ fᵢⱼⱼ) uᵢ² uⱼ². Where it differs from the first order, trust a simulation.
    """
    if measurement.correlations:
        raise BadReadings("the second-order terms are those of independent inputs")
    used = [index for index, item in enumerate(measurement.inputs) if item.standard_uncertainty > 0]

    def at(*moves: tuple[int, float]) -> float:
        """The function, where some inputs stand so many standard uncertainties beside their values."""
        values = list(measurement.values)
        for index, by in moves:
            values[index] += by * measurement.inputs[index].standard_uncertainty
        return float(measurement.function(*values))

    # derivatives in units of the standard uncertainties, so that every u is 1
    h = 0.5
    first = {i: _sensitivity(measurement, i) * measurement.inputs[i].standard_uncertainty for i in used}
    variance = sum(value**2 for value in first.values())
    for i in used:
        for j in used:
            mixed = (at((i, h), (j, h)) - at((i, h), (j, -h)) - at((i, -h), (j, h)) + at((i, -h), (j, -h))) / (
                4 * h * h
            )
            bent = [(at((i, s), (j, h)) - 2 * at((i, s)) + at((i, s), (j, -h))) / h**2 for s in (h, -h)]
            third = (bent[0] - bent[1]) / (2 * h)
            if i == j:
                mixed = (at((i, h)) - 2 * at() + at((i, -h))) / h**2
                third = (at((i, 2 * h)) - 2 * at((i, h)) + 2 * at((i, -h)) - at((i, -2 * h))) / (2 * h**3)
            variance += mixed**2 / 2 + first[i] * third
    return math.sqrt(max(0.0, variance))


def _sensitivity(measurement: Measurement, index: int) -> float:
    item = measurement.inputs[index]
    step = item.standard_uncertainty / 4 or max(abs(item.value), 1.0) * 1e-4

    def at(steps: int) -> float:
        values = list(measurement.values)
        values[index] += steps * step
        return finite(float(measurement.function(*values)), f"the measurand near '{item.source}'")

    return (8 * (at(1) - at(-1)) - (at(2) - at(-2))) / (12 * step)


def _independent(lines: Sequence[BudgetLine], matrix: Floats) -> list[tuple[float, float]]:
    """Contributions (u, degrees of freedom), those that are correlated taken together."""
    left = set(range(len(lines)))
    found = []
    while left:
        group = {left.pop()}
        while more := {j for j in left for i in group if matrix[i, j]}:
            group |= more
            left -= more
        at = sorted(group)
        signed = np.array([lines[index].contribution for index in at])
        variance = float(signed @ matrix[np.ix_(at, at)] @ signed)
        found.append((math.sqrt(max(0.0, variance)), min(lines[index].input.degrees_of_freedom for index in at)))
    return found
