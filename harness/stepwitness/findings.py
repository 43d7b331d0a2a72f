"""What a procedure says of an axis: characteristics, estimates, limits, findings, verdicts.

1. A procedure declares its characteristics once; plan, report and tests read them from there.
2. `evaluate` gives estimates (value and standard uncertainty, SI); a limit and a decision rule make a finding.
3. Judged on unrounded values. A finding without a number always carries the reason.
4. Where an estimate has an interval of proved coverage, guarded rules hold its ends against the limit, not value ± U.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from enum import Enum

from stepwitness.errors import Place
from stepwitness.metrology.decision import Bell, Decision, Knowledge, conformity, decide
from stepwitness.metrology.decision import Rule as DecisionRule
from stepwitness.quantities import Kind

__all__ = [
    "COVERAGE_FACTOR",
    "COVERAGE_PROBABILITY",
    "MAXIMUM_RISK",
    "Characteristic",
    "Contribution",
    "DecisionRule",
    "Estimate",
    "Figure",
    "Finding",
    "Limit",
    "Range",
    "Sense",
    "Verdict",
    "aborted",
    "judge",
    "worst",
]


class Verdict(Enum):
    """The five words; `rank` orders them from best to worst for the verdict of a run."""

    PASS = "PASS"
    NOT_OBSERVABLE = "NOT OBSERVABLE"
    INCONCLUSIVE = "INCONCLUSIVE"
    ABORTED = "ABORTED"
    FAIL = "FAIL"

    @property
    def rank(self) -> int:
        return list(Verdict).index(self)


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of `verdicts`; NOT OBSERVABLE where there is none, since nothing was seen."""
    return max(verdicts, key=lambda verdict: verdict.rank, default=Verdict.NOT_OBSERVABLE)


class Sense(Enum):
    AT_MOST = "at most"
    AT_LEAST = "at least"

    @property
    def sign(self) -> str:
        return "≤" if self is Sense.AT_MOST else "≥"


class Figure(Enum):
    """What a value is, to who supposes that it is normal from unit to unit.

    A reading and a mean may be; a spread (an R, a standard deviation) and an extreme (a maximum) aren't.
    """

    READING = "reading"
    MEAN = "mean"
    SPREAD = "spread"
    EXTREME = "extreme"
    UNSTATED = ""


@dataclass(frozen=True)
class Characteristic:
    """A quantity that can have a limit.

    Attributes
    ----------
    name : key in plans and node ids. title : trade name as printed. symbol : the standard's symbol or "".
    kind : what it measures; TRAVEL may also be limited in steps, microsteps or counts.
    sense : which side of its limit is good. magnitude : the limit holds for the absolute value.
    clause : standard and clause of its formula, or "own definition".
    unit : unit in which it is shown where a plan doesn't say.
    definition : one sentence.
    figure : what its value is to a lot's statistics; UNSTATED where nobody has said, and nothing is supposed then.
    """

    name: str
    title: str
    kind: Kind
    unit: str
    clause: str
    definition: str
    symbol: str = ""
    sense: Sense = Sense.AT_MOST
    magnitude: bool = False
    figure: Figure = Figure.UNSTATED

    @property
    def heading(self) -> str:
        return f"{self.title} {self.symbol}".strip()


@dataclass(frozen=True)
class Limit:
    """A limit of a plan: the bound in SI, and the unit in which it was written and will be shown."""

    characteristic: Characteristic
    bound: float
    unit: str
    text: str
    place: Place = Place()


@dataclass(frozen=True)
class Contribution:
    """One line of an uncertainty budget: where it comes from, standard uncertainty in SI, type A or B, degrees of
    freedom of the uncertainty, and the word for its distribution."""

    source: str
    standard_uncertainty: float
    kind: str = "B"
    degrees_of_freedom: float = math.inf
    distribution: str = "normal"


@dataclass(frozen=True)
class Range:
    """An interval in SI, its coverage, and of what it is."""

    low: float
    high: float
    confidence: float
    measurand: str

    def of_magnitude(self) -> Range:
        """The same of the absolute value."""
        nearest, furthest = sorted((abs(self.low), abs(self.high)))
        return replace(self, low=0.0 if self.low <= 0 <= self.high else nearest, high=furthest)


@dataclass(frozen=True)
class Estimate:
    """A characteristic's value and what is known of it.

    `value` is None where it can't be observed; `reason` then says which witness is missing. `statement` is one
    sentence for the report: what the witnesses saw. `interval` and `known` are there where the evaluation knows more
    than value and uncertainty say: an interval of proved coverage, and what a probability of conformity is taken from.
    `deviations` are what keeps the test from being one to the standard that the characteristic's clause names.
    `stated_factor` stands for the coverage factor that the degrees of freedom would give, as in records of old.
    """

    name: str
    value: float | None
    standard_uncertainty: float = 0.0
    budget: tuple[Contribution, ...] = ()
    statement: str = ""
    reason: str = ""
    interval: Range | None = None
    known: Knowledge | None = field(default=None, repr=False)
    stated_factor: float | None = None
    deviations: tuple[str, ...] = ()

    @property
    def degrees_of_freedom(self) -> float:
        """Effective, of the whole budget (Welch–Satterthwaite)."""
        from stepwitness.metrology.budget import welch_satterthwaite

        return welch_satterthwaite([(line.standard_uncertainty, line.degrees_of_freedom) for line in self.budget])

    @property
    def coverage_factor(self) -> float:
        """k: Student's t for 95.45 % at the effective degrees of freedom, truncated; 2 where they are endless
        (JCGM 100 G.4.1).

        Where there is an interval, k is 2 by convention and claims no coverage: that is the interval's.
        """
        if self.stated_factor is not None:
            return self.stated_factor
        return COVERAGE_FACTOR if self.interval is not None else coverage_factor(self.degrees_of_freedom)

    @property
    def expanded_uncertainty(self) -> float:
        return self.coverage_factor * self.standard_uncertainty


