"""The `stand_in` section of a bench file: a preset's physics, and what differs from it.

1. Sections and keys are those of `stepwitness.standin.parameters`, without the unit at the end of a field's
   name; that unit says which kind of quantity belongs there.
2. What the bench file says elsewhere (stroke, orientation, stop, limit switch, gauge, brake) holds for its
   stand-in too, unless this section overrides it: a stand-in that differs from its bench has a defect, and the
   difference stands here.
"""

from __future__ import annotations

import typing
from dataclasses import Field as DataclassField
from dataclasses import fields, is_dataclass, replace
from typing import Annotated, Any

from pydantic import BaseModel, Field, create_model

from stepwitness.axis import Orientation
from stepwitness.bench.description import BenchDescription, ReferenceMethod
from stepwitness.devices.interfaces import Side
from stepwitness.errors import BadInput
from stepwitness.fields import Name, Strict, quantity, whole
from stepwitness.files import Section
from stepwitness.quantities import Kind
from stepwitness.standin import presets
from stepwitness.standin.batch import number_of, unit
from stepwitness.standin.checks import check
from stepwitness.standin.parameters import Ambient, Hand, StandIn

KIND_BY_SUFFIX = {
    "_m_per_s": Kind.SPEED,
    "_n_per_m": Kind.STIFFNESS,
    "_kgm2": Kind.INERTIA,
    "_nms": Kind.DAMPING,
    "_turns": Kind.ANGLE,
    "_ohm": Kind.RESISTANCE,
    "_nm": Kind.TORQUE,
    "_kg": Kind.MASS,
    "_m": Kind.TRAVEL,
    "_n": Kind.FORCE,
    "_a": Kind.CURRENT,
    "_s": Kind.TIME,
    "_v": Kind.VOLTAGE,
    "_h": Kind.INDUCTANCE,
    "_k": Kind.TEMPERATURE,
}
"""Kind of quantity by the unit at the end of a field's name, longest first; without one it is a ratio."""

_DERIVED = {"vertical"}
"""Fields that the axis decides and nobody writes."""

_HISTORIES: dict[str, type] = {"hands": Hand, "ambient": Ambient}
"""Fields that hold a list of what happens when."""


def key_and_kind(name: str) -> tuple[str, Kind]:
    """What a bench file calls the field `name`, and the kind of quantity that belongs there.

    >>> key_and_kind("stiffness_n_per_m")
    ('stiffness', <Kind.STIFFNESS: 'N/m'>)
    """
    for suffix, kind in KIND_BY_SUFFIX.items():
        if name.endswith(suffix):
            return name.removesuffix(suffix), kind
    return name, Kind.RATIO


def _definitions(cls: type, *, required: bool) -> dict[str, Any]:
    """Fields of a pydantic model for the dataclass `cls`; sections within it become models of their own."""
    types = typing.get_type_hints(cls)
    found: dict[str, Any] = {}
    for item in fields(cls):
        if item.name in _DERIVED or item.name in _HISTORIES:
            continue
        key, annotation = _annotation(item, types[item.name])
        found[f"{item.name}"] = (
            annotation if required else annotation | None,
            Field(... if required else None, alias=key),
        )
    return found


def _annotation(item: DataclassField[Any], held: Any) -> tuple[str, Any]:
    if is_dataclass(held):
        assert isinstance(held, type)
        return item.name, _model(held)
    if held is int:
        return item.name, Annotated[int, whole(at_least=0)]
    key, kind = key_and_kind(item.name)
    return key, Annotated[float, quantity(kind)]


def _model(cls: type, *, required: bool = False, **more: Any) -> type[BaseModel]:
    return create_model(
        f"StandIn{cls.__name__}" if cls is not StandIn else "StandInSection",
        __base__=Strict,
        __doc__=(cls.__doc__ or "").split("\n\n")[0],
        **_definitions(cls, required=required),
        **more,
    )


def _spread_model(cls: type) -> type[BaseModel]:
    """A share for each number of `cls`, sections within it likewise."""
    types = typing.get_type_hints(cls)
    found: dict[str, Any] = {}
    for item in fields(cls):
        if is_dataclass(types[item.name]):
            found[item.name] = (_spread_model(types[item.name]) | None, None)
        elif types[item.name] is float:
            key = key_and_kind(item.name)[0]
            share = Annotated[float, quantity(Kind.RATIO, at_least=0)]
            found[item.name] = (share | None, Field(None, alias=key))
    return create_model(
        f"Spread{cls.__name__}", __base__=Strict, __doc__="How much each number differs from unit to unit.", **found
    )


