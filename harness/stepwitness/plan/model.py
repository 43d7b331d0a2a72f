"""*.plan.yaml: its head, its procedures with settings and limits, and the way from the file to a `Plan`.

1. A procedure's settings and characteristics are declared by the procedure; the model of its section is made from
   them, so that a plugin's procedure is checked and completed by an editor like a built-in one.
2. Once the settings are read, the procedure itself says whether the bench can run them; its objection is reported
   at its place in the plan.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, Field, WithJsonSchema, create_model

from stepwitness.axis import Axis
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import load_bench
from stepwitness.display import limit_text, shown
from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.fields import (
    FromText,
    Name,
    Strict,
    YesNo,
    any_text,
    quantity,
    quantity_schema,
    read_section,
    whole,
    word,
    yes_no,
)
from stepwitness.files import Items, Node, Section, Text, parse_yaml, quoted, read_text, shape
from stepwitness.findings import MAXIMUM_RISK, Characteristic, DecisionRule, Limit, Sense
from stepwitness.plan.description import HistoryPolicy, OnInconclusive, Plan, PlannedProcedure, Purpose, ReadColumn
from stepwitness.plan.nightly import HistorySection, StrokesSection
from stepwitness.plan.sight import sights
from stepwitness.procedures.procedure import Procedure
from stepwitness.quantities import STEP_UNITS, Kind, exact, finite, split
from stepwitness.settings import Setting, settings_of
from stepwitness.site import SiteFacts
from stepwitness.site_section import SiteSection

SUFFIX = ".plan.yaml"


class PlanFile(Strict):
    """What must hold: why the plan is run, on which bench, and procedures with their settings and limits."""

    purpose: Annotated[Purpose, word(Purpose)] = Field(
        description="Why the plan is run. incoming and qualification pass only where every limit is PASS."
    )
    bench: Annotated[str, any_text("doser.bench.yaml")] = Field(description="The bench file, relative to this one.")
    decision_rule: Annotated[DecisionRule, word(DecisionRule)] = Field(
        DecisionRule.GUARDED,
        description="guarded: PASS only where value and U lie inside the limit. simple: the value alone. "
        "guarded-rejection: FAIL only where value and U lie outside. stated-risk: as maximum_risk allows.",
    )
    maximum_risk: Annotated[float, quantity(Kind.RATIO, above=0, at_most=0.5)] | None = Field(
        None, description="Greatest risk of a wrong verdict that the rule stated-risk allows, such as 5 %."
    )
    inform_only: YesNo = Field(
        False, description="Whether limits may be finer than the bench can tell; for nightly plans alone."
    )
    inconclusive: Annotated[OnInconclusive, word(OnInconclusive)] = Field(
        OnInconclusive.FAIL,
        description="What an INCONCLUSIVE finding does to its test: fail, or show (skip).",
    )
    history: HistorySection | None = Field(
        None, description="What a nightly run is held against; without it, the defaults."
    )
    run_in: StrokesSection | None = Field(
        None, description="Strokes before the first procedure, of a unit that has no record of this plan yet."
    )
    warm_up: StrokesSection | None = Field(None, description="Strokes before the first procedure of every run.")
    settling: Annotated[float, quantity(Kind.TIME, at_least=0, at_most=600)] = Field(
        0.0, description="Least rest before a reading, after a move and after the drop to hold current."
    )
    site: SiteSection | None = None
    procedures: list[Any] = Field(description="The procedures, each a list item of one key.", min_length=1)


class QuantityColumn(Strict):
    """A column that holds a quantity."""

    column: Annotated[str, any_text("target")] = Field(description="The column's heading, as in the file.")
    unit: Annotated[str, any_text("mm", "um")] = Field(description="Unit of its numbers.")


class NumberColumn(Strict):
    """A column that holds whole numbers."""

    column: Annotated[str, any_text("run")] = Field(description="The column's heading, as in the file.")


class DirectionColumn(Strict):
    """A column that tells the direction of approach."""

    column: Annotated[str, any_text("direction")] = Field(description="The column's heading, as in the file.")
    up: Annotated[str, any_text("up")] = Field("up", description="What stands there for an approach upwards.")
    down: Annotated[str, any_text("down")] = Field("down", description="What stands there for one downwards.")


class ColumnsSection(Strict):
    """Columns of a CSV file in long format: one reading a line. A reading is an actual position or a deviation."""

    target: QuantityColumn = Field(description="Target position, or place of the reversal.")
    direction: DirectionColumn = Field(description="Direction of approach.")
    run: NumberColumn = Field(description="Number of the run or the repeat.")
    gauge: QuantityColumn | None = Field(None, description="Position of the load as a gauge read it.")
    deviation: QuantityColumn | None = Field(None, description="Instead: what the gauge read, less the target.")
    counted: QuantityColumn | None = Field(None, description="Position as the encoder counted it.")
    drag: QuantityColumn | None = Field(None, description="Added drag; none where there is no such column.")


# -- from the file to a plan -------------------------------------------------------------------------------


def load_plan(path: Path | str, known: Mapping[str, Procedure] | None = None) -> Plan:
    """The plan in a file; its bench file is read too, and every procedure is asked whether that bench can run it.

    Raises
    ------
    BadInput : the first thing that is wrong in either file, with file, line and key.
    """
    return load_plan_and_bench(path, known)[0]


def load_plan_and_bench(
    path: Path | str, known: Mapping[str, Procedure] | None = None
) -> tuple[Plan, BenchDescription]:
    """The plan in a file and the bench that it names; errors as in `load_plan`."""
    text = read_text(path)
    tree = parse_yaml(text, str(path))
    named = read_section(PlanFile, tree).bench
    bench_path = Path(path).parent / named
    if not bench_path.exists():
        raise BadInput(
            "there is no such bench file",
            place=tree.where("bench"),
            found=quoted(named),
            allowed="a path relative to the plan's folder",
            cure=near_miss(bench_path.name, _names_beside(bench_path)),
        )
    bench = load_bench(bench_path)
    plan = parse_plan(text, str(path), bench, known)
    refuse_too_fine(plan, bench)
    refuse_idle(plan, bench.axis)
    return plan, bench


def parse_plan(
    text: str,
    path: str,
    bench: BenchDescription,
    known: Mapping[str, Procedure] | None = None,
    *,
    kept_as: str = "",
) -> Plan:
    """The plan that `text` describes, for `bench`.

    `path` is what errors and records name; `known` are the procedures by name, all that are installed by default.
    `kept_as` is the name of a plan that a record keeps: it may come from a test, whose file is no plan's and which may
    ask for a procedure and set it no limit.
    """
    tree = parse_yaml(text, path)
    head = read_section(PlanFile, tree)
    _check_rule(head, tree)
    listed = tree.node("procedures")
    assert isinstance(listed, Items)
    planned: dict[str, PlannedProcedure] = {}
    for item in listed.items:
        one = _planned(item, bench, _all_known(known), limits_due=not kept_as)
        if one.id in planned:
            raise BadInput(
                f"the id '{one.id}' stands twice",
                place=one.place,
                cure=f"give one an 'id' of its own; the first is on line {planned[one.id].place.line}",
            )
        if one.procedure.guards and any(not before.procedure.guards for before in planned.values()):
            raise BadInput(
                f"'{one.id}' after what it is to guard",
                place=one.place,
                cure="write it first: a check standard is measured before anything that rests on it",
            )
        planned[one.id] = one
    return Plan(
        name=kept_as or _plan_name(path),
        path=path,
        text=text,
        purpose=head.purpose,
        bench=bench.path,
        rule=head.decision_rule,
        on_inconclusive=head.inconclusive,
        procedures=tuple(planned.values()),
        maximum_risk=MAXIMUM_RISK if head.maximum_risk is None else head.maximum_risk,
        inform_only=head.inform_only,
        history=head.history.policy() if head.history else HistoryPolicy(),
        run_in=head.run_in.given() if head.run_in else None,
        warm_up=head.warm_up.given() if head.warm_up else None,
        settling_s=head.settling,
        site=head.site.facts() if head.site else SiteFacts(),
    )


def _check_rule(head: PlanFile, tree: Section) -> None:
    """Refuse a risk that no rule asks for, a rule that lacks one, and what a strict plan can't have."""
    stated = head.decision_rule is DecisionRule.STATED_RISK
    if stated and head.maximum_risk is None:
        raise BadInput("the rule stated-risk without a risk", place=tree.where("decision_rule"), allowed=_RISK_EXAMPLE)
    if head.maximum_risk is not None and not stated:
        raise BadInput(
            f"a maximum risk, which the rule {head.decision_rule.value} doesn't ask for",
            place=tree.where("maximum_risk"),
            allowed=f"decision_rule: {DecisionRule.STATED_RISK.value}, or no maximum_risk",
        )
    if head.inform_only and head.purpose.strict:
        raise BadInput(
            f"a plan for {head.purpose.value} that only informs",
            place=tree.where("inform_only"),
            allowed=f"purpose: {Purpose.NIGHTLY.value}",
        )
    if head.history is not None and head.purpose.strict:
        raise BadInput(
            f"a history in a plan for {head.purpose.value}, whose units are judged one by one",
            place=tree.where("history"),
            allowed=f"purpose: {Purpose.NIGHTLY.value}",
        )


