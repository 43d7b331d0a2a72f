"""The record of a run: one plan on one axis of one bench, judged, sealed, and judged again years later.

1. The readings stay in their journals; the record says what they gave, beside the texts of plan and bench.
2. Numbers stand in SI, unrounded, and beside them as they were shown.
3. `reevaluate` makes plan and bench anew from their texts, reads the journals again, and compares verdicts and
   reported digits with what the record says.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from stepwitness.axis import Axis
from stepwitness.bench.description import BenchDescription
from stepwitness.display import Shown, decided_by, estimate_shown, finding_shown, interval_shown, limit_text
from stepwitness.findings import (
    COVERAGE_FACTOR,
    COVERAGE_PROBABILITY,
    Characteristic,
    DecisionRule,
    Estimate,
    Finding,
    worst,
)
from stepwitness.plan.description import Plan, PlannedProcedure
from stepwitness.procedures.procedure import Procedure
from stepwitness.records.chain import add_record
from stepwitness.records.journal import JournalError, JournalReadings
from stepwitness.records.judgement import (
    PARTIAL,
    Judgement,
    aborted_judgement,
    judgement_of,
    run_statement,
)
from stepwitness.records.manifest import (
    UNFINISHED,
    UNREADABLE,
    journal_path,
    open_record,
    refuse_existing,
    text_digest,
)
from stepwitness.records.report_section import report_section
from stepwitness.site import NOTHING_SAID, SiteFacts

_GUARD = "interval of proved coverage where an estimate has one, U elsewhere"
"""What guarded rules hold against a limit; records from before this was said hold U throughout."""


@dataclass(frozen=True)
class RunFacts:
    """What only the run itself knows.

    Attributes
    ----------
    id : unique on this bench. started, ended : UTC, ISO 8601.
    over : "process", "tcp", "serial" or "live". simulated : whether any part was a stand-in.
    partial, partial_reason : whether tests were left out, and by what. A run that acquired fewer procedures than
        its plan names is partial in any case.
    attempt, previous, reason : 1, None and an empty text, or a later attempt, the id of the one before, and why.
    identities : what each part said it is, by role.
    site : what the site said of this run; it wins over what bench and plan say.
    """

    id: str
    started: str
    ended: str
    over: str
    simulated: bool
    partial: bool = False
    partial_reason: str = ""
    attempt: int = 1
    previous: str | None = None
    reason: str = ""
    identities: Mapping[str, str] = field(default_factory=dict)
    site: SiteFacts = NOTHING_SAID


# -- sealing -------------------------------------------------------------------------------------------------


History = Callable[[Sequence[Finding], str], Mapping[str, Any]]
"""From a run's findings and its verdict to what the runs before it say of them, as JSON values."""


