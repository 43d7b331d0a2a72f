"""From a description to an open bench: stand-ins in process, stand-ins on the wire, or real parts."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from stepwitness.bench.description import BenchDescription, Part
from stepwitness.bench.live import Bench, Parts
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.interfaces import Clock
from stepwitness.errors import BadInput

if TYPE_CHECKING:
    from stepwitness.standin.rig import Rig

WAYS = ("process", "tcp", "serial", "modbus-tcp", "modbus-rtu", "canopen", "hislip")
"""How stand-ins are reached without real parts; `stepwitness.standin.endpoints` says what each puts on the wire."""

DEFAULT_SCALE = 3.0
"""How many times as fast as the wall a stand-in on the wire runs."""


def open_bench(
    description: BenchDescription, *, live: bool = False, over: str = "process", scale: float = DEFAULT_SCALE
) -> Bench:
    """Open every part of a bench.

    Parameters
    ----------
    live : True opens the real parts that the file names; motion is then real.
    over : how stand-ins are reached: "process" on virtual time, each other way through a server on loopback.
    scale : but for "process", how many times as fast as the wall time passes.

    Raises
    ------
    BadInput : real parts without `live`, stand-ins with it, or an unknown way.
    """
    if over not in WAYS:
        raise BadInput("an unknown way to reach stand-ins", found=f"'{over}'", allowed=", ".join(WAYS))
    if live:
        return _open_live(description)
    rig_parameters = description.stand_in
    if rig_parameters is None:
        raise BadInput(
            f"bench '{description.name}' names real parts",
            place=description.drive.place,
            allowed="'--live' for real motion, or a 'stand_in' section for a run without it",
        )
    if over == "process":
        from stepwitness.standin.rig import Rig

        clock = VirtualClock()
        rig = Rig(description.axis, rig_parameters, clock)
        return Bench(description, Parts.built(stand_in_parts(rig, description)), clock, simulated=True, over=over)
    from stepwitness.standin.client import start_server

    with contextlib.ExitStack() as stack:
        server = stack.enter_context(start_server(description.path, over=over, scale=scale))
        wall = WallClock(scale)
        built = _built(server.parts, description, wall)
        stack.push(_closing(built))
        release = stack.pop_all().close
    return Bench(description, Parts.built(built), wall, simulated=True, over=over, release=release)


def stand_in_parts(rig: Rig, description: BenchDescription) -> dict[str, Any]:
    """The stand-in for each part that the bench has."""
    makers = {
        "drive": lambda: rig.drive(closed_loop=description.drive.options.get("loop") == "closed"),
        "gauge": lambda: rig.gauge(sense=description.gauge.sense if description.gauge else 1),
        "counter": rig.counter,
        "meter": rig.meter,
        "supply": rig.supply,
        "brake": rig.brake,
        "drag": rig.drag,
        "inputs": rig.inputs,
    }
    return {role: makers[role]() for role in description.parts()}


def _open_live(description: BenchDescription) -> Bench:
    for role, part in description.parts().items():
        if part.kind == "stand-in":
            raise BadInput(
                f"'--live' with a stand-in for the {role}",
                place=part.place,
                allowed="real parts, or no '--live'",
            )
    clock = WallClock()
    with contextlib.ExitStack() as stack:
        built = _built(description.parts(), description, clock)
        stack.push(_closing(built))
        release = stack.pop_all().close
    return Bench(description, Parts.built(built), clock, simulated=False, over="live", release=release)


def _built(parts: Mapping[str, Part], description: BenchDescription, clock: Clock) -> dict[str, Any]:
    """Each part by the catalog; those already open are closed where a later one can't be opened."""
    from stepwitness.devices.catalog import build
    from stepwitness.devices.ports import check_ports

    check_ports(parts)
    built: dict[str, Any] = {}
    with contextlib.ExitStack() as stack:
        stack.push(_closing(built))
        for role in description.parts():
            built[role] = build(role, parts[role], description.axis, clock)
        stack.pop_all()
    return built


def _closing(built: dict[str, Any]) -> Any:
    """An exit callback that closes each part that can be closed."""

    def close(*_: object) -> None:
        for part in built.values():
            with contextlib.suppress(Exception):  # a dead link can't be closed politely, and the next one matters
                getattr(part, "close_link", lambda: None)()

    return close
