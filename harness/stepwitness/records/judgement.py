"""From a journal to findings, and from findings to the sentence of a run.

1. Readings are evaluated only where their journal ended "done". An aborted or unfinished one gives ABORTED for
   each limit, with the cause, and no estimate; so does an evaluation that fails, whose error is logged.
2. Every limit of a procedure is judged, whoever asked for it.
3. A run's verdict is the worst of its findings; a partial run has a worst, but no verdict.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

from stepwitness.axis import Axis
from stepwitness.bench.description import BenchDescription
from stepwitness.display import confidence_text, decided_by, factor_text, finding_shown, limit_text, rule_of
from stepwitness.findings import (
    Estimate,
    Finding,
    Sense,
    Verdict,
    aborted,
    judge,
    worst,
)
from stepwitness.plan.description import Plan, PlannedProcedure
from stepwitness.records.journal import JournalReadings

PARTIAL = "PARTIAL"
"""Stands where a verdict would, in a run that left procedures out: it sentences nothing."""

UNFINISHED = "the run ended before this procedure did"

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Judgement:
    """What one journal gave: estimates of all characteristics, those without a limit too, and findings."""

    planned: PlannedProcedure
    estimates: tuple[Estimate, ...]
    findings: tuple[Finding, ...]


def judgement_of(
    plan: Plan,
    planned: PlannedProcedure,
    bench: BenchDescription,
    readings: JournalReadings,
    *,
    restated: Callable[[Estimate], Estimate] | None = None,
) -> Judgement:
    """Evaluate a journal and judge every limit of its procedure, on unrounded values.

    `restated` makes of each estimate what a record of old held of it.
    """
    if readings.outcome != "done":
        return aborted_judgement(plan, planned, readings.cause or UNFINISHED)
    try:
        estimates = _evaluated(planned, bench, readings)
        if restated is not None:
            estimates = tuple(restated(estimate) for estimate in estimates)
    except Exception as error:  # an evaluator may be anybody's; its mistake mustn't cost the record
        _log.exception("the evaluation of '%s' failed", planned.id)
        return aborted_judgement(plan, planned, f"the evaluation failed: {type(error).__name__}: {error}")
    by_name = {estimate.name: estimate for estimate in estimates}
    findings = []
    for limit in planned.limits:
        estimate = by_name.get(limit.characteristic.name)
        if estimate is None:
            cause = f"the evaluation gave no {limit.characteristic.name}"
            findings.append(aborted(planned.id, limit, plan.rule, cause))
        else:
            findings.append(judge(planned.id, limit, estimate, plan.rule, plan.maximum_risk))
    return Judgement(planned, estimates, tuple(findings))


def _evaluated(planned: PlannedProcedure, bench: BenchDescription, readings: JournalReadings) -> tuple[Estimate, ...]:
    """The estimates, each declared by its procedure, none twice, and no number that isn't finite."""
    estimates = tuple(planned.procedure.evaluate(readings, bench, planned.settings))
    seen: set[str] = set()
    for estimate in estimates:
        if planned.procedure.characteristic(estimate.name) is None:
            raise ValueError(f"'{estimate.name}' is estimated but not declared")
        if estimate.name in seen:
            raise ValueError(f"'{estimate.name}' is estimated twice")
        seen.add(estimate.name)
        numbers = (estimate.value or 0.0, estimate.standard_uncertainty)
        if not all(math.isfinite(number) for number in numbers):
            raise ValueError(f"the estimate of '{estimate.name}' is {numbers[0]}, u = {numbers[1]}")
    return estimates


def aborted_judgement(plan: Plan, planned: PlannedProcedure, cause: str) -> Judgement:
    """Every limit ABORTED for one cause."""
    findings = tuple(aborted(planned.id, limit, plan.rule, cause) for limit in planned.limits)
    return Judgement(planned, (), findings)


def findings_of(
    plan: Plan, planned: PlannedProcedure, bench: BenchDescription, readings: JournalReadings
) -> tuple[Finding, ...]:
    """The findings alone, in the order of the plan's limits."""
    return judgement_of(plan, planned, bench, readings).findings


# -- the sentence of a run -----------------------------------------------------------------------------------


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """By verdict, and within one verdict by margin as a share of the limit."""
    return sorted(findings, key=lambda finding: (-finding.verdict.rank, _relative_margin(finding)))


def _relative_margin(finding: Finding) -> float:
    margin = finding.margin
    if margin is None:
        return 0.0
    return margin / abs(finding.limit.bound) if finding.limit.bound else margin * float("inf") if margin else 0.0


def unit_text(axis: str, serial: str) -> str:
    """The unit under test, as a sentence begins with it: ``doser, serial TB-0417``."""
    return f"{axis}, serial {serial}" if serial else axis


def run_statement(plan: Plan, bench: BenchDescription, findings: Sequence[Finding], *, partial_reason: str = "") -> str:
    """The verdict in one sentence, and the reason in another; `partial_reason` is empty for a whole run."""
    unit = unit_text(bench.axis.name, bench.axis_serial)
    verdict = worst(finding.verdict for finding in findings)
    reason = _reason(plan, bench.axis, findings, verdict)
    if not partial_reason:
        return f"{unit}: {verdict.value}. {reason}"
    limits = sum(len(planned.limits) for planned in plan.procedures)
    if not limits:
        return f"{unit}: {PARTIAL}, which sentences nothing. {partial_reason[:1].upper()}{partial_reason[1:]}."
    seen = f"{len(findings)} of {limits} limits were judged ({partial_reason})"
    if not findings:
        return f"{unit}: {PARTIAL}, which sentences nothing. {seen}."
    return f"{unit}: {PARTIAL}, which sentences nothing. {seen}; the worst is {verdict.value}. {reason}"


def _reason(plan: Plan, axis: Axis, findings: Sequence[Finding], verdict: Verdict) -> str:
    if not findings:
        return "Nothing was judged."
    if verdict is Verdict.PASS:
        rule = rule_of(plan.rule, plan.maximum_risk, findings)
        return f"{len(findings)} of {len(findings)} limits hold ({rule})."
    return finding_sentence(worst_first(findings)[0], axis)


def finding_sentence(finding: Finding, axis: Axis | None = None) -> str:
    """One finding as a sentence: ``Reversal value B is 46.2 µm ± 4.1 µm (k = 2); the limit is 25 µm.``

    Where an interval decided, it stands for U and k: ``is 46.2 µm (95 % interval 42.0 to 50.1 µm)``.
    """
    heading = finding.characteristic.heading
    heading = heading[:1].upper() + heading[1:]
    if finding.verdict is Verdict.ABORTED:
        return f"{finding.procedure} was aborted: {finding.reason}."
    if finding.estimate.value is None:
        return f"{heading} is not observable: {finding.reason}."
    shown = finding_shown(finding, axis)
    if finding.interval is not None:
        interval = f"{confidence_text(finding.interval.confidence)} interval {decided_by(finding, axis)}"
        value = f"{replace(shown, uncertainty='')} ({interval})"
    elif shown.uncertainty:
        value = f"{shown} (k = {factor_text(finding.estimate.coverage_factor)})"
    else:
        value = str(shown)
    bound = limit_text(finding.limit, axis).split(" ", 1)[1]
    least = "least" if finding.characteristic.sense is Sense.AT_LEAST else ""
    limit = f"the {least} limit is {bound}".replace("  ", " ")
    if finding.verdict is Verdict.INCONCLUSIVE:
        limit += ", inside the interval" if finding.interval is not None else ", inside the uncertainty"
    return f"{heading} is {value}; {limit}."