def seal_record(
    directory: Path, plan: Plan, bench: BenchDescription, run: RunFacts, *, history: History | None = None
) -> Path:
    """Judge every journal in `directory` and write the record beside them; the path of the record.

    A procedure of the plan without a journal there counts as not acquired. One whose journal can't be read is
    ABORTED, with what is wrong with it as the cause.

    Raises
    ------
    RecordError : where a record stands there already, or the folder can't be written.
    """
    refuse_existing(directory)
    taken = [item for item in plan.procedures if journal_path(directory, item.id).exists()]
    judged = [_judged(directory, plan, bench, item) for item in taken]
    findings = [finding for _, judgement in judged for finding in judgement.findings]
    missing = [item for item in plan.procedures if item not in taken]
    told = _run_section(plan, bench, run, findings, missing)
    sections: dict[str, Any] = {
        "run": told,
        "plan": {
            "name": plan.name,
            "file": plan.path,
            "purpose": plan.purpose.value,
            "rule": plan.rule.value,
            "maximum_risk": plan.maximum_risk if plan.rule is DecisionRule.STATED_RISK else None,
            "inform_only": plan.inform_only,
            "coverage": COVERAGE_PROBABILITY,
            "guard": _GUARD,
            "text": plan.text,
            "sha256": text_digest(plan.text),
        },
        "bench": {
            "name": bench.name,
            "file": bench.path,
            "text": bench.text,
            "sha256": text_digest(bench.text),
            "identities": dict(run.identities),
            "calibration": _calibration_entry(bench),
        },
        "axis": {"name": bench.axis.name, "serial": bench.axis_serial},
        "procedures": [
            _procedure_entry(item, readings, judgement, bench.axis)
            for item, (readings, judgement) in zip(taken, judged, strict=True)
        ],
        "findings": [_finding_entry(finding, bench.axis) for finding in findings],
        "not_acquired": [
            {"procedure": item.id, "characteristic": limit.characteristic.name}
            for item in missing
            for limit in item.limits
        ],
        "software": _software(),
        "report": report_section(
            plan,
            bench,
            bench.site.under(plan.site).under(run.site),
            told,
            judged=[judgement for _, judgement in judged],
        ),
    }
    if history is not None:
        sections["history"] = history(findings, sections["run"]["verdict"])
    return add_record(directory, bench.name, sections)


_Journal = JournalReadings | JournalError


def _judged(
    directory: Path,
    plan: Plan,
    bench: BenchDescription,
    planned: PlannedProcedure,
    *,
    restated: Callable[[Estimate], Estimate] | None = None,
) -> tuple[_Journal, Judgement]:
    try:
        readings = JournalReadings(journal_path(directory, planned.id))
    except JournalError as error:
        return error, aborted_judgement(plan, planned, str(error))
    return readings, judgement_of(plan, planned, bench, readings, restated=restated)


# -- what stands in the sections -----------------------------------------------------------------------------


def _run_section(
    plan: Plan,
    bench: BenchDescription,
    run: RunFacts,
    findings: Sequence[Finding],
    missing: Sequence[PlannedProcedure],
) -> dict[str, Any]:
    reason = run.partial_reason or (f"not acquired: {', '.join(item.id for item in missing)}" if missing else "")
    partial = run.partial or bool(missing)
    if partial and not reason:
        reason = "a selection of its tests"
    verdict = worst(finding.verdict for finding in findings).value
    return {
        "id": run.id,
        "started": run.started,
        "ended": run.ended,
        "simulated": run.simulated,
        "over": run.over,
        "partial": partial,
        "partial_reason": reason if partial else "",
        "verdict": PARTIAL if partial else verdict,
        "worst": verdict,
        "attempt": run.attempt,
        "previous": run.previous,
        "reason": run.reason,
        "statement": run_statement(plan, bench, findings, partial_reason=reason if partial else ""),
    }


def _calibration_entry(bench: BenchDescription) -> dict[str, Any]:
    """By role, what the certificates in force said; with the identities it tells a history's instruments apart."""
    held = {"gauge": bench.gauge, "meter": bench.meter}
    entry: dict[str, Any] = {
        role: {
            "certificate": part.calibration.certificate,
            "expires": part.calibration.expires.isoformat(),
            "U": part.calibration.expanded_uncertainty,
            "k": part.calibration.coverage_factor,
        }
        for role, part in held.items()
        if part is not None and part.calibration is not None
    }
    if bench.counter_certificate:
        entry["counter"] = {"certificate": bench.counter_certificate}
    return entry


def _procedure_entry(planned: PlannedProcedure, journal: _Journal, judgement: Judgement, axis: Axis) -> dict[str, Any]:
    readings = None if isinstance(journal, JournalError) else journal
    return {
        "id": planned.id,
        "procedure": planned.procedure.name,
        "title": planned.procedure.title,
        "evaluator": planned.procedure.version,
        "journal": journal_path(Path(), planned.id).name,
        "outcome": (readings.outcome or UNFINISHED) if readings else UNREADABLE,
        "cause": readings.cause if readings else str(journal),
        "started_s": readings.header.get("started_s") if readings else None,
        "ended_s": readings.ended_s if readings else None,
        "batches": list(readings.digests) if readings else [],
        "estimates": [_estimate_entry(planned.procedure, estimate, axis) for estimate in judgement.estimates],
    }


