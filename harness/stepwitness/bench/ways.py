"""How the stand-ins of a bench are reached: in this process, or served on this machine over a wire."""

from __future__ import annotations

from stepwitness.bench.description import BenchDescription, Part, Use
from stepwitness.errors import BadInput, near_miss

WAYS = tuple(use.value for use in Use if use is not Use.WIRE)
"""`stepwitness.standin.endpoints` says what each but the first puts on the wire."""


def way_to_stand_ins(description: BenchDescription, asked: str = "") -> str:
    """One of `WAYS`: what is `asked` for, or else what the bench file says.

    Raises
    ------
    BadInput : for an unknown way.
    """
    way = asked or description.use.value
    if way == Use.WIRE.value:
        return _spoken_by(description.drive).value
    if way not in WAYS:
        allowed, cure = ", ".join(WAYS), near_miss(way, WAYS)
        raise BadInput("an unknown way to reach stand-ins", found=f"'{way}'", allowed=allowed, cure=cure)
    return way


def _spoken_by(drive: Part) -> Use:
    if drive.kind == "modbus":
        over_a_socket = drive.options.get("port", "").startswith(("socket:", "rfc2217:"))
        return Use.MODBUS_TCP if over_a_socket else Use.MODBUS_RTU
    return Use.CANOPEN if drive.kind == "cia402" else Use.TCP
