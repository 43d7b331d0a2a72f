"""From a description to an open bench: stand-ins in process, stand-ins on the wire, or real parts."""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from stepwitness.bench.arming import check_live, only_read
from stepwitness.bench.description import BenchDescription, Part, Use
from stepwitness.bench.errors import SafeStateError
from stepwitness.bench.identities import check_identities
from stepwitness.bench.live import Bench, Parts
from stepwitness.bench.ownership import forget, held_to_read, left_unsafe
from stepwitness.bench.sentinel import Sentinel
from stepwitness.bench.stand_in import mounted
from stepwitness.bench.ways import way_to_stand_ins
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.interfaces import Clock
from stepwitness.errors import StepwitnessError

if TYPE_CHECKING:
    from stepwitness.standin.rig import Rig

_log = logging.getLogger(__name__)

DEFAULT_SCALE = 3.0
"""How many times as fast as the wall a stand-in on the wire runs."""


def open_bench(
    description: BenchDescription,
    *,
    live: Collection[str] = (),
    over: str = "",
    scale: float = DEFAULT_SCALE,
) -> Bench:
    """Open every part of a bench: real parts where `live` names it, else its stand-ins; real parts to be read alone
    where it has no stand-ins.

    Parameters
    ----------
    live : names of the benches whose real parts may move.
    over : how stand-ins are reached, one of `ways.WAYS`: "process" on virtual time, each other way through a server
        on loopback; empty for what the bench file says.
    scale : but for "process", how many times as fast as the wall time passes.

    Raises
    ------
    BadInput : `live` without this bench's name, stand-ins under it, no way to stop, or an unknown way.
    BenchHeld : another owner has it, or the sentinel of one that died. Unguarded : no sentinel stands.
    SafeStateError : left unsafe by an earlier owner, and not to be made safe now.
    """
    over = way_to_stand_ins(description, over)
    if isinstance(live, str):
        live = (live,)
    if live:
        check_live(description, live)
        return _open_live(description)
    rig_parameters = mounted(description)
    if rig_parameters is None:
        return _open_to_read(description)
    if over == Use.PROCESS.value:
        from stepwitness.standin.rig import Rig

        clock = VirtualClock()
        rig = Rig(description.axis, rig_parameters, clock)
        parts = Parts.built(stand_in_parts(rig, description))
        check_identities(description, parts, simulated=True)
        return Bench(description, parts, clock, simulated=True, over=over)
    from stepwitness.standin.client import start_server

    with contextlib.ExitStack() as stack:
        server = stack.enter_context(
            start_server(description.path, over=over, scale=scale, serial=description.axis_serial)
        )
        wall = WallClock(scale)
        built = _built(server.parts, description, wall)
        stack.push(_closing(built))
        parts = Parts.built(built)
        check_identities(description, parts, simulated=True)
        release = stack.pop_all().close
    return Bench(description, parts, wall, simulated=True, over=over, release=release)


def not_opened(description: BenchDescription, error: Exception) -> StepwitnessError:
    """Why a bench couldn't be opened, in one line.

    What a part's own code raised goes to the log with its traceback, for whoever wrote that part.
    """
    if isinstance(error, StepwitnessError):
        return error
    _log.error("opening bench '%s' failed", description.name, exc_info=error)
    return StepwitnessError(f"bench '{description.name}' can't be opened: {type(error).__name__}: {error}")


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
    """Real parts that may move: after an earlier owner's safe state, and under the eyes of a sentinel."""
    unsafe = left_unsafe(description.name)
    clock = WallClock()
    with contextlib.ExitStack() as stack:
        built = _built(description.parts(), description, clock)
        stack.push(_closing(built))
        if unsafe:
            _make_safe(description, built, clock, unsafe)
        sentinel = Sentinel(description, built)
        stack.callback(sentinel.disarm)
        parts = Parts.built(built)
        parts.identities()
        check_identities(description, parts, simulated=False)
        stack.pop_all()
    return Bench(
        description,
        parts,
        clock,
        simulated=False,
        over="live",
        release=_closing(built),
        sentinel=sentinel,
    )


def _make_safe(description: BenchDescription, built: Mapping[str, Any], clock: Clock, unsafe: str) -> None:
    """Bring about the safe state that an earlier owner, and its sentinel, didn't; nothing else moves before."""
    try:
        Bench(description, Parts.built(built), clock, simulated=False, over="live").to_safe_state()
    except SafeStateError as error:
        raise SafeStateError(f"{error}; the bench was left so by {unsafe}") from None
    forget(description.name)


def _open_to_read(description: BenchDescription) -> Bench:
    """Real parts that are only read: by one owner at a time too, as two would swap each other's replies.

    An axis that an earlier owner left is halted, which moves nothing; its safe state is for an owner that may move.
    """
    clock = WallClock()
    with contextlib.ExitStack() as stack:
        unsafe = stack.enter_context(held_to_read(description.name))
        built = _built(description.parts(), description, clock)
        stack.push(_closing(built))
        why = only_read(description)
        if unsafe:
            built["drive"].halt()
            why = f"{why}; the axis was left by {unsafe}, and is halted"
        parts = Parts.built(built)
        check_identities(description, parts, simulated=False)
        release = stack.pop_all().close
    return Bench(description, parts, clock, simulated=False, over="live", release=release, only_read=why)


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