def _estimate_entry(procedure: Procedure, estimate: Estimate, axis: Axis) -> dict[str, Any]:
    characteristic = procedure.characteristic(estimate.name)
    assert characteristic is not None, "the judgement refuses an estimate that isn't declared"
    return {
        "name": estimate.name,
        "title": characteristic.title,
        "symbol": characteristic.symbol,
        "clause": characteristic.clause,
        "definition": characteristic.definition,
        "unit": characteristic.unit,
        "kind": characteristic.kind.value,
        **_value(estimate),
        "budget": [
            {
                "source": line.source,
                "u": float(line.standard_uncertainty),
                "type": line.kind,
                "dof": _finite(line.degrees_of_freedom),
                "distribution": line.distribution,
            }
            for line in estimate.budget
        ],
        "dof": _finite(estimate.degrees_of_freedom),
        "interval": _interval_entry(estimate, characteristic, axis),
        "statement": estimate.statement,
        "reason": estimate.reason,
        "deviations": list(estimate.deviations),
        "shown": _shown_entry(estimate_shown(characteristic, estimate, axis=axis)),
    }


def _finding_entry(finding: Finding, axis: Axis) -> dict[str, Any]:
    characteristic, limit = finding.characteristic, finding.limit
    return {
        "procedure": finding.procedure,
        "characteristic": characteristic.name,
        "title": characteristic.title,
        "symbol": characteristic.symbol,
        "clause": characteristic.clause,
        **_value(finding.estimate),
        "limit": limit.bound,
        "sense": characteristic.sense.value,
        "unit": limit.unit,
        "limit_text": limit.text,
        "margin": finding.margin,
        "decided_by": _decided_entry(finding, axis),
        "rule": finding.rule.value,
        "probability": finding.probability,
        "verdict": finding.verdict.value,
        "statement": finding.estimate.statement,
        "reason": finding.reason,
        "shown": {**_shown_entry(finding_shown(finding, axis)), "limit": limit_text(limit, axis)},
    }


def _value(estimate: Estimate) -> dict[str, Any]:
    """Value and uncertainties in SI; null where there is no value."""
    there = estimate.value is not None
    return {
        "value": None if estimate.value is None else float(estimate.value),
        "u": float(estimate.standard_uncertainty) if there else None,
        "U": float(estimate.expanded_uncertainty) if there else None,
        "k": estimate.coverage_factor,
    }


def _finite(number: float) -> float | None:
    """Degrees of freedom as JSON has them: null for endless."""
    return float(number) if math.isfinite(number) else None


def _interval_entry(estimate: Estimate, characteristic: Characteristic, axis: Axis) -> dict[str, Any] | None:
    """The interval in SI and as shown, both ends with the decimals that U has."""
    found = estimate.interval
    if found is None:
        return None
    return {
        "low": found.low,
        "high": found.high,
        "confidence": found.confidence,
        "of": found.measurand,
        "shown": interval_shown(found, characteristic, estimate, axis=axis),
    }


def _decided_entry(finding: Finding, axis: Axis) -> dict[str, Any] | None:
    """The interval that was held against the limit in place of value ± U, in SI and as shown in the limit's unit; with
    its sign, also where the limit is one of the absolute value.
    """
    held = finding.estimate.interval
    if finding.interval is None or held is None:
        return None
    return {"low": held.low, "high": held.high, "confidence": held.confidence, "shown": decided_by(finding, axis)}


def _shown_entry(shown: Shown) -> dict[str, str]:
    return {"value": shown.value, "U": shown.uncertainty, "unit": shown.unit, "text": str(shown)}


