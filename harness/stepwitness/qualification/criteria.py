"""A clause judged across its units; pure.

1. A clause is judged once every unit of the sample is decided; until then it is open.
2. Each unit must pass its plan, whatever the criterion; a criterion of reliability allows so many that don't.
3. A tolerance limit is held against the plan's limit by the plan's decision rule, with the greatest uncertainty among
   the units' values: what all units share, as a gauge's calibration, doesn't show in their spread.
4. The bound of Ppk holds for the spread as it was measured, what measuring adds to it included, so it errs on the safe
   side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from stepwitness.axis import Axis
from stepwitness.display import THIN, counted, limit_text, number, shown, with_unit
from stepwitness.findings import Characteristic, Estimate, Limit, Sense, Verdict, judge, worst
from stepwitness.metrology.binomial import demonstrated_reliability, demonstration_size
from stepwitness.metrology.capability import performance
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings
from stepwitness.metrology.tolerance import Side, Tolerance, distribution_free_tolerance, normal_tolerance
from stepwitness.plan.description import Measured, Plan
from stepwitness.qualification.description import By, Clause, Criterion

_MOST_NAMED = 3


@dataclass(frozen=True)
class UnitResult:
    """What the record that counts says of a unit: its verdict and its findings by ``procedure.characteristic``."""

    serial: str
    verdict: Verdict
    findings: Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class ClauseJudgement:
    """`verdict` is None while the clause is open. `numbers` are what the statement rests on, SI."""

    verdict: Verdict | None
    statement: str
    numbers: Mapping[str, Any] = field(default_factory=dict)


def side_of(characteristic: Characteristic) -> Side:
    """Which ends of an interval are held against the characteristic's limit."""
    if characteristic.magnitude:
        return "both"
    return "upper" if characteristic.sense is Sense.AT_MOST else "lower"


def judged(clause: Clause, units: Sequence[UnitResult], *, sample: int) -> ClauseJudgement:
    """The clause by the units decided so far, of a sample of so many."""
    criterion = clause.criterion
    bad = [unit for unit in units if unit.verdict is not Verdict.PASS]
    if len(bad) > criterion.failures:
        return ClauseJudgement(worst(unit.verdict for unit in bad), _too_many(bad, criterion, len(units)))
    if len(units) < sample:
        return ClauseJudgement(None, f"{len(units)} of {counted(sample, 'unit')} decided.")
    if criterion.by is By.RELIABILITY:
        return _reliability(criterion, sample=sample, failures=len(bad))
    if criterion.measured is None:
        return ClauseJudgement(Verdict.PASS, f"All {counted(sample, 'unit')} pass.")
    try:
        values, expanded = _values(criterion.measured, units)
        if criterion.by is By.CAPABILITY:
            return _capability(criterion, criterion.measured, values)
        return _tolerance(clause, criterion.measured, values, expanded)
    except (BadReadings, NotEnoughReadings) as error:
        return ClauseJudgement(Verdict.INCONCLUSIVE, f"It couldn't be judged across units: {error}.")


def criterion_text(criterion: Criterion, axis: Axis) -> str:
    """What a clause asks across units, in a sentence without its full stop."""
    if criterion.by is By.RELIABILITY:
        allowed = "every unit passing"
        if criterion.failures:
            allowed = f"though up to {counted(criterion.failures, 'unit')} may fail"
        shares = f"{_percent(criterion.reliability)} is shown at {_percent(criterion.confidence)} confidence"
        return f"a reliability of {shares}, {allowed} (Clopper-Pearson, one-sided)"
    measured = criterion.measured
    if measured is None:
        return "every unit passes"
    heading, limit = measured.limit.characteristic.heading, limit_text(measured.limit, axis)
    if criterion.by is By.CAPABILITY:
        return (
            f"every unit passes, and the lower bound of Ppk of {heading} against {limit} is at least "
            f"{criterion.least:g} at {_percent(criterion.confidence)} confidence (ISO 22514-2)"
        )
    supposed = "whatever its distribution" if criterion.any_distribution else "taken as normal"
    return (
        f"every unit passes, and {heading} of {_percent(criterion.content)} of all such units keeps {limit} at "
        f"{_percent(criterion.confidence)} confidence, {supposed} (ISO 16269-6)"
    )


# -- each criterion ------------------------------------------------------------------------------------------------


def _too_many(bad: Sequence[UnitResult], criterion: Criterion, decided: int) -> str:
    named = "; ".join(_told(unit) for unit in bad[:_MOST_NAMED])
    if len(bad) > _MOST_NAMED:
        named += f"; and {len(bad) - _MOST_NAMED} more"
    allowed = f"; up to {criterion.failures} may" if criterion.failures else ""
    return f"{len(bad)} of {counted(decided, 'unit')} {'does' if len(bad) == 1 else 'do'} not pass{allowed}: {named}."


def _told(unit: UnitResult) -> str:
    """``U2 FAIL, offset O 40.0 µm ± 2.0 µm, limit ≤ 25 µm``: by its worst finding."""
    finding = max(unit.findings.values(), key=lambda one: Verdict(one["verdict"]).rank)
    heading = f"{finding['title']} {finding['symbol']}".strip()
    value = finding["shown"]["text"] if finding["value"] is not None else f"({finding['reason']})"
    return f"{unit.serial} {unit.verdict.value}, {_kept(f'{heading} {value}')}, limit {finding['shown']['limit']}"