_RISK_EXAMPLE = "such as maximum_risk: 5 %"


def refuse_too_fine(plan: Plan, bench: BenchDescription) -> None:
    """Refuse a limit below the least that its bench can tell, unless the plan only informs.

    Raises
    ------
    BadInput : at the first such limit, with what the bench can tell and why.
    """
    if plan.inform_only:
        return
    for seen in sights(plan, bench):
        if seen.too_fine:
            limit = seen.limit
            least = shown(seen.least, 0.0, limit.unit, limit.characteristic.kind, bench.axis)
            raise BadInput(
                "a limit below the least that this bench can tell from nothing",
                place=limit.place,
                found=quoted(limit.text),
                allowed=f"more than {least} ({seen.reason})",
                cure="take a finer witness, or write 'inform_only: yes' in a nightly plan",
            )


def refuse_idle(plan: Plan, axis: Axis) -> None:
    """Refuse a limit that no value can exceed, since what is measured ends before it.

    Raises
    ------
    BadInput : at the first such limit, with the greatest value and why.
    """
    for planned in plan.procedures:
        greatest = planned.procedure.most(planned.settings) if planned.procedure.most else {}
        for limit in planned.limits:
            most, why = greatest.get(limit.characteristic.name, (math.inf, ""))
            if limit.characteristic.sense is Sense.AT_MOST and limit.bound > most:
                raise BadInput(
                    "a limit that can't fail",
                    place=limit.place,
                    found=quoted(limit.text),
                    allowed=f"{limit_text(replace(limit, bound=most), axis)}: {why}",
                )