def _software() -> dict[str, str]:
    return {
        "stepwitness": _version("pytest-stepwitness"),
        "python": platform.python_version(),
        "numpy": _version("numpy"),
        "scipy": _version("scipy"),
        "platform": platform.platform(),
    }


def _version(distribution: str) -> str:
    try:
        return version(distribution)
    except PackageNotFoundError:
        return "not installed as a distribution"


# -- evaluating again ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reevaluation:
    """A record judged anew from its own texts and readings.

    Attributes
    ----------
    findings : as they come out now.
    differences : each finding whose verdict or reported digits aren't those of the record, as a sentence.
    evaluators : each procedure whose evaluator has another version now, as a sentence.
    """

    findings: tuple[Finding, ...]
    differences: tuple[str, ...]
    evaluators: tuple[str, ...]

    @property
    def same(self) -> bool:
        """Whether verdicts and reported digits are those of the record."""
        return not self.differences


def reevaluate(directory: Path, known: Mapping[str, Procedure] | None = None) -> Reevaluation:
    """Judge the readings of a record again, by the plan and the bench that it keeps as text.

    `known` are the procedures by name; all that are installed where it is None.

    Raises
    ------
    RecordError : where there is no record.
    BadInput : where its plan or its bench isn't one that this version can read.
    """
    from stepwitness.bench.model import parse_bench
    from stepwitness.plan.model import parse_plan

    record = open_record(directory)
    sections = record.sections
    bench = parse_bench(sections["bench"]["text"], sections["bench"]["file"])
    written = sections["plan"]
    plan = parse_plan(written["text"], written["file"], bench, known, kept_as=written["name"])
    taken = {entry["id"]: entry for entry in sections["procedures"]}
    restated = _restated(sections["plan"])
    findings: list[Finding] = []
    evaluators = []
    for planned in plan.procedures:
        entry = taken.get(planned.id)
        if entry is None:
            continue
        findings += _judged(record.directory, plan, bench, planned, restated=restated)[1].findings
        if entry["evaluator"] != planned.procedure.version:
            evaluators.append(
                f"{planned.id}: judged by evaluator {entry['evaluator']} then, by {planned.procedure.version} now"
            )
    now = [_finding_entry(finding, bench.axis) for finding in findings]
    return Reevaluation(tuple(findings), tuple(_differences(sections["findings"], now)), tuple(evaluators))


def _restated(plan: Mapping[str, Any]) -> Callable[[Estimate], Estimate] | None:
    """What makes an estimate into what a record of old was judged by, from its section ``plan``; None for one of now.

    Records from before a coverage was stated hold k = 2 throughout, and keep the digits that they reported; in those
    from before intervals guarded, value ± U decided throughout.
    """
    if "coverage" not in plan:
        return lambda estimate: replace(estimate, stated_factor=COVERAGE_FACTOR, interval=None)
    if "guard" not in plan:
        return lambda estimate: replace(estimate, stated_factor=estimate.coverage_factor, interval=None)
    return None


def _differences(then: Sequence[Mapping[str, Any]], now: Sequence[Mapping[str, Any]]) -> list[str]:
    before = {_key(entry): entry for entry in then}
    after = {_key(entry): entry for entry in now}
    different = []
    for key in dict.fromkeys([*before, *after]):
        was, is_now = _told(before.get(key)), _told(after.get(key))
        if was != is_now:
            different.append(f"{key}: {was} then, {is_now} now")
    return different


def _key(entry: Mapping[str, Any]) -> str:
    return f"{entry['procedure']} {entry['characteristic']}"


def _told(entry: Mapping[str, Any] | None) -> str:
    """What a reader of the record is told of one finding: digits, limit, verdict."""
    if entry is None:
        return "not judged"
    return f"{entry['shown']['text']}, {entry['shown']['limit']}, {entry['verdict']}"
