"""Stand-ins on the wire, served from this process, so that what is true of them is at hand: for measurements and tests
of what happens to real parts. Nothing that judges an axis uses it.
"""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

from stepwitness.axis import Axis
from stepwitness.devices.clock import WallClock
from stepwitness.devices.part import Part
from stepwitness.standin.endpoints import serve, stand_ins
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.rig import Rig
from stepwitness.standin.serving import Server


@dataclass
class ServedRig:
    """A rig behind real wires.

    Attributes
    ----------
    parts : by role, as a catalog opens them. halts_s, moves : when a halt arrived (on the host's monotonic clock), and
    every move that the drive carried out, in microsteps.
    """

    rig: Rig
    parts: dict[str, Part]
    halts_s: list[float] = field(default_factory=list)
    moves: list[int] = field(default_factory=list)


@contextlib.contextmanager
def serve_rig(
    axis: Axis, stand_in: StandIn, roles: dict[str, dict[str, str]], *, over: str, scale: float = 1.0
) -> Iterator[ServedRig]:
    """Serve a rig from a thread of this process while the context lasts; `roles` holds the options of each part."""
    rig = Rig(axis, replace(stand_in, exchange_s=0.0), WallClock(scale))
    parts = stand_ins(rig, roles)
    served = ServedRig(rig, {})
    watch_drive(parts["drive"], rig, served)
    server = Server(keep_up=rig.advance)
    endpoints: dict[str, Any] = serve(server, parts, over=over)
    served.parts.update({role: Part(found["part"], found["options"]) for role, found in endpoints.items()})
    thread = threading.Thread(target=server.run, daemon=True, name="served rig")
    thread.start()
    try:
        yield served
    finally:
        server.stop()
        thread.join()
        server.close()


def watch_drive(drive: Any, rig: Rig, served: ServedRig) -> None:
    """Note each halt that arrives at `drive` and each move that its pulse generator starts."""
    halt, start_by = drive.halt, rig.generator.start_by

    def halted() -> None:
        served.halts_s.append(time.monotonic())
        halt()

    def started(microsteps: int, now_s: float) -> None:
        start_by(microsteps, now_s)
        served.moves.append(microsteps)

    drive.halt = halted
    rig.generator.start_by = started  # type: ignore[method-assign]


def as_real(text: str, parts: dict[str, Part], *, name: str, stop: str = "{by: drive}") -> str:
    """The text of a bench file of stand-ins, with real parts in their places and another name.

    Parameters
    ----------
    text : each section on lines of its own, a part's kind first in it, as our own benches are written.
    """
    text = re.sub(r"^name:.*$", f"name: {name}", text, flags=re.M)
    text = re.sub(r"^stand_in:.*\n?", "", text, flags=re.M)
    for role, part in parts.items():
        options = "".join(f', {key}: "{value}"' for key, value in part.options.items())
        text = re.sub(
            rf"^{role}: {{part: stand-in",
            lambda _, role=role, part=part, options=options: f"{role}: {{part: {part.kind}{options}",  # type: ignore[misc]
            text,
            flags=re.M,
        )
    return f"{text.rstrip()}\nstop: {stop}\n"