def settings_from(procedure: Procedure, given: Mapping[str, Any], axis: Axis, place: Place) -> Any:
    """An instance of `procedure.settings` from keyword text, as a hand-written test gives it.

    `given` maps keys to text such as ``"0.05 A"``, to numbers, to yes or no (bool), or to a sequence of such.
    """
    section = Section({key: _as_node(value, place.below(key)) for key, value in given.items()}, place, place.line)
    model = _model(f"{procedure.name}_settings", procedure, _settings_fields(procedure))
    return _settings(procedure, read_section(model, section, axis=axis))


def limit_from(characteristic: Characteristic, text: str, axis: Axis) -> Limit:
    """The limit of a characteristic that `text` sets in a plan.

    Raises
    ------
    BadInput : where it is no such quantity.
    """
    field = _limit(characteristic)
    limit: Limit = field.with_axis(text, axis) if field.with_axis else field.convert(text)
    return limit


def _all_known(known: Mapping[str, Procedure] | None) -> Mapping[str, Procedure]:
    if known is not None:
        return known
    from stepwitness.procedures.registry import procedures

    return procedures()


def _plan_name(path: str) -> str:
    name = Path(path).name.removesuffix(SUFFIX).removesuffix(".yaml")
    if not re.fullmatch(r"[A-Za-z0-9_-]+", name):
        raise BadInput(
            "a plan's file name is its name",
            place=Place(path),
            found=quoted(name),
            allowed=f"letters A-Z a-z, digits, _ and - before {SUFFIX}",
        )
    return name


def _names_beside(path: Path) -> list[str]:
    try:
        return sorted(item.name for item in path.parent.iterdir())
    except OSError:
        return []


# -- one procedure -----------------------------------------------------------------------------------------


def _planned(
    item: Node, bench: BenchDescription, known: Mapping[str, Procedure], *, limits_due: bool
) -> PlannedProcedure:
    procedure, section = _named(item, known)
    given = "limits" in section.entries
    if not given and limits_due and not _near_limits(procedure, section):
        raise _without_limits(procedure, section.place)
    fields = _settings_fields(procedure) | _plan_fields(procedure)
    if not given and not limits_due:
        del fields["limits"]
    read = read_section(_model(procedure.name, procedure, fields), section, axis=bench.axis)
    settings = _settings(procedure, read)
    try:
        procedure.check(bench, settings)
    except BadInput as err:
        key = err.place.key if err.place else ""
        raise err.at(section.where(key) if key else section.place) from None
    return PlannedProcedure(
        id=read.id or procedure.name,  # type: ignore[attr-defined]
        procedure=procedure,
        settings=settings,
        limits=_limits(read.limits, section) if given else (),  # type: ignore[attr-defined]
        place=section.place,
        columns=_columns(getattr(read, "columns", None), section),
    )


