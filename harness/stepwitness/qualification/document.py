"""The sealed document of a qualification: what was asked, what was done, the matrix, and what is absent."""

from __future__ import annotations

import platform
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from stepwitness.qualification.course import Act, Attempt, Course, unit_result
from stepwitness.qualification.criteria import ClauseJudgement, criterion_text, judged
from stepwitness.qualification.description import Clause, QualificationDescription
from stepwitness.qualification.qualification import Progress, Qualification
from stepwitness.qualification.wording import statement
from stepwitness.records.kinds import QUALIFICATION
from stepwitness.records.manifest import text_digest
from stepwitness.records.rendering import rendered
from stepwitness.records.sealed import write_sealed

SCHEMA = "stepwitness-qualification/1"


def seal_qualification(
    qualification: Qualification, *, operator: str = "", authorised_by: str = "", note: str = ""
) -> tuple[Path, list[str]]:
    """Write the qualification's document; its path, and each sheet that couldn't be drawn or filed.

    `note` : why it is closed though something is still due.

    Raises
    ------
    Refused : a record that isn't any more what was sealed, or files that changed unnoted.
    RecordError : there is a document already.
    """
    qualification.check_files()
    qualification.check_records()
    sections = sections_of(
        qualification.progress, sealing=True, operator=operator, authorised_by=authorised_by, note=note
    )
    path = write_sealed(qualification.document, SCHEMA, sections)
    troubles = rendered(qualification.setting.folder, QUALIFICATION.renderers)[1]
    return path, [*troubles, *_filed(qualification, path)]


def _filed(qualification: Qualification, path: Path) -> Iterator[str]:
    """Hand over every record that the store hasn't, and the document; what stays behind is told in a sentence."""
    from stepwitness.records.store import Document, leave

    reports = qualification.setting.reports
    behind = leave(reports, Document.below(reports, QUALIFICATION, path))
    for refused in behind.refused:
        yield f"not in the store: {refused}"
    if behind.trouble:
        yield f"{path} isn't in the store yet: {behind.trouble}"


def sections_of(
    progress: Progress, *, sealing: bool = False, operator: str = "", authorised_by: str = "", note: str = ""
) -> dict[str, Any]:
    """What the document says, at any time after the qualification was begun."""
    told, course = progress.description, progress.course
    judgements = {clause.number: _judgement(progress, clause) for clause in told.clauses}
    verdict, words = statement(told, judgements)
    end = {
        "verdict": verdict,
        "statement": words,
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "operator": operator,
        "authorised_by": authorised_by,
        "note": note,
        "simulated": progress.setting.simulated,
        "rehearsed": course.rehearsed,
    }
    return {
        "qualification": _what(told, course),
        "clauses": [_clause(progress, clause, judgements[clause.number]) for clause in told.clauses],
        "matrix": [_cell(progress, clause, serial) for clause in told.clauses for serial in told.units],
        "other_attempts": [_attempt(one) for one in _others(told, course)],
        "conditions": _conditions(told, course),
        "hold_points": [
            {
                "id": point.id,
                "before": point.before,
                "title": point.title,
                "by": point.by,
                "released": _act(release) if release else None,
            }
            for point in told.hold_points
            for release in (course.released(point.id),)
        ],
        "deviations": [_act(one) for one in course.deviations],
        "changes": [
            {
                **_act(change.act),
                "revision": change.revision,
                "as_deviation": change.as_deviation,
                "files": dict(change.files),
            }
            for change in course.changes
        ],
        "absent": [*_absent(progress), *(_absent_of_sealing(operator, authorised_by) if sealing else ())],
        "end": end,
        "texts": _texts(told, course),
        "software": {
            "stepwitness": version("pytest-stepwitness"),
            "python": platform.python_version(),
            "platform": platform.platform(),
        },
    }


def _judgement(progress: Progress, clause: Clause) -> ClauseJudgement:
    counted = [progress.counting(clause, serial)[0] for serial in progress.description.units]
    results = [unit_result(one) for one in counted if one is not None]
    return judged(clause, results, sample=len(progress.description.units))


def _what(told: QualificationDescription, course: Course) -> dict[str, Any]:
    name, text = next(iter(told.files.items()))
    return {
        "number": told.number,
        "title": told.title,
        "axis": told.clauses[0].bench.axis.name,
        "file": name,
        "sha256": text_digest(text),
        "revision": {
            "mark": told.revision.mark,
            "of": told.revision.of.isoformat() if told.revision.of else None,
            "changes": told.revision.changes,
        },
        "approval": {"by": told.approval.by, "on": told.approval.on.isoformat()} if told.approval else None,
        "units": list(told.units),
        "order": told.order.value,
        "begun": course.opened,
    }


