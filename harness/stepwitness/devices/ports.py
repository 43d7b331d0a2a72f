"""Which parts of a bench may share a port: units on one Modbus line and nodes on one CAN bus, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping

from stepwitness.devices.part import Part
from stepwitness.errors import BadInput

LINES = ("text-line", "pulse-generator")
"""Kinds whose port belongs to one part alone."""
BUSES = {"modbus": ("port", "unit", "1"), "cia402": ("channel", "node", "")}
"""Kinds that share a port: its option, the option that tells parts apart, and the default of that."""


def check_ports(parts: Mapping[str, Part]) -> None:
    """Refuse two parts on one port that can't share it.

    Parameters
    ----------
    parts : by role. Kinds of other packages are left alone: only they know what they share.

    Raises
    ------
    BadInput : for the second part of such a pair.
    """
    seen: dict[str, tuple[str, Part]] = {}
    for role, part in parts.items():
        if part.kind not in LINES and part.kind not in BUSES:
            continue
        key, of_bus, default = BUSES.get(part.kind, ("port", "", ""))
        port = part.options.get(key, "").casefold()
        if not port:
            continue
        other_role, other = seen.setdefault(port, (role, part))
        if other_role == role:
            continue
        shown = f"'{part.options[key]}' of the {other_role} too"
        at = part.place.below(key)
        if part.kind != other.kind or part.kind in LINES:
            raise BadInput("two parts on one port", place=at, found=shown, allowed="a port of its own for each")
        taken = {
            held.options.get(of_bus, default): name
            for name, held in parts.items()
            if name != role and held.kind == part.kind and held.options.get(key, "").casefold() == port
        }
        number = part.options.get(of_bus, default)
        if number in taken:
            raise BadInput(
                f"two parts with one {of_bus} on one port",
                place=part.place.below(of_bus),
                found=f"{of_bus} {number} of the {taken[number]} too",
                allowed=f"a {of_bus} of its own for each",
            )
