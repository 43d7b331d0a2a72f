"""The sealed document of a lot: what was drawn, what each unit showed, the sentence, and how inspection goes on."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from stepwitness.display import limit_text, shown
from stepwitness.inspection.lot import Lot, Progress
from stepwitness.inspection.sentence import Criterion, Sentence
from stepwitness.inspection.serials import METHOD
from stepwitness.inspection.standing import Attempt, Standing
from stepwitness.inspection.supply import LOT_SCHEMA, moved, plain_state
from stepwitness.inspection.wording import measured_named, plan_text, statement
from stepwitness.metrology.switching import Inspected, Stage, State, after
from stepwitness.records.kinds import LOT
from stepwitness.records.manifest import text_digest
from stepwitness.records.rendering import rendered
from stepwitness.records.sealed import write_sealed


def seal_lot(lot: Lot, *, operator: str = "", note: str = "") -> tuple[Path, list[str]]:
    """Write the lot's sentence; its path, and each sheet that couldn't be drawn.

    `note` : why a lot is closed before its sample is whole.

    Raises
    ------
    Refused : a record that isn't any more what was sealed. RecordError : there is a sentence already.
    """
    lot.check_records()
    progress = lot.progress
    before = lot.supply.state(lot.description.sampling.edition)
    counts = _counts(lot)
    now = after(before, _inspected(progress)) if counts else before
    sections = {
        **sections_of(progress, operator=operator, note=note),
        "switching": {
            **lot.supply.link(),
            "counts": counts,
            "before": plain_state(before),
            "after": plain_state(now),
            "statement": _moved(before, now, counts=counts),
        },
        "software": {"stepwitness": version("pytest-stepwitness")},
    }
    path = write_sealed(lot.document, LOT_SCHEMA, sections)
    return path, rendered(lot.folder, LOT.renderers)[1]


def sections_of(progress: Progress, *, operator: str = "", note: str = "") -> dict[str, Any]:
    """What a lot's document says of the lot itself, at any time after its sample was drawn."""
    judgement, standing, draw = progress.judgement, progress.standing, progress.draw
    return {
        **_what(progress),
        "draw": {"seed": draw.seed, "method": METHOD, "serials": list(draw.serials)},
        "units": [_unit(serial, standing) for serial in draw.serials],
        "refusals": [dict(one) for one in standing.refusals],
        "sentence": {
            "sentence": judgement.sentence.value,
            "nonconforming": judgement.nonconforming,
            "undecided": judgement.undecided,
            "criteria": [_criterion(one, progress) for one in judgement.criteria],
            "statement": statement(progress.description, progress.sampling_plan, judgement, standing),
            "at": datetime.now(UTC).isoformat(timespec="seconds"),
            "operator": operator,
            "note": note,
            "simulated": progress.rig.simulated,
        },
    }


def _counts(lot: Lot) -> bool:
    """Whether the lot counts for the series: an original inspection with a sentence.

    One that comes again after its sample stayed incomplete is still an original.
    """
    again = lot.description.resubmits
    original = not again or lot.supply.sentence_of(again) == Sentence.INCOMPLETE.value
    return original and lot.progress.judgement.decided


def _inspected(progress: Progress) -> Inspected:
    reduction, plan, judgement = progress.description.reduction, progress.sampling_plan, progress.judgement
    # the rules know no wish to end reduced inspection; the next lot is on normal, as where production isn't steady
    ends_reduced = progress.draw.stage is Stage.REDUCED and not reduction.wanted
    return Inspected(
        plan.attributes,
        judgement.nonconforming,
        steady=reduction.steady and not ends_reduced,
        reduction_wanted=reduction.wanted,
        limit_number=reduction.limit_number,
        accepted=None if plan.variables is None else judgement.sentence is Sentence.ACCEPTED,
    )


def _moved(before: State, now: State, *, counts: bool) -> str:
    if counts:
        return moved(before, now)
    return f"The lot doesn't count for the series; inspection stays {before.stage.value}."