def _kept(text: str) -> str:
    """`text` in which no line breaks beside ±."""
    return text.replace(" ± ", "\u00a0±\u00a0")


def _reliability(criterion: Criterion, *, sample: int, failures: int) -> ClauseJudgement:
    shown_by_it = demonstrated_reliability(n=sample, failures=failures, confidence=criterion.confidence)
    due = demonstration_size(reliability=criterion.reliability, confidence=criterion.confidence, failures=failures)
    verdict = Verdict.PASS if sample >= due else Verdict.FAIL
    statement = (
        f"{sample - failures} of {counted(sample, 'unit')} pass, which shows a reliability of at least "
        f"{_percent(shown_by_it, 3)} at {_percent(criterion.confidence)} confidence; {_percent(criterion.reliability)} "
        f"is due, which takes {counted(due, 'unit')}."
    )
    numbers = {"n": sample, "failures": failures, "reliability": shown_by_it, "n_due": due}
    return ClauseJudgement(verdict, statement, numbers)


def _tolerance(clause: Clause, measured: Measured, values: Sequence[float], expanded: float) -> ClauseJudgement:
    criterion, limit = clause.criterion, measured.limit
    heading = limit.characteristic.heading
    interval_of = distribution_free_tolerance if criterion.any_distribution else normal_tolerance
    held = interval_of(
        values, content=criterion.content, confidence=criterion.confidence, side=side_of(limit.characteristic)
    )
    edge = _edge(held, limit)
    verdict, rule = _against(edge, expanded, measured, clause.plan)
    statement = (
        f"{heading[:1].upper()}{heading[1:]} of at least {_percent(criterion.content)} of all such units lies "
        f"{_reach(held, limit, expanded, clause.bench.axis)} at {_percent(held.confidence, 3)} confidence "
        f"({_how(held)}); the limit is {limit_text(limit, clause.bench.axis)}, by the rule {rule}."
    )
    numbers = {
        "n": held.n,
        "low": None if held.low == -float("inf") else held.low,
        "high": None if held.high == float("inf") else held.high,
        "k": None if criterion.any_distribution else held.k,
        "content": held.content,
        "confidence": held.confidence,
        "U": expanded,
    }
    return ClauseJudgement(verdict, statement, numbers)


def _edge(held: Tolerance, limit: Limit) -> float:
    """The end of the interval that comes nearest to the limit, or goes furthest beyond it."""
    side = side_of(limit.characteristic)
    if side == "both":
        return max(held.low, held.high, key=abs)
    return held.high if side == "upper" else held.low


def _against(edge: float, expanded: float, measured: Measured, plan: Plan) -> tuple[Verdict, str]:
    estimate = Estimate(measured.limit.characteristic.name, edge, expanded / 2.0, stated_factor=2.0)
    finding = judge(measured.procedure, measured.limit, estimate, plan.rule, plan.maximum_risk)
    return finding.verdict, finding.rule.value


def _reach(held: Tolerance, limit: Limit, expanded: float, axis: Axis) -> str:
    def told(value: float) -> str:
        return _kept(str(shown(value, expanded, limit.unit, limit.characteristic.kind, axis)))

    side = side_of(limit.characteristic)
    if side == "both":
        return f"between {told(held.low)} and {told(held.high)}"
    return f"below {told(held.high)}" if side == "upper" else f"above {told(held.low)}"


def _how(held: Tolerance) -> str:
    if held.k != held.k:
        return f"order statistics, n{THIN}={THIN}{held.n}"
    return f"k{THIN}={THIN}{number(held.k, 3)}, n{THIN}={THIN}{held.n}"


def _capability(criterion: Criterion, measured: Measured, values: Sequence[float]) -> ClauseJudgement:
    limit = measured.limit
    side = side_of(limit.characteristic)
    upper = limit.bound if side != "lower" else None
    lower = -limit.bound if side == "both" else limit.bound if side == "lower" else None
    # the lower end of the two-sided interval at 2C - 1 is the one-sided bound at C
    found = performance(values, lower=lower, upper=upper, confidence=2.0 * criterion.confidence - 1.0)
    bound = found.least.interval.low
    verdict = Verdict.PASS if bound >= criterion.least else Verdict.FAIL
    statement = (
        f"Ppk of {limit.characteristic.heading} is {number(found.least.value, 2)}, and at least {number(bound, 2)} at "
        f"{_percent(criterion.confidence)} confidence (n{THIN}={THIN}{found.n}); {criterion.least:g} is due."
    )
    return ClauseJudgement(verdict, statement, {"n": found.n, "ppk": found.least.value, "bound": bound})


def _values(measured: Measured, units: Sequence[UnitResult]) -> tuple[list[float], float]:
    """The figure of each unit, and the greatest expanded uncertainty among them."""
    findings = [unit.findings[measured.name] for unit in units]
    return [float(finding["value"]) for finding in findings], max(float(finding["U"]) for finding in findings)


def _percent(share: float, significant: int = 6) -> str:
    return with_unit(f"{100.0 * share:.{significant}g}", "%")
