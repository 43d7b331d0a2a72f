"""Decision rules: a limit held against an uncertain value (JCGM 106:2012; ISO 14253-1:2017), in pure arithmetic.

1. A margin is the distance from value to limit, positive inside. A guarded rule holds the ends of what is known against
   the limit: those of an interval of proved coverage where there is one, those of value ± U otherwise.
2. Probability of conformity p is that of the measurand to lie inside, by what is known of it. What is accepted has the
   specific consumer's risk 1 − p, what is rejected the specific producer's risk p (JCGM 106, 9.3.2).
3. Texts of both documents weren't at hand; they are taken from memory, in our own words.

This module loads nothing but the standard library until Student's t is asked for.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise
from typing import Protocol


class Rule(Enum):
    """How acceptance and rejection limits lie about a tolerance limit.

    GUARDED : acceptance U inside it, rejection U outside, neither between (ISO 14253-1, the guard band being U); of an
        interval, acceptance where all of it lies inside, rejection where all of it lies outside.
    SIMPLE : both at the limit itself.
    GUARDED_REJECTION : rejection as above; all else is accepted.
    STATED_RISK : accepted where the specific consumer's risk, rejected where the specific producer's risk, is at most
        the risk stated.
    """

    GUARDED = "guarded"
    SIMPLE = "simple"
    GUARDED_REJECTION = "guarded-rejection"
    STATED_RISK = "stated-risk"


class Decision(Enum):
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    NEITHER = "neither"


class Knowledge(Protocol):
    """What is known of a measurand."""

    def within(self, lower: float, upper: float) -> float:
        """Probability that it lies between two bounds, either of which may be infinite."""
        ...


@dataclass(frozen=True)
class Bell:
    """Value and standard uncertainty: normal, or Student's t with the uncertainty's degrees of freedom."""

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf

    def within(self, lower: float, upper: float) -> float:
        if self.standard_uncertainty == 0.0:
            return 1.0 if lower <= self.value <= upper else 0.0
        if lower == upper:
            return 0.0
        if math.isinf(lower) and math.isinf(upper):
            return 1.0
        inside = 1.0 - self._below(lower) - self._above(upper)
        # certain is only what has no uncertainty, however far away the limit
        return min(math.nextafter(1.0, 0.0), max(math.ulp(0.0), inside))

    def _above(self, bound: float) -> float:
        return Bell(-self.value, self.standard_uncertainty, self.degrees_of_freedom)._below(-bound)

    def _below(self, bound: float) -> float:
        if math.isinf(bound):
            return 0.0 if bound < 0 else 1.0
        z = (bound - self.value) / self.standard_uncertainty
        if math.isinf(self.degrees_of_freedom):
            return 0.5 * math.erfc(-z / math.sqrt(2))
        from scipy.special import stdtr

        return float(stdtr(self.degrees_of_freedom, z))


@dataclass(frozen=True)
class Sampled:
    """Equally likely values of the measurand, ascending; between two of them the probability rises evenly."""

    values: tuple[float, ...]

    def within(self, lower: float, upper: float) -> float:
        first, last = self.values[0], self.values[-1]
        if first == last:
            return 1.0 if lower <= first <= upper else 0.0
        if math.isinf(lower) and math.isinf(upper):
            return 1.0
        # beyond all of them lies less than half of what one stands for, but not nothing
        least = 0.5 / len(self.values)
        return min(1.0 - least, max(least, self._below(upper) - self._below(lower)))

    def _below(self, bound: float) -> float:
        if math.isinf(bound):
            return 0.0 if bound < 0 else 1.0
        n = len(self.values)
        at = bisect_right(self.values, bound)
        if at == 0:
            return 0.5 / n
        if at == n:
            return 1.0 - 0.5 / n
        low, high = self.values[at - 1], self.values[at]
        if low == bound:  # in the middle of those that are equal
            return (bisect_left(self.values, bound) + at) / 2 / n
        return (at - 0.5 + (bound - low) / (high - low)) / n


def conformity(known: Knowledge, *, lower: float | None = None, upper: float | None = None) -> float:
    """Probability that the measurand lies within its limits (JCGM 106:2012, 7.3 and 7.4).

    >>> round(conformity(Bell(-5.47, 0.05), upper=-5.40), 2)
    0.92
    """
    if lower is None and upper is None:
        raise ValueError("neither a lower nor an upper limit")
    return known.within(-math.inf if lower is None else lower, math.inf if upper is None else upper)


def decide(
    rule: Rule,
    margin: float,
    expanded_uncertainty: float,
    *,
    ends: tuple[float, float] | None = None,
    probability: float | None = None,
    maximum_risk: float = 0.05,
) -> Decision:
    """The decision for one value.

    Parameters
    ----------
    margin, expanded_uncertainty : in one unit. ends : least and greatest margin in an interval of proved coverage; it
    stands for margin ± expanded_uncertainty. probability : of conformity, which STATED_RISK needs.
    """
    if rule is Rule.STATED_RISK:
        if probability is None:
            raise ValueError("a stated risk needs the probability of conformity")
        if probability >= 1.0 - maximum_risk:
            return Decision.ACCEPTED
        return Decision.REJECTED if probability <= maximum_risk else Decision.NEITHER
    if rule is Rule.SIMPLE:
        least = greatest = margin
    else:
        least, greatest = ends or (margin - expanded_uncertainty, margin + expanded_uncertainty)
    if (least if rule is Rule.GUARDED else greatest) >= 0:
        return Decision.ACCEPTED
    return Decision.REJECTED if greatest < 0 else Decision.NEITHER


def guard_factor(maximum_risk: float) -> float:
    """Width of the guard band over u at one limit, for a specific risk: 1.645 at 5 % (ISO 14253-1, from memory)."""
    from scipy.special import ndtri

    if not 0 < maximum_risk < 1:
        raise ValueError(f"a risk of {maximum_risk}")
    return float(-ndtri(maximum_risk))


@dataclass(frozen=True)
class GlobalRisks:
    """For a population: shares of all units (JCGM 106:2012, 9.5).

    `consumer` : nonconforming and accepted. `producer` : conforming and not accepted. `nonconforming`, `accepted` :
    of all.
    """

    consumer: float
    producer: float
    nonconforming: float
    accepted: float


def global_risks(
    *,
    mean: float,
    spread: float,
    uncertainty: float,
    lower: float | None = None,
    upper: float | None = None,
    guard: float = 0.0,
) -> GlobalRisks:
    """Risks of a rule for a normal population measured with a normal uncertainty.

    Parameters
    ----------
    mean, spread : of the population's true values. uncertainty : standard, of one measurement.
    lower, upper : tolerance limits. guard : acceptance limits lie so far inside them; negative for outside.

    Notes
    -----
    Of a true value η a measurement y is normal about η with `uncertainty`; the risks integrate the probability of
    y to lie inside the acceptance limits over η inside or outside the tolerance.
    """
    from scipy.integrate import quad
    from scipy.special import ndtr

    if not spread > 0 or not uncertainty > 0:
        raise ValueError("spread and uncertainty must be positive")
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    if not low + guard < high - guard:
        raise ValueError("the guard bands leave nothing to accept")

    def accepted(z: float) -> float:
        value = mean + spread * z
        inside = ndtr((high - guard - value) / uncertainty) - ndtr((low + guard - value) / uncertainty)
        return float(inside) * math.exp(-z * z / 2) / math.sqrt(2 * math.pi)

    def over(start: float, end: float) -> float:
        """The accepted, of true values between two z; in pieces, so that no edge is missed."""
        start, end = max(start, -12.0), min(end, 12.0)
        if start >= end:
            return 0.0
        edges = [(bound - mean + sign * guard) / spread for bound, sign in ((low, 1), (high, -1))]
        # an edge that all but falls on an end needs no piece of its own, which would be too short to integrate
        cuts = sorted({start, end, *(z for z in edges if start + 1e-9 < z < end - 1e-9)})
        pieces = pairwise(cuts)
        return math.fsum(quad(accepted, a, b, epsabs=1e-13, epsrel=1e-10, limit=200)[0] for a, b in pieces)

    z_low, z_high = (low - mean) / spread, (high - mean) / spread
    conforming = float(ndtr(z_high) - ndtr(z_low))
    good = over(z_low, z_high)
    bad = over(-math.inf, z_low) + over(z_high, math.inf)
    return GlobalRisks(consumer=bad, producer=conforming - good, nonconforming=1.0 - conforming, accepted=good + bad)
