"""What a procedure says of an axis: characteristics, estimates, limits, findings, verdicts.

1. A procedure declares its characteristics once; plan, report and tests read them from there.
2. `evaluate` gives estimates (value and standard uncertainty, SI); a limit and a decision rule make a finding.
3. Judged on unrounded values. A finding without a number always carries the reason.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import Enum

from stepwitness.errors import Place
from stepwitness.quantities import Kind


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


class DecisionRule(Enum):
    """How a limit is judged against an uncertain value.

    GUARDED: PASS only where value and expanded uncertainty (k = 2) lie inside, FAIL only where both lie outside,
    INCONCLUSIVE between (after ISO 14253-1, from memory, with the whole U as guard band). SIMPLE: the value alone.
    """

    GUARDED = "guarded"
    SIMPLE = "simple"


class Sense(Enum):
    AT_MOST = "at most"
    AT_LEAST = "at least"

    @property
    def sign(self) -> str:
        return "≤" if self is Sense.AT_MOST else "≥"


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
    """One line of an uncertainty budget: standard uncertainty in SI, type A or B, and where it comes from."""

    source: str
    standard_uncertainty: float
    kind: str = "B"


@dataclass(frozen=True)
class Estimate:
    """A characteristic's value and what is known of it.

    `value` is None where it can't be observed; `reason` then says which witness is missing. `statement` is one
    sentence for the report: what the witnesses saw.
    """

    name: str
    value: float | None
    standard_uncertainty: float = 0.0
    budget: tuple[Contribution, ...] = ()
    statement: str = ""
    reason: str = ""

    @property
    def expanded_uncertainty(self) -> float:
        return COVERAGE_FACTOR * self.standard_uncertainty


COVERAGE_FACTOR = 2.0
"""k for every expanded uncertainty (JCGM 100 6.2; about 95 % for a normal state of knowledge)."""


@dataclass(frozen=True)
class Finding:
    """A limit, judged."""

    procedure: str
    limit: Limit
    estimate: Estimate
    rule: DecisionRule
    verdict: Verdict
    reason: str = ""

    @property
    def characteristic(self) -> Characteristic:
        return self.limit.characteristic

    @property
    def margin(self) -> float | None:
        """Distance from the value to its limit in SI, positive inside; None without a value."""
        if self.estimate.value is None:
            return None
        value = abs(self.estimate.value) if self.characteristic.magnitude else self.estimate.value
        inside = self.limit.bound - value
        return inside if self.characteristic.sense is Sense.AT_MOST else -inside


def judge(procedure: str, limit: Limit, estimate: Estimate, rule: DecisionRule) -> Finding:
    """The finding for one limit; judged on unrounded values."""
    if estimate.value is None:
        return Finding(procedure, limit, estimate, rule, Verdict.NOT_OBSERVABLE, estimate.reason)
    bare = Finding(procedure, limit, estimate, rule, Verdict.PASS)
    margin = bare.margin
    assert margin is not None
    guard = estimate.expanded_uncertainty if rule is DecisionRule.GUARDED else 0.0
    if margin >= guard:
        verdict = Verdict.PASS
    elif margin < -guard or guard == 0.0:
        verdict = Verdict.FAIL
    else:
        verdict = Verdict.INCONCLUSIVE
    reason = "" if verdict is Verdict.PASS else estimate.statement
    return Finding(procedure, limit, estimate, rule, verdict, reason)


def aborted(procedure: str, limit: Limit, rule: DecisionRule, cause: str) -> Finding:
    """The finding for a limit whose procedure didn't end."""
    estimate = Estimate(limit.characteristic.name, None, reason=cause)
    return Finding(procedure, limit, estimate, rule, Verdict.ABORTED, cause)
