"""*.qualification.yaml: from the file to a `QualificationDescription`, with its plans and their benches.

1. Every mistake comes out as `BadInput` with file, line and key.
2. A criterion that the sample can't meet, however good its units, is refused here, and so is a figure that it doesn't
   suit.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from stepwitness.attempts import Why
from stepwitness.errors import BadInput, near_miss
from stepwitness.fields import Day, FromText, Name, Strict, any_text, quantity, read_section, whole, word
from stepwitness.files import Items, Section, parse_yaml, quoted, read_text
from stepwitness.findings import Figure, Sense
from stepwitness.metrology.binomial import demonstration_size
from stepwitness.metrology.tolerance import least_readings
from stepwitness.plan.description import Measured, Plan, Purpose
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.qualification.criteria import side_of
from stepwitness.qualification.description import (
    AmbientRange,
    Approval,
    By,
    Clause,
    Criterion,
    HoldPoint,
    Order,
    QualificationDescription,
    Revision,
)
from stepwitness.quantities import Kind, Written, split
from stepwitness.serials import expanded

SUFFIX = ".qualification.yaml"

LEAST_UNITS = 3
"""Units that a normal figure's tolerance interval or capability asks for; two say next to nothing of a spread."""

_NORMAL = (Figure.READING, Figure.MEAN)
_FIGURES = {Figure.SPREAD: "is a spread", Figure.EXTREME: "is an extreme"}


def _number(text: str) -> str:
    if not re.fullmatch(r"[0-9]+(\.[0-9]+)*[a-z]?", text):
        raise BadInput("not a clause's number", found=quoted(text), allowed="such as 4.2")
    return text