def _columns(read: ColumnsSection | None, section: Section) -> dict[str, ReadColumn]:
    found: dict[str, ReadColumn] = {}
    for name in type(read).model_fields if read is not None else ():
        one = getattr(read, name)
        if one is not None:
            given = {key: value for key, value in one.model_dump().items() if value is not None}
            heading = given.pop("column")
            found[name] = ReadColumn(heading, **given, place=section.where("columns", name))
    return found


def _named(item: Node, known: Mapping[str, Procedure]) -> tuple[Procedure, Section]:
    """The procedure that a list item names, and its section."""
    if isinstance(item, Text):
        raise _without_limits(_known(item.value, item.place, known), item.place)
    if isinstance(item, Items):
        raise BadInput("a list where a procedure belongs", place=item.place, allowed=", ".join(known))
    if len(item.entries) != 1:
        keys = list(item.entries)
        raise BadInput(
            "a list item with more than one key" if keys else "a list item without a key",
            place=item.place,
            found=", ".join(keys),
            allowed="one procedure a list item",
            cure=f"indent its settings below '{keys[0]}:'" if keys and keys[0] in known else "",
        )
    ((name, section),) = item.entries.items()
    procedure = _known(name, section.place, known)
    if isinstance(section, Text) and not section.value:
        raise _without_limits(procedure, section.place)
    if not isinstance(section, Section):
        raise BadInput(f"{shape(section)} where settings and limits belong", place=section.place)
    return procedure, section


def _near_limits(procedure: Procedure, section: Section) -> str:
    """A key that was meant to be 'limits': it is told as an unknown one."""
    return near_miss("limits", set(section.entries) - set(settings_of(procedure.settings)))


def _known(name: str, place: Place, known: Mapping[str, Procedure]) -> Procedure:
    if name not in known:
        raise BadInput(
            f"an unknown procedure '{name}'",
            place=place,
            allowed=", ".join(known),
            cure=near_miss(name, known),
        )
    return known[name]


def _without_limits(procedure: Procedure, place: Place) -> BadInput:
    first = procedure.characteristics[0]
    return BadInput(
        f"the procedure '{procedure.name}' has no limits",
        place=place,
        allowed=", ".join(item.name for item in procedure.characteristics),
        cure=f"write such as {procedure.name}: {{limits: {{{first.name}: {_example(first)}}}}}",
    )


def _example(characteristic: Characteristic) -> str:
    return f"{split(characteristic.kind.example.split(', ')[0]).number} {characteristic.unit}".strip()


def _settings(procedure: Procedure, read: BaseModel) -> Any:
    declared = {name for name, _, _ in settings_of(procedure.settings).values()}
    given = {name.removeprefix(_PREFIX) for name in read.model_fields_set}
    return procedure.settings(**{name: getattr(read, _PREFIX + name) for name in sorted(given & declared)})


def _limits(read: BaseModel, section: Section) -> tuple[Limit, ...]:
    """The limits in the order of the file."""
    written = section.node("limits")
    if not isinstance(written, Section) or not written.entries:
        raise BadInput("no limit is set", place=section.where("limits"))
    found: list[Limit] = []
    for key, node in written.entries.items():
        limit: Limit = getattr(read, _PREFIX + key)
        found.append(replace(limit, place=node.place))
    return tuple(found)


def _as_node(value: Any, place: Place) -> Node:
    if isinstance(value, (list, tuple)):
        return Items(tuple(_as_node(item, place) for item in value), place)
    if isinstance(value, Mapping):
        return Section({str(key): _as_node(item, place) for key, item in value.items()}, place, place.line)
    return Text(str(setting_text(value)), place)


def setting_text(value: Any) -> str | list[Any]:
    """A setting that a test gave, as a plan would write it; a list of such for a sequence."""
    if isinstance(value, (list, tuple)):
        return [setting_text(item) for item in value]
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value).strip()


# -- models made from what a procedure declares ------------------------------------------------------------