def _what(progress: Progress) -> dict[str, Any]:
    told, plan, bench = progress.description, progress.sampling_plan, progress.rig.bench
    one = plan.attributes
    return {
        "lot": {
            "supplier": told.supplier,
            "part": told.part,
            "lot": told.lot,
            "quantity": told.quantity,
            "resubmits": told.resubmits,
            "file": told.path,
            "text": told.text,
            "sha256": text_digest(told.text),
        },
        "plan": {
            "name": progress.plan.name,
            "file": progress.plan.path,
            "text": progress.plan.text,
            "sha256": text_digest(progress.plan.text),
        },
        "bench": {"name": bench.name},
        "axis": {"name": bench.axis.name},
        "sampling": {
            "by": "attributes" if plan.variables is None else "variables",
            "edition": one.edition,
            "level": one.level,
            "aql_percent": one.aql_percent,
            "stage": progress.draw.stage.value,
            "code_letter": one.code_letter,
            "letter": one.letter,
            "sample": plan.sample,
            "attributes_sample": one.sample,
            "ac": one.ac,
            "re": one.re,
            "whole_lot": one.whole_lot,
            "k": None if plan.variables is None else plan.variables.k,
            "figures": [measured.name for measured in told.sampling.measured],
            "inconclusive": told.inconclusive.value,
            "statement": plan_text(plan, told.sampling),
        },
    }


def _unit(serial: str, standing: Standing) -> dict[str, Any]:
    """A drawn unit: its outcome, all its attempts, and the findings of the one that decided it, or of the last."""
    attempts, deciding = standing.of(serial), standing.deciding(serial)
    recorded = [attempt for attempt in attempts if attempt.outcomes is not None]
    shown = deciding or (recorded[-1] if recorded else None)
    findings = shown.outcomes.findings if shown is not None and shown.outcomes is not None else ()
    return {
        "serial": serial,
        "outcome": deciding.outcomes.outcome.value if deciding is not None and deciding.outcomes else "open",
        "decided_by": deciding.number if deciding is not None else None,
        "attempts": [_attempt(attempt) for attempt in attempts],
        "findings": [dict(finding) for finding in findings],
    }


def _attempt(attempt: Attempt) -> dict[str, Any]:
    outcomes = attempt.outcomes
    return {
        "number": attempt.number,
        "begun": attempt.begun,
        "operator": attempt.operator,
        "reason": attempt.reason,
        "retest": attempt.why is not None,
        "folder": attempt.folder,
        "record": outcomes.record if outcomes else None,
        "seal": outcomes.seal if outcomes else None,
        "verdict": outcomes.verdict if outcomes else None,
        "statement": outcomes.statement if outcomes else attempt.lost,
        "outcome": outcomes.outcome.value if outcomes else None,
    }


def _criterion(criterion: Criterion, progress: Progress) -> dict[str, Any]:
    """A figure over the sample: numbers in SI, and mean and standard deviation as they are shown."""
    judged = criterion.judged
    if judged is None:
        return {"figure": criterion.name, "accepted": None, "problem": criterion.problem}
    limit = measured_named(progress.description.sampling, criterion.name).limit
    kind, axis = limit.characteristic.kind, progress.rig.bench.axis
    return {
        "figure": criterion.name,
        "title": limit.characteristic.heading,
        "shown": {
            "mean": str(shown(judged.mean, 0.0, limit.unit, kind, axis)),
            "sd": str(shown(judged.sd, 0.0, limit.unit, kind, axis)),
            "limit": limit_text(limit, axis),
        },
        "accepted": judged.accepted,
        "n": judged.n,
        "mean": judged.mean,
        "sd": judged.sd,
        "index_lower": _finite(judged.index_lower),
        "index_upper": _finite(judged.index_upper),
        "estimated": judged.estimated,
        "allowed": judged.allowed,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