def _listed(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


_NUMBER_SCHEMA = {"type": ["string", "number"], "pattern": r"^[0-9]+(\.[0-9]+)*[a-z]?$", "examples": ["4.2"]}
Number = Annotated[str, FromText(_number, _NUMBER_SCHEMA)]
_SERIAL = FromText(expanded, {"type": ["string", "integer"], "examples": ["TB-0501 to TB-0505", "TB-0501"]})
_SERIALS_SCHEMA = {"anyOf": [dict(_SERIAL.schema), {"type": "array", "items": dict(_SERIAL.schema), "minItems": 1}]}
Share = Annotated[float, quantity(Kind.RATIO, above=0.0, at_most=0.999999)]
Ambient = Annotated[Written, FromText(split, {"type": "string", "examples": ["20 °C", "40 %"]})]


class RevisionSection(Strict):
    """Which state of the file this is."""

    mark: Annotated[str, any_text("B")] = Field(description="The revision's mark, another for each.")
    of: Day | None = Field(None, description="Its day.")
    changes: Annotated[str, any_text("clause 4.2 asks for five runs")] = Field(
        "", description="What changed against the one before, and why."
    )


class ApprovalSection(Strict):
    """Who approved this revision, and when."""

    by: Annotated[str, any_text("head of laboratory")] = Field(description="Who approved it.")
    on: Day = Field(description="On which day.")


class AmbientSection(Strict):
    """A quantity of the environment."""

    quantity: Annotated[str, any_text("temperature")] = Field(description="Its name.")
    at_least: Ambient = Field(alias="from", description="The least value, with its unit.")
    at_most: Ambient = Field(alias="to", description="The greatest, in the same unit.")


class HoldPointSection(Strict):
    """Where work stops until somebody releases it."""

    id: Name = Field(description="Its name.")
    before: Number = Field(description="The clause before which work stops.")
    title: Annotated[str, any_text("results of 4.1 reviewed")] = Field(description="What is to be done or seen there.")
    by: Annotated[str, any_text("quality")] = Field("", description="Whose part the release is.")


class CriterionSection(Strict):
    """What must hold across units. In every case each unit must pass its plan, but for the failures allowed."""

    by: Annotated[By, word(By)] = Field(
        By.ALL_PASS,
        description="all pass: every unit. tolerance interval: where the stated content of all such units lies, with "
        "confidence (ISO 16269-6), keeps the limit. reliability: units that pass show it with confidence. capability: "
        "the lower bound of Ppk reaches the least.",
    )
    figure: Annotated[str, any_text("repeatability.mean_reversal")] = Field(
        "", description="Which limit's figure is judged, as procedure.characteristic."
    )
    content: Share | None = Field(None, description="Of the tolerance interval: the share of all units, as 90 %.")
    distribution: Annotated[str, word(("normal", "any"))] = Field(
        "normal", description="Of the tolerance interval: what is supposed of the figure from unit to unit."
    )
    reliability: Share | None = Field(None, description="To be shown, as 90 %.")
    failures: Annotated[int, whole(at_least=0)] | None = Field(
        None, description="Units that may fail all the same (default: none)."
    )
    least: Annotated[float, quantity(Kind.RATIO, above=0.0)] | None = Field(None, description="Least Ppk, as 1.33.")
    confidence: Share | None = Field(None, description="Confidence, as 95 %.")
    counting_reruns: list[Annotated[str, word((Why.REWORK.value, Why.DISPUTE.value))]] = Field(
        [],
        description="Reasons (rework, dispute) for which a re-run of a unit counts in place of the record that decided "
        "it; both are kept in any case. A study never counts.",
    )


class ClauseSection(Strict):
    """A clause."""

    number: Number = Field(description="Its number.")
    title: Annotated[str, any_text("Reversal at the load")] = Field(description="What it is about.")
    plan: Annotated[str, any_text("positioning.plan.yaml")] = Field(description="Plan file, relative to this one.")
    criterion: CriterionSection | None = Field(
        None, description="What must hold across units; without it, every unit must pass."
    )


class QualificationFile(Strict):
    """A qualification: clauses with their plans and criteria, on a sample of units."""

    number: Name = Field(description="The qualification's number, unique at this site.")
    title: Annotated[str, any_text("doser with the rolled screw")] = Field(description="What is qualified.")
    revision: RevisionSection = Field(description="Which state of the file this is.")
    approval: ApprovalSection | None = Field(None, description="Who approved it; listed as absent without.")
    units: Annotated[tuple[Annotated[Any, _SERIAL], ...], BeforeValidator(_listed), WithJsonSchema(_SERIALS_SCHEMA)] = (
        Field(description="The sample: serial numbers, a range or a list of numbers and ranges.")
    )
    order: Annotated[Order, word(Order)] = Field(
        Order.BY_CLAUSE,
        description="by clause: each clause on all units. by unit: each unit through all clauses.",
    )
    preconditions: list[Annotated[str, any_text("each unit was run in")]] = Field(
        [], description="What must be so before the first unit is tested."
    )
    environment: list[AmbientSection] = Field([], description="What is recorded each time, and its range.")
    clauses: list[ClauseSection] = Field(description="The clauses, in the order of the work.", min_length=1)
    hold_points: list[HoldPointSection] = Field([], description="Where work stops until somebody releases it.")


def load_qualification(path: Path | str) -> QualificationDescription:
    """The qualification in a file, with its plans and their benches.

    Raises
    ------
    BadInput : the first thing that is wrong in any of them, with file, line and key.
    """
    text = read_text(path)
    tree = parse_yaml(text, str(path))
    file = read_section(QualificationFile, tree)
    units = _units(file, tree)
    folder = Path(path).parent
    clauses = tuple(_clause(item, at, tree, folder, len(units)) for at, item in enumerate(file.clauses))
    _check_numbers(clauses, tree)
    files = {Path(path).name: text}
    for clause in clauses:
        for beside, held in ((clause.plan.path, clause.plan.text), (clause.bench.path, clause.bench.text)):
            files[Path(os.path.relpath(beside, folder)).as_posix()] = held
    return QualificationDescription(
        path=str(path),
        number=file.number,
        title=file.title,
        revision=Revision(file.revision.mark, file.revision.of, file.revision.changes),
        approval=Approval(file.approval.by, file.approval.on) if file.approval else None,
        units=units,
        order=file.order,
        preconditions=tuple(file.preconditions),
        environment=tuple(_ambient(item, at, tree) for at, item in enumerate(file.environment)),
        clauses=clauses,
        hold_points=_hold_points(file, tree, [clause.number for clause in clauses]),
        files=files,
        place=tree.place,
    )


def qualification_schema() -> dict[str, Any]:
    """JSON Schema of a qualification file."""
    schema = QualificationFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": SUFFIX} | schema


# -- parts of the file ---------------------------------------------------------------------------------------------


def _units(file: QualificationFile, tree: Section) -> tuple[str, ...]:
    listed = isinstance(tree.node("units"), Items)
    found: list[str] = []
    for at, entry in enumerate(file.units):
        for serial in entry:
            if serial in found:
                place = tree.where("units", at) if listed else tree.where("units")
                raise BadInput("a serial number that stands twice", place=place, found=quoted(serial))
            found.append(serial)
    return tuple(found)


def _ambient(item: AmbientSection, at: int, tree: Section) -> AmbientRange:
    low, high = item.at_least, item.at_most
    if low.unit != high.unit or low.number > high.number:
        raise BadInput(
            "not a range",
            place=tree.where("environment", at, "to"),
            found=quoted(f"{low} to {high}"),
            allowed="a least and a greatest value in one unit",
        )
    return AmbientRange(item.quantity, low.number, high.number, low.unit)


def _clause(item: ClauseSection, at: int, tree: Section, folder: Path, units: int) -> Clause:
    path = folder / item.plan
    if not path.exists():
        raise BadInput(
            "there is no such plan file",
            place=tree.where("clauses", at, "plan"),
            found=quoted(item.plan),
            allowed="a path relative to this file's folder",
            cure=near_miss(path.name, [beside.name for beside in path.parent.glob("*.plan.yaml")]),
        )
    plan, bench = load_plan_and_bench(path)
    if plan.purpose is not Purpose.QUALIFICATION:
        raise BadInput(
            "a plan that isn't for qualification",
            place=tree.where("clauses", at, "plan"),
            found=f"purpose: {plan.purpose.value}",
            allowed=f"a plan with 'purpose: {Purpose.QUALIFICATION.value}'",
        )
    section = item.criterion
    criterion = Criterion(By.ALL_PASS) if section is None else _criterion(section, at, tree, plan, units)
    return Clause(item.number, item.title, item.plan, plan, bench, criterion)


def _check_numbers(clauses: Iterable[Clause], tree: Section) -> None:
    seen: dict[str, str] = {}
    for at, clause in enumerate(clauses):
        if clause.number in seen:
            raise BadInput(
                "a clause's number that stands twice",
                place=tree.where("clauses", at, "number"),
                found=quoted(clause.number),
            )
        seen[clause.number] = clause.title
        axis = clause.bench.axis.name
        if axis != (first := next(iter(clauses)).bench.axis.name):
            raise BadInput(
                "another axis than that of the first clause",
                place=tree.where("clauses", at, "plan"),
                found=f"axis {axis}",
                allowed=f"axis {first}: a qualification is of one design",
            )


def _hold_points(file: QualificationFile, tree: Section, numbers: list[str]) -> tuple[HoldPoint, ...]:
    ids: set[str] = set()
    for at, item in enumerate(file.hold_points):
        if item.before not in numbers:
            raise BadInput(
                "no clause of this file",
                place=tree.where("hold_points", at, "before"),
                found=quoted(item.before),
                allowed=", ".join(numbers),
            )
        if item.id in ids:
            raise BadInput(
                "the id of a hold point that stands twice",
                place=tree.where("hold_points", at, "id"),
                found=quoted(item.id),
            )
        ids.add(item.id)
    return tuple(HoldPoint(item.id, item.before, item.title, item.by) for item in file.hold_points)


# -- criteria ------------------------------------------------------------------------------------------------------

_KEYS = {
    By.ALL_PASS: (),
    By.TOLERANCE: ("figure", "content", "confidence"),
    By.RELIABILITY: ("reliability", "confidence"),
    By.CAPABILITY: ("figure", "least", "confidence"),
}
_MAY = {By.TOLERANCE: ("distribution",), By.RELIABILITY: ("failures",)}


def _criterion(section: CriterionSection, at: int, tree: Section, plan: Plan, units: int) -> Criterion:
    due, may = _KEYS[section.by], _MAY.get(section.by, ())
    for key in ("figure", "content", "distribution", "reliability", "failures", "least", "confidence"):
        given = tree.node("clauses", at, "criterion", key) is not None
        if given and key not in (*due, *may):
            raise BadInput(
                f"'{key}' doesn't belong to the criterion '{section.by.value}'",
                place=tree.where("clauses", at, "criterion", key),
                allowed=", ".join(("by", *due, *may, "counting_reruns")),
            )
        if key in due and not given:
            raise BadInput(
                f"the criterion '{section.by.value}' lacks '{key}'",
                place=tree.where("clauses", at, "criterion"),
                allowed=", ".join(("by", *due, *may, "counting_reruns")),
            )
    criterion = Criterion(
        by=section.by,
        measured=_measured(section, at, tree, plan) if "figure" in due else None,
        content=section.content or 0.0,
        confidence=section.confidence or 0.0,
        any_distribution=section.distribution == "any",
        reliability=section.reliability or 0.0,
        failures=section.failures or 0,
        least=section.least or 0.0,
        counting=frozenset(Why(word) for word in section.counting_reruns),
    )
    _check_sample(criterion, at, tree, units)
    return criterion


def _check_sample(criterion: Criterion, at: int, tree: Section, units: int) -> None:
    """Refuse a criterion for which the sample is too small, whatever its units are."""
    measured = criterion.measured
    if criterion.by is By.CAPABILITY and criterion.confidence <= 0.5:
        raise BadInput(
            "a confidence that bounds nothing",
            place=tree.where("clauses", at, "criterion", "confidence"),
            allowed="more than 50 %",
        )
    least = 1
    if criterion.by is By.RELIABILITY:
        least = demonstration_size(
            reliability=criterion.reliability, confidence=criterion.confidence, failures=criterion.failures
        )
    elif criterion.any_distribution and measured is not None:
        side = side_of(measured.limit.characteristic)
        least = least_readings(content=criterion.content, confidence=criterion.confidence, side=side)
    elif measured is not None:
        least = LEAST_UNITS
    if units < least:
        raise BadInput(
            "a criterion that so few units can't show, however good they are",
            place=tree.where("clauses", at, "criterion"),
            found=f"{units} units",
            allowed=f"at least {least} units",
        )


def _measured(section: CriterionSection, at: int, tree: Section, plan: Plan) -> Measured:
    """The limit whose figure is judged across units."""
    known = {
        one.name: one
        for one in (Measured(planned.id, limit) for planned in plan.procedures for limit in planned.limits)
    }
    place = tree.where("clauses", at, "criterion", "figure")
    if section.figure not in known:
        raise BadInput(
            "no limit of the clause's plan",
            place=place,
            found=quoted(section.figure),
            allowed=", ".join(known),
            cure=near_miss(section.figure, known),
        )
    characteristic = known[section.figure].limit.characteristic
    needs_normal = section.by is By.CAPABILITY or section.distribution == "normal"
    if needs_normal and characteristic.figure not in _NORMAL:
        said = _FIGURES.get(characteristic.figure, "doesn't say what it is")
        normal = ", ".join(key for key, one in known.items() if one.limit.characteristic.figure in _NORMAL)
        raise BadInput(
            f"the criterion supposes a normal figure, and {characteristic.title} {said}",
            place=place,
            found=quoted(section.figure),
            allowed=normal or "a figure that is a reading or a mean",
            cure="" if section.by is By.CAPABILITY else "or write 'distribution: any'",
        )
    if characteristic.magnitude and characteristic.sense is Sense.AT_LEAST:
        raise BadInput("a least magnitude can't be judged across units", place=place, found=quoted(section.figure))
    return known[section.figure]