COVERAGE_FACTOR = 2.0
"""k where the degrees of freedom are endless."""

COVERAGE_PROBABILITY = math.erf(COVERAGE_FACTOR / math.sqrt(2))
"""What k = 2 covers of a normal state of knowledge, 95.45 %, and every other k of its own t-distribution."""


def coverage_factor(degrees_of_freedom: float) -> float:
    """k for a combined standard uncertainty of so many effective degrees of freedom."""
    if math.isinf(degrees_of_freedom):
        return COVERAGE_FACTOR
    from stepwitness.metrology.budget import coverage_factor as student

    return student(degrees_of_freedom, COVERAGE_PROBABILITY)


MAXIMUM_RISK = 0.05
"""Where a rule needs a risk and the plan states none."""


@dataclass(frozen=True)
class Finding:
    """A limit, judged.

    `probability` is that of conformity, None without a value; what is accepted bears 1 − p as specific consumer's risk,
    what is rejected p as specific producer's risk. `maximum_risk` is what the rule allowed, where it is that rule.
    `interval` is what a guarded rule held against the limit, of the absolute value where the limit is; None where
    value ± U was held, or where the rule isn't guarded.
    """

    procedure: str
    limit: Limit
    estimate: Estimate
    rule: DecisionRule
    verdict: Verdict
    reason: str = ""
    probability: float | None = None
    maximum_risk: float = MAXIMUM_RISK
    interval: Range | None = None

    @property
    def consumer_risk(self) -> float | None:
        """Probability that the unit is bad, where this limit is accepted."""
        return None if self.probability is None else 1.0 - self.probability

    @property
    def producer_risk(self) -> float | None:
        """Probability that the unit is good, where this limit is rejected."""
        return self.probability

    @property
    def characteristic(self) -> Characteristic:
        return self.limit.characteristic

    @property
    def margin(self) -> float | None:
        """Distance from the value to its limit in SI, positive inside; None without a value."""
        if self.estimate.value is None:
            return None
        return self._inside(abs(self.estimate.value) if self.characteristic.magnitude else self.estimate.value)

    @property
    def margins(self) -> tuple[float, float] | None:
        """Least and greatest margin in the interval that decided; None where none did."""
        if self.interval is None:
            return None
        least, greatest = sorted((self._inside(self.interval.low), self._inside(self.interval.high)))
        return least, greatest

    def _inside(self, value: float) -> float:
        inside = self.limit.bound - value
        return inside if self.characteristic.sense is Sense.AT_MOST else -inside


def judge(
    procedure: str, limit: Limit, estimate: Estimate, rule: DecisionRule, maximum_risk: float = MAXIMUM_RISK
) -> Finding:
    """The finding for one limit; judged on unrounded values."""
    if estimate.value is None:
        return Finding(procedure, limit, estimate, rule, Verdict.NOT_OBSERVABLE, estimate.reason)
    probability = _probability(limit, estimate)
    interval = estimate.interval if rule in _GUARDED else None
    if interval is not None and limit.characteristic.magnitude:
        interval = interval.of_magnitude()
    bare = Finding(procedure, limit, estimate, rule, Verdict.PASS, "", probability, maximum_risk, interval)
    margin = bare.margin
    assert margin is not None
    decision = decide(
        rule,
        margin,
        estimate.expanded_uncertainty,
        ends=bare.margins,
        probability=probability,
        maximum_risk=maximum_risk,
    )
    verdict = _VERDICTS[decision]
    return replace(bare, verdict=verdict, reason="" if verdict is Verdict.PASS else estimate.statement)


_GUARDED = (DecisionRule.GUARDED, DecisionRule.GUARDED_REJECTION)

_VERDICTS = {
    Decision.ACCEPTED: Verdict.PASS,
    Decision.REJECTED: Verdict.FAIL,
    Decision.NEITHER: Verdict.INCONCLUSIVE,
}


def _probability(limit: Limit, estimate: Estimate) -> float:
    """That the measurand keeps its limit, by what the evaluation knows of it, or else by value and uncertainty."""
    assert estimate.value is not None
    known = estimate.known or Bell(estimate.value, estimate.standard_uncertainty, estimate.degrees_of_freedom)
    characteristic = limit.characteristic
    if characteristic.magnitude and characteristic.sense is Sense.AT_LEAST:
        return 1.0 - conformity(known, lower=-limit.bound, upper=limit.bound)
    if characteristic.magnitude:
        return conformity(known, lower=-limit.bound, upper=limit.bound)
    if characteristic.sense is Sense.AT_LEAST:
        return conformity(known, lower=limit.bound)
    return conformity(known, upper=limit.bound)


def aborted(procedure: str, limit: Limit, rule: DecisionRule, cause: str) -> Finding:
    """The finding for a limit whose procedure didn't end."""
    estimate = Estimate(limit.characteristic.name, None, reason=cause)
    return Finding(procedure, limit, estimate, rule, Verdict.ABORTED, cause)
