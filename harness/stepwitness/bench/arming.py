"""Real parts move only where a person named their bench; otherwise they are read.

1. A bench is armed by its own name, so that a command line meant for one rig never moves another.
2. An armed bench says how it is stopped once this process is gone (`stop` in its file); envelope and safe state every
   bench file has to say anyway.
3. What isn't armed refuses every command before anything is sent, and says how it is armed.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import NotArmed
from stepwitness.errors import BadInput, near_miss

READS: Mapping[str, frozenset[str]] = {
    "drive": frozenset({"identity", "status", "position", "output", "loop_status", "halt"}),
    "supply": frozenset({"identity", "output", "voltage_v"}),
    "brake": frozenset({"identity", "is_closed"}),
    "drag": frozenset({"identity"}),
}
"""What an unarmed part may be asked, by role; a halt moves nothing. Parts of other roles only read anyway."""


def check_live(description: BenchDescription, live: Collection[str]) -> None:
    """Refuse a bench that `live` doesn't name, stand-ins under a name that it does, and one that can't be stopped.

    Parameters
    ----------
    live : names of the benches whose real parts may move; not empty.

    Raises
    ------
    BadInput : with the place to mend and the cure.
    """
    if description.name not in live:
        raise BadInput(
            "'--live' doesn't name this bench, and real and simulated benches don't mix in one run",
            place=description.drive.place,
            found=", ".join(live),
            allowed=f"'--live {description.name}'",
            cure=near_miss(description.name, live),
        )
    for role, part in description.parts().items():
        if part.kind == "stand-in":
            raise BadInput(
                f"'--live' with a stand-in for the {role}", place=part.place, allowed="real parts, or no '--live'"
            )
    if description.stop is None:
        raise BadInput(
            "the bench doesn't say how its axis is stopped once this process is gone, so real parts are only read",
            place=description.drive.place,
            allowed="a line such as 'stop: {by: drive}', or 'by: port', 'by: supply'",
        )


def only_read(description: BenchDescription) -> str:
    """Why the real parts of a bench that wasn't armed don't move, and how they are armed."""
    stop = "" if description.stop else ", once its file says 'stop: {by: drive}' or another way"
    return (
        f"bench '{description.name}' names real parts and is only read; arm it with '--live {description.name}'{stop}"
    )


class OnlyRead:
    """A part that isn't armed: reads pass, commands raise `NotArmed` and send nothing."""

    def __init__(self, part: Any, role: str, why: str) -> None:
        self._part, self._reads, self._why = part, READS[role], why

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._part, name)
        if name in self._reads:
            return found

        def refuse(*_: object, **__: object) -> None:
            raise NotArmed(f"{self._why} ({name.replace('_', ' ')} was refused; nothing was sent)")

        return refuse


def unarmed(by_role: Mapping[str, Any], why: str) -> dict[str, Any]:
    """The parts of a bench that isn't armed."""
    return {role: OnlyRead(part, role, why) if role in READS else part for role, part in by_role.items()}