StandInSection: Any = _model(
    StandIn,
    preset=(Name | None, Field(None, description="A healthy axis to start from: 'doser', 'plate-lift'.")),
    spread=(
        _spread_model(StandIn) | None,
        Field(None, description="How much a number differs from unit to unit, as a share: screw: {backlash: 30 %}."),
    ),
    hands=(
        list[_model(Hand, required=True)],  # type: ignore[misc]
        Field([], description="Pushes on the load: from, to (bench time) and force, signed along travel."),
    ),
    ambient=(
        list[_model(Ambient, required=True)],  # type: ignore[misc]
        Field([], description="Warmth of the surroundings: from (bench time) and rise in K over the start."),
    ),
)
"""The pydantic model of the section."""


STOP_BEYOND_STROKE_M = 2e-3
"""How far beyond the stroke the hard stops of a stand-in are."""


def stand_in_from(section: Any, bench: BenchDescription) -> StandIn:
    """The stand-in of `bench`; `section` is a `StandInSection`, or None for all defaults.

    Raises
    ------
    BadInput : for an unknown preset, with the place left open.
    """
    physics = presets.preset(section.preset) if section is not None and section.preset else StandIn()
    physics = _as_the_bench_says(physics, bench)
    if section is None:
        return physics
    changed: StandIn = _overridden(physics, section)
    histories: dict[str, Any] = {
        name: tuple(made_of(**item.model_dump()) for item in getattr(section, name))
        for name, made_of in _HISTORIES.items()
    }
    return replace(changed, **histories)


def spread_from(section: Any) -> dict[str, float]:
    """By field (``"screw.backlash_m"``), the share by which it differs from unit to unit."""

    def shares(given: BaseModel, before: str) -> dict[str, float]:
        found: dict[str, float] = {}
        for name in sorted(given.model_fields_set):
            value = getattr(given, name)
            found |= shares(value, f"{before}{name}.") if isinstance(value, BaseModel) else {f"{before}{name}": value}
        return found

    return shares(section.spread, "") if section is not None and section.spread is not None else {}


def mounted(bench: BenchDescription) -> StandIn | None:
    """The stand-in of the unit that is mounted: where units differ, the one that its serial number draws."""
    if bench.stand_in is None or not bench.spread or not bench.axis_serial:
        return bench.stand_in
    return unit(bench.stand_in, bench.spread, number_of(bench.axis_serial))


def check_stand_in(bench: BenchDescription, tree: Section) -> None:
    """Raise `BadInput` where the bench's stand-in has a number that no axis could have, with its place in `tree`."""
    if bench.stand_in is None:
        return
    try:
        check(bench.axis, bench.stand_in)
    except BadInput as err:
        raise err.at(tree.where(*_path(err.place.key if err.place else "stand_in"))) from None


def _path(field_name: str) -> list[str | int]:
    """Keys of the bench file that lead to a field, given its dotted name as `check` says it."""
    return [int(name) - 1 if name.isdigit() else key_and_kind(name)[0] for name in field_name.split(".")]


def _as_the_bench_says(physics: StandIn, bench: BenchDescription) -> StandIn:
    axis, gauge, reference = bench.axis, bench.gauge, bench.reference
    stroke_m = float(axis.stroke)
    stops = {Side.LOW: -STOP_BEYOND_STROKE_M, Side.HIGH: stroke_m + STOP_BEYOND_STROKE_M}
    if bench.blocked is not None:
        stops[bench.blocked.side] = bench.blocked.at_m
    switches = {Side.LOW: 0.0, Side.HIGH: stroke_m}
    if reference.method is ReferenceMethod.LIMIT_SWITCH:
        switches[reference.side] = reference.at_m
    load = replace(
        physics.load,
        vertical=axis.orientation is Orientation.VERTICAL,
        stop_low_m=stops[Side.LOW],
        stop_high_m=stops[Side.HIGH],
    )
    parts: dict[str, Any] = {}
    if gauge is not None:
        parts["gauge"] = replace(
            physics.gauge,
            resolution_m=gauge.resolution_m,
            range_m=gauge.range_m,
            zero_at_m=gauge.zero_at_m,
            measuring_force_n=gauge.measuring_force_n,
        )
    if bench.brake is not None:
        parts["brake"] = replace(physics.brake, closing_delay_s=bench.brake.closing_delay_s)
    return replace(
        physics,
        load=load,
        limit_low_m=switches[Side.LOW],
        limit_high_m=switches[Side.HIGH],
        start_m=stroke_m / 2,
        **parts,
    )


def _overridden(value: Any, section: Any) -> Any:
    """`value` (a dataclass) with every field that `section` sets, sections within it likewise."""
    changes: dict[str, Any] = {}
    for name in section.model_fields_set & {item.name for item in fields(value)}:
        given = getattr(section, name)
        if name in _HISTORIES:
            continue
        changes[name] = _overridden(getattr(value, name), given) if isinstance(given, BaseModel) else given
    return replace(value, **changes)
