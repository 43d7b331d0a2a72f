"""*.lot.yaml: from the file to a `LotDescription`, with its plan and bench.

1. Every mistake comes out as `BadInput` with file, line and key.
2. What the file asks of the tables is asked here: a lot without a sampling plan isn't a lot that can be inspected.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, get_args

from pydantic import BeforeValidator, Field, WithJsonSchema

from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput, near_miss
from stepwitness.fields import FromText, Strict, YesNo, any_text, quantity, read_section, whole, word
from stepwitness.files import Items, Section, parse_yaml, quoted, read_text
from stepwitness.findings import Figure, Sense
from stepwitness.inspection.description import Counting, LotDescription, Reduction, Sampling
from stepwitness.inspection.sampling import sample_plan
from stepwitness.metrology.sampling import Edition
from stepwitness.metrology.sampling_tables import AQLS, LEVELS
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.switching import Stage
from stepwitness.plan.description import Measured, Plan, Purpose
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.quantities import Kind
from stepwitness.serials import expanded

SUFFIX = ".lot.yaml"

_NORMAL = (Figure.READING, Figure.MEAN)
_FIGURES = {Figure.SPREAD: "is a spread", Figure.EXTREME: "is an extreme"}


def _listed(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


_SERIAL = FromText(expanded, {"type": ["string", "integer"], "examples": ["FS-0401 to FS-0425", "FS-0401"]})
_SERIALS_SCHEMA = {"anyOf": [dict(_SERIAL.schema), {"type": "array", "items": dict(_SERIAL.schema), "minItems": 1}]}


class SamplingSection(Strict):
    """How many units are drawn, and how many of them may be nonconforming."""

    by: Annotated[str, word(("attributes", "variables"))] = Field(
        "attributes",
        description="attributes: nonconforming units are counted. variables: mean and standard deviation of figures "
        "are judged, by an s-method plan that is computed to match the attributes plan.",
    )
    edition: Annotated[Edition, word(get_args(Edition))] = Field(description="Whose tables and switching rules hold.")
    level: Annotated[Any, word(LEVELS)] = Field("II", description="Inspection level.")
    aql: Annotated[float, quantity(Kind.RATIO, above=0)] = Field(
        description="Acceptance quality limit, in percent nonconforming."
    )
    figures: list[Annotated[str, any_text("repeatability.mean_reversal")]] = Field(
        [], description="For variables: what is judged by mean and standard deviation, as procedure.characteristic."
    )


class ReductionSection(Strict):
    """Whether inspection may be reduced after a series of accepted lots."""

    wanted: YesNo = Field(False, description="Whoever is responsible would have inspection reduced.")
    steady_production: YesNo = Field(True, description="Production runs at a steady rate.")
    limit_number: Annotated[int, whole(at_least=0)] | None = Field(
        None, description="Of MIL-STD-105E table VIII, for the samples of the last ten lots."
    )


class LotFile(Strict):
    """A lot that came in: whose, how many, which units, and the plan that each drawn unit must hold."""

    supplier: Annotated[str, any_text("Fennick Screws")] = Field(description="Who delivered it.")
    part: Annotated[str, any_text("FS-2040-B")] = Field(description="The supplier's part number.")
    lot: Annotated[str, any_text("2026-117")] = Field(description="The lot's number, unique for supplier and part.")
    quantity: Annotated[int, whole(at_least=2)] = Field(description="Units in the lot.")
    serials: Annotated[
        tuple[Annotated[Any, _SERIAL], ...], BeforeValidator(_listed), WithJsonSchema(_SERIALS_SCHEMA)
    ] = Field(description="Serial numbers: a range, or a list of numbers and ranges.")
    plan: Annotated[str, any_text("doser.plan.yaml")] = Field(description="The plan file, relative to this one.")
    sampling: SamplingSection = Field(description="How the sample is found.")
    inconclusive: Annotated[Counting, word(Counting)] = Field(
        Counting.NONCONFORMING, description="What a unit whose worst finding is INCONCLUSIVE counts as."
    )
    reduction: ReductionSection | None = Field(None, description="Whether inspection may be reduced.")
    resubmits: Annotated[str, any_text("2026-101")] = Field(
        "", description="The lot as which these units were inspected before; it isn't an original inspection then."
    )


def load_lot(path: Path | str) -> tuple[LotDescription, Plan, BenchDescription]:
    """The lot in a file, with its plan and that plan's bench.

    Raises
    ------
    BadInput : the first thing that is wrong in any of the three, with file, line and key.
    """
    text = read_text(path)
    tree = parse_yaml(text, str(path))
    file = read_section(LotFile, tree)
    serials = _serials(file, tree)
    plan, bench = _plan(file, tree, Path(path))
    lot = LotDescription(
        path=str(path),
        text=text,
        supplier=file.supplier,
        part=file.part,
        lot=file.lot,
        serials=serials,
        plan=plan.path,
        sampling=_sampling(file, tree, plan),
        inconclusive=file.inconclusive,
        reduction=_reduction(file, tree),
        resubmits=file.resubmits,
    )
    if file.resubmits == file.lot:
        raise BadInput("a lot that resubmits itself", place=tree.where("resubmits"), allowed="the lot's earlier number")
    _check_tables(lot, tree)
    return lot, plan, bench


def lot_schema() -> dict[str, Any]:
    """JSON Schema of a lot file."""
    schema = LotFile.model_json_schema(by_alias=True)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": SUFFIX} | schema


def _serials(file: LotFile, tree: Section) -> tuple[str, ...]:
    """Every serial number, once, and as many as the lot has units."""
    seen: dict[str, int] = {}
    listed = isinstance(tree.node("serials"), Items)
    for at, entry in enumerate(file.serials):
        for serial in entry:
            if serial in seen:
                raise BadInput(
                    "a serial number that stands twice",
                    place=tree.where("serials", at) if listed else tree.where("serials"),
                    found=quoted(serial),
                    cure=f"the first is in entry {seen[serial] + 1} of the list",
                )
            seen[serial] = at
    if len(seen) != file.quantity:
        raise BadInput(
            "another number of serial numbers than of units",
            place=tree.where("serials"),
            found=f"{len(seen)} serial numbers",
            allowed=f"{file.quantity}, as 'quantity' says",
        )
    return tuple(seen)


def _plan(file: LotFile, tree: Section, path: Path) -> tuple[Plan, BenchDescription]:
    plan_path = path.parent / file.plan
    if not plan_path.exists():
        beside = [item.name for item in plan_path.parent.glob("*.plan.yaml")]
        raise BadInput(
            "there is no such plan file",
            place=tree.where("plan"),
            found=quoted(file.plan),
            allowed="a path relative to the lot's folder",
            cure=near_miss(plan_path.name, beside),
        )
    plan, bench = load_plan_and_bench(plan_path)
    if plan.purpose is not Purpose.INCOMING:
        raise BadInput(
            "a plan that isn't for incoming inspection",
            place=tree.where("plan"),
            found=f"purpose: {plan.purpose.value}",
            allowed=f"a plan with 'purpose: {Purpose.INCOMING.value}'",
        )
    return plan, bench


def _reduction(file: LotFile, tree: Section) -> Reduction:
    section = file.reduction
    if section is None:
        return Reduction()
    if section.wanted and file.sampling.by == "variables":
        raise BadInput("reduced inspection by variables isn't offered", place=tree.where("reduction", "wanted"))
    return Reduction(section.wanted, section.steady_production, section.limit_number)


def _sampling(file: LotFile, tree: Section, plan: Plan) -> Sampling:
    section = file.sampling
    aql_percent = round(100 * section.aql, 6)
    if aql_percent not in AQLS:
        raise BadInput(
            "the tables have no column for this AQL",
            place=tree.where("sampling", "aql"),
            found=f"{aql_percent:g} %",
            allowed=f"{', '.join(f'{column:g}' for column in AQLS)} %",
        )
    if section.by == "attributes" and section.figures:
        raise BadInput("figures without 'by: variables'", place=tree.where("sampling", "figures"), allowed="no figures")
    if section.by == "variables" and not section.figures:
        raise BadInput(
            "sampling by variables without figures",
            place=tree.where("sampling", "by"),
            allowed="figures: [procedure.characteristic]",
        )
    measured = [_measured(name, at, tree, plan) for at, name in enumerate(section.figures)]
    return Sampling(section.edition, section.level, aql_percent, tuple(measured))


def _measured(name: str, at: int, tree: Section, plan: Plan) -> Measured:
    """A limit that can be judged by variables: a normal figure with one side to keep, or a magnitude with two."""
    known = {
        one.name: one
        for one in (Measured(planned.id, limit) for planned in plan.procedures for limit in planned.limits)
    }
    place = tree.where("sampling", "figures", at)
    if name not in known:
        raise BadInput(
            "no limit of the plan",
            place=place,
            found=quoted(name),
            allowed=", ".join(known),
            cure=near_miss(name, known),
        )
    characteristic = known[name].limit.characteristic
    if characteristic.figure not in _NORMAL:
        said = _FIGURES.get(characteristic.figure, "doesn't say what it is")
        raise BadInput(
            f"sampling by variables supposes a normal figure, and {characteristic.title} {said}",
            place=place,
            found=quoted(name),
            allowed=", ".join(key for key, one in known.items() if one.limit.characteristic.figure in _NORMAL)
            or "by: attributes",
        )
    if characteristic.magnitude and characteristic.sense is Sense.AT_LEAST:
        raise BadInput("a least magnitude can't be judged by variables", place=place, found=quoted(name))
    return known[name]


def _check_tables(lot: LotDescription, tree: Section) -> None:
    """Ask for the plan of each stage that this lot's inspection may be in."""
    stages = [Stage.NORMAL, Stage.TIGHTENED, *([Stage.REDUCED] if lot.reduction.wanted else [])]
    for stage in stages:
        try:
            sample_plan(lot.sampling, lot.quantity, stage)
        except BadReadings as error:
            key = "reduction" if stage is Stage.REDUCED else "sampling"
            raise BadInput(str(error), place=tree.where(key)) from None
