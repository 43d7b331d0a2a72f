"""From a part's name to the part: built-in implementations, and those of other packages by entry point.

An entry point in group ``stepwitness.drives``, ``.counters`` or ``.instruments`` names a callable that takes
the keywords ``part``, ``axis`` and ``clock`` and returns an object with the methods of its role (see
`interfaces`). Its name is what a bench file writes after ``part:``. An object that also has ``close_link()``
is closed with the bench.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from stepwitness.axis import Axis
from stepwitness.devices.interfaces import (
    Brake,
    Clock,
    Drag,
    Drive,
    EncoderCounter,
    Gauge,
    Inputs,
    Meter,
    Supply,
)
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput, near_miss

Factory = Callable[[Part, Clock], Any]

ROLES: Mapping[str, tuple[str, type]] = {
    "drive": ("stepwitness.drives", Drive),
    "counter": ("stepwitness.counters", EncoderCounter),
    "gauge": ("stepwitness.instruments", Gauge),
    "meter": ("stepwitness.instruments", Meter),
    "supply": ("stepwitness.instruments", Supply),
    "brake": ("stepwitness.instruments", Brake),
    "drag": ("stepwitness.instruments", Drag),
    "inputs": ("stepwitness.instruments", Inputs),
}
"""Entry point group and interface of each role."""


def build(role: str, part: Part, axis: Axis, clock: Clock) -> Any:
    """Open the `part` of a bench that plays `role`.

    Parameters
    ----------
    axis : for parts that speak in travel or turns. clock : the bench's, for deadlines.

    Raises
    ------
    BadInput : an unknown kind, options that can't be read, or a part that lacks a method of its role.
    DeviceError : where the part doesn't answer.
    """
    check_kind(role, part)
    built_in = _BUILT_IN[role].get(part.kind)
    if built_in is not None:
        return built_in(part, clock)
    group, interface = ROLES[role]
    entry, *others = entry_points(group=group, name=part.kind)
    if others:
        packages = sorted(one.dist.name for one in (entry, *others) if one.dist)
        raise BadInput(
            f"more than one package offers a {role} '{part.kind}'", place=part.place, found=", ".join(packages)
        )
    return _from_entry_point(entry, role, interface, part=part, axis=axis, clock=clock)


def check_kind(role: str, part: Part) -> None:
    """Raise `BadInput` where no part of this kind is installed for `role`; nothing of it is loaded."""
    if part.kind in _BUILT_IN[role]:
        return
    kinds = sorted({*_BUILT_IN[role], *(entry.name for entry in entry_points(group=ROLES[role][0]))})
    if part.kind not in kinds:
        raise BadInput(
            f"an unknown kind of {role}",
            place=part.place,
            found=f"'{part.kind}'",
            allowed=", ".join(kinds),
            cure=near_miss(part.kind, kinds),
        )


def _from_entry_point(entry: EntryPoint, role: str, interface: type, *, part: Part, axis: Axis, clock: Clock) -> Any:
    try:
        factory = entry.load()
    except (ImportError, AttributeError) as error:
        raise BadInput(f"part '{entry.name}' can't be loaded from {entry.value} ({error})", place=part.place) from error
    made = factory(part=part, axis=axis, clock=clock)
    missing = [name for name in _methods(interface) if not callable(getattr(made, name, None))]
    if missing:
        raise BadInput(
            f"part '{entry.name}' can't be a {role}",
            place=part.place,
            found=f"no method {', '.join(missing)}",
        )
    return made


def _methods(interface: type) -> list[str]:
    return sorted(name for name, item in vars(interface).items() if callable(item) and not name.startswith("_"))


# -- built-in kinds; their libraries are loaded only when one is opened --------------------------------


def _drive_over(module: str) -> Factory:
    def opened(part: Part, clock: Clock) -> Any:
        return import_module(f"stepwitness.devices.drives.{module}").open_drive(part, clock)

    return opened


def _counter_over(module: str) -> Factory:
    def opened(part: Part, clock: Clock) -> Any:
        return import_module(f"stepwitness.devices.counters.{module}").open_counter(part, clock)

    return opened


def _instrument(role: str) -> Factory:
    def opened(part: Part, clock: Clock) -> Any:
        from stepwitness.devices.instruments import text_line as instruments
        from stepwitness.devices.text_line import open_line

        kind, commands = instruments.BY_ROLE[role]
        return kind(open_line(part, clock, commands))

    return opened


def _scpi(role: str) -> Factory:
    def opened(part: Part, clock: Clock) -> Any:
        from stepwitness.devices.instruments import scpi

        return getattr(scpi, f"open_{role}")(part, clock.now)

    return opened


_BUILT_IN: Mapping[str, Mapping[str, Factory]] = {
    "drive": {
        "text-line": _drive_over("text_line"),
        "pulse-generator": _drive_over("pulse_generator"),
        "modbus": _drive_over("modbus"),
        "cia402": _drive_over("cia402"),
    },
    "counter": {"text-line": _counter_over("text_line"), "modbus": _counter_over("modbus")},
    "gauge": {"text-line": _instrument("gauge"), "scpi": _scpi("gauge")},
    "meter": {"scpi": _scpi("meter")},
    "supply": {"text-line": _instrument("supply"), "scpi": _scpi("supply")},
    "brake": {"text-line": _instrument("brake")},
    "drag": {"text-line": _instrument("drag")},
    "inputs": {"text-line": _instrument("inputs")},
}