_PREFIX = "x_"
"""Before each field's name, so that no setting's name meets one of pydantic's own."""


def _model(name: str, procedure: Procedure, fields: Mapping[str, Any]) -> type[BaseModel]:
    definitions: Any = fields
    return create_model(name, __base__=Strict, __doc__=procedure.title, **definitions)


def _settings_fields(procedure: Procedure) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, (name, setting, required) in settings_of(procedure.settings).items():
        default = ... if required else None
        found[_PREFIX + name] = (
            _setting_type(setting),
            Field(default, alias=key, description=setting.meaning),
        )
    return found


def _plan_fields(procedure: Procedure) -> dict[str, Any]:
    limits = {
        _PREFIX + item.name: (
            Annotated[Any, _limit(item)],
            Field(None, alias=item.name, description=f"{item.heading} ({item.sense.value}): {item.definition}."),
        )
        for item in procedure.characteristics
    }
    limits_model = _model(f"{procedure.name}_limits", procedure, limits)
    fields: dict[str, Any] = {
        "id": (Name, Field("", description="Name of this item where a procedure stands twice in the plan.")),
        "limits": (limits_model, Field(description="Limits of characteristics; at least one.")),
    }
    if procedure.from_file is not None:
        told = "Where another machine's readings stand in a CSV file; not used by a run."
        fields["columns"] = (ColumnsSection | None, Field(None, description=told))
    return fields


def _setting_type(setting: Setting) -> Any:
    one = _single(setting)
    if not setting.many:
        return Annotated[Any, one]
    schema = {"anyOf": [dict(one.schema), {"type": "array", "items": dict(one.schema), "minItems": 1}]}
    return Annotated[tuple[Annotated[Any, one], ...], BeforeValidator(_listed), WithJsonSchema(schema)]


def _listed(value: Any) -> Any:
    """One text where a list may stand is a list of one."""
    return [value] if isinstance(value, str) else value


def _single(setting: Setting) -> FromText:
    if setting.kind is not None:
        return quantity(setting.kind, at_least=setting.at_least, at_most=setting.at_most)
    if setting.choices:
        return word(setting.choices)
    if setting.type is bool:
        return yes_no()
    if setting.type is int:
        return whole(
            at_least=None if setting.at_least is None else int(setting.at_least),
            at_most=None if setting.at_most is None else int(setting.at_most),
        )
    if setting.type is float:
        return quantity(Kind.RATIO, at_least=setting.at_least, at_most=setting.at_most)
    return any_text()


def _limit(characteristic: Characteristic) -> FromText:
    kind = characteristic.kind

    def limit(bound: Fraction, text: str) -> Limit:
        if characteristic.magnitude and bound < 0:
            raise BadInput("a negative limit on a magnitude", found=quoted(text), allowed="0 or more")
        unit = split(text).unit
        bare_zero = not unit and kind not in (Kind.COUNT, Kind.RATIO)
        shown = characteristic.unit if bare_zero else STEP_UNITS.get(unit, unit)
        return Limit(characteristic, finite(bound, text), shown, text)

    def convert(text: str) -> Limit:
        return limit(exact(text, kind), text)

    def with_axis(text: str, axis: Axis) -> Limit:
        return limit(axis.travel(text), text)

    schema = quantity_schema(kind, steps=kind is Kind.TRAVEL)
    return FromText(convert, schema, with_axis if kind is Kind.TRAVEL else None)


def plan_schema(known: Mapping[str, Procedure] | None = None) -> dict[str, Any]:
    """JSON Schema of a plan file, with the settings and limits of every known procedure."""
    schema = PlanFile.model_json_schema(by_alias=True)
    definitions: dict[str, Any] = {}
    items: list[dict[str, Any]] = []
    for name, procedure in _all_known(known).items():
        model = _model(name, procedure, _settings_fields(procedure) | _plan_fields(procedure))
        section = model.model_json_schema(by_alias=True)
        definitions |= section.pop("$defs", {})
        definitions[f"{name}_limits"]["minProperties"] = 1
        definitions[name] = section
        items.append(
            {
                "type": "object",
                "properties": {name: {"$ref": f"#/$defs/{name}"}},
                "required": [name],
                "additionalProperties": False,
            }
        )
    schema["properties"]["procedures"]["items"] = {"oneOf": items}
    schema["$defs"] = schema.get("$defs", {}) | definitions
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": SUFFIX} | schema
