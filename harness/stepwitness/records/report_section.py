"""The section ``report`` of a record: what ISO/IEC 17025:2017, 7.8 asks of a test report, item by item.

1. Each item is there, with what is told of it, or with null where nobody told it: what is absent is listed as absent.
2. Where another section holds an item (results, decision rule), the item says in a sentence what stands there.

The clauses' letters are those of the 2017 edition; the words for the items are ours.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.display import rule_of
from stepwitness.findings import COVERAGE_PROBABILITY
from stepwitness.plan.description import Plan, PlannedProcedure
from stepwitness.records.judgement import Judgement, unit_text
from stepwitness.site import SiteFacts

STANDARD = "ISO/IEC 17025:2017, 7.8"


def report_section(
    plan: Plan,
    bench: BenchDescription,
    site: SiteFacts,
    run: Mapping[str, Any],
    *,
    judged: Sequence[Judgement],
) -> dict[str, Any]:
    """The section, from a run's section ``run`` and what each procedure gave that was acquired."""
    findings = [finding for one in judged for finding in one.findings]
    estimates = sum(len(one.estimates) for one in judged)
    unit = unit_text(bench.axis.name, bench.axis_serial)
    told = {
        ("7.8.2.1 a", "title"): f"Test report, {unit}, plan {plan.name}",
        ("7.8.2.1 b", "laboratory"): _joined(site.laboratory, site.address),
        ("7.8.2.1 c", "location of the test"): site.location,
        ("7.8.2.1 d", "identification"): f"record {run['id']}, with its seal",
        ("7.8.2.1 e", "customer"): site.customer,
        ("7.8.2.1 f", "method"): "; ".join(_method(one.planned) for one in judged),
        ("7.8.2.1 g", "item"): f"axis {unit}" if bench.axis_serial else f"axis {unit}, without a serial number",
        ("7.8.2.1 g", "condition of the item"): site.condition,
        ("7.8.2.1 h", "date of receipt"): site.received,
        ("7.8.2.1 i", "dates of the test"): f"{_minute(run['started'])} to {_minute(run['ended'])}",
        ("7.8.2.1 j", "date of issue"): _minute(run["ended"]),
        ("7.8.2.1 k", "sampling"): site.sampling,
        ("7.8.2.1 l", "validity"): "the results relate only to the item tested",
        ("7.8.2.1 m", "results"): f"{len(findings)} findings among {estimates} estimates, each with its unit",
        ("7.8.2.1 n", "deviations from the method"): _joined(
            site.deviations, _left_out(run), _informs(plan), *(_short_of_standard(one) for one in judged)
        ),
        ("7.8.2.1 o", "authorised by"): site.authorised_by,
        ("7.8.2.1 p", "results of others"): _joined(site.external, _from_file(run)),
        ("7.8.3.1 a", "ambient conditions"): site.ambient,
        ("7.8.3.1 b", "statement of conformity"): run["statement"],
        ("7.8.3.1 c", "measurement uncertainty"): f"expanded, for a coverage of {100 * COVERAGE_PROBABILITY:.4g} %, "
        "beside each result with its k and unit",
        ("7.8.3.1 d", "opinions and interpretations"): site.opinions,
        ("7.8.6.1", "decision rule"): rule_of(plan.rule, plan.maximum_risk, findings),
    }
    return {
        "standard": STANDARD,
        "operator": site.operator,
        "items": [{"clause": clause, "item": item, "told": text or None} for (clause, item), text in told.items()],
    }


def _joined(*texts: str) -> str:
    return ", ".join(text for text in texts if text)


def _method(planned: PlannedProcedure) -> str:
    """``repeatability (evaluator 3; ISO 230-2 (2006))``: a procedure's id, its version and what it follows."""
    clauses = dict.fromkeys(item.clause.partition(",")[0] for item in planned.procedure.characteristics)
    return f"{planned.id} ({'; '.join([f'evaluator {planned.procedure.version}', *clauses])})"


def _left_out(run: Mapping[str, Any]) -> str:
    return f"partial: {run['partial_reason']}" if run["partial"] else ""


def _informs(plan: Plan) -> str:
    return "limits may be finer than the bench can tell" if plan.inform_only else ""


def _short_of_standard(judged: Judgement) -> str:
    """``repeatability falls short of its standard: 3 runs each way where 5 are the least (ISO 230-2)``, or nothing."""
    texts = dict.fromkeys(text for estimate in judged.estimates for text in estimate.deviations)
    return f"{judged.planned.id} falls short of its standard: {'; '.join(texts)}" if texts else ""


def _from_file(run: Mapping[str, Any]) -> str:
    return "readings that another machine took" if run["over"] == "file" else ""


def _minute(text: str) -> str:
    return f"{datetime.fromisoformat(text):%Y-%m-%d %H:%M} UTC"