def _clause(progress: Progress, clause: Clause, judgement: ClauseJudgement) -> dict[str, Any]:
    return {
        "number": clause.number,
        "title": clause.title,
        "plan": {"name": clause.plan.name, "file": clause.file, "sha256": progress.plans[clause.number]},
        "bench": clause.bench.name,
        "rule": clause.plan.rule.value,
        "criterion": criterion_text(clause.criterion, clause.bench.axis),
        "counting_reruns": sorted(why.value for why in clause.criterion.counting),
        "verdict": judgement.verdict.value if judgement.verdict is not None else None,
        "statement": judgement.statement,
        "numbers": dict(judgement.numbers),
    }


def _cell(progress: Progress, clause: Clause, serial: str) -> dict[str, Any]:
    attempts = progress.course.of(clause.number, serial)
    counted, because = progress.counting(clause, serial)
    plan = progress.plans[clause.number]
    return {
        "clause": clause.number,
        "serial": serial,
        "verdict": counted.outcomes.verdict if counted is not None and counted.outcomes is not None else None,
        "counts": counted.number if counted is not None else None,
        "because": because,
        "attempts": [{**_attempt(one), "earlier_plan": one.plan != plan} for one in attempts],
    }


def _others(told: QualificationDescription, course: Course) -> list[Attempt]:
    """Attempts at clauses, or on units, that the file doesn't have any more."""
    known = {(clause.number, serial) for clause, serial in told.cells}
    return [one for one in course.attempts if (one.clause, one.serial) not in known]


def _attempt(attempt: Attempt) -> dict[str, Any]:
    outcomes = attempt.outcomes
    return {
        "clause": attempt.clause,
        "serial": attempt.serial,
        "number": attempt.number,
        "begun": attempt.begun,
        "operator": attempt.operator,
        "rerun": attempt.why.value if attempt.why is not None else None,
        "reason": attempt.reason,
        "folder": attempt.folder,
        "ambient": attempt.ambient,
        "record": outcomes.record if outcomes else None,
        "seal": outcomes.seal if outcomes else None,
        "verdict": outcomes.verdict if outcomes else None,
        "statement": outcomes.statement if outcomes else attempt.lost,
        "findings": [dict(finding) for finding in outcomes.findings] if outcomes else [],
    }


def _conditions(told: QualificationDescription, course: Course) -> dict[str, Any]:
    confirmed = [(text, course.confirmed.get(text)) for text in told.preconditions]
    return {
        "preconditions": [{"text": text, "confirmed": _act(act) if act else None} for text, act in confirmed],
        "required": [
            {"quantity": one.quantity, "low": float(one.low), "high": float(one.high), "unit": one.unit}
            for one in told.environment
        ],
        "recorded": [{"at": one.act.at, "by": one.act.by, "values": dict(one.values)} for one in course.recorded],
    }


def _act(act: Act) -> dict[str, Any]:
    return {"at": act.at, "by": act.by, "text": act.text, "about": act.about, "rehearsed": act.rehearsed}


def _absent(progress: Progress) -> Iterator[str]:
    """What an auditor would look for and won't find."""
    told, course = progress.description, progress.course
    if told.approval is None:
        yield "approval of the qualification file"
    if told.revision.of is None:
        yield "day of the revision"
    if not told.preconditions:
        yield "preconditions: the file names none"
    if not told.environment:
        yield "environment: the file asks for none, and none was recorded"
    if any(act.rehearsed for act in course.confirmed.values()):
        yield "confirmation of preconditions by a person: it was a rehearsal"
    unsigned = [one.about for one in course.releases if not one.by and not one.rehearsed]
    if unsigned:
        yield f"initials of who released {', '.join(unsigned)}"
    if any(release.rehearsed for release in course.releases):
        yield "release of hold points by a person: it was a rehearsal"
    if any(not act.by and not act.rehearsed for act in course.confirmed.values()):
        yield "initials of who confirmed the preconditions"
    if any(not one.operator for one in course.attempts):
        yield "initials of who tested"


def _absent_of_sealing(operator: str, authorised_by: str) -> Iterator[str]:
    if not operator:
        yield "initials of who sealed this document"
    if not authorised_by:
        yield "who authorised this document"


def _texts(told: QualificationDescription, course: Course) -> Mapping[str, Any]:
    """Every text of every file that was in force, by digest, and which ones are in force now."""
    now = {path: text_digest(text) for path, text in told.files.items()}
    return {"in_force": now, "by_sha256": dict(course.texts)}
