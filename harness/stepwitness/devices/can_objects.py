"""Objects of a CANopen node: their place in the dictionary and their values as bytes. No I/O.

An object is written ``index:sub type [scale S]``, such as ``0x2001:0 uint16 scale 0.001`` (one unit on the wire is
0.001 of the quantity's own).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stepwitness.devices.errors import BadReply, Refused
from stepwitness.errors import BadInput

SIZES = {"uint8": 1, "int8": 1, "uint16": 2, "int16": 2, "uint32": 4, "int32": 4}
_ALLOWED = "such as '0x2001:0 uint16 scale 0.001'"


@dataclass(frozen=True)
class CanObject:
    """A whole number in the object dictionary; `scale` of the value per unit on the wire."""

    index: int
    sub: int
    kind: str
    scale: float = 1.0

    def __str__(self) -> str:
        return f"{self.index:04X}h:{self.sub:02X}"

    @property
    def size(self) -> int:
        return SIZES[self.kind]

    @property
    def bounds(self) -> tuple[int, int]:
        bits = 8 * self.size
        return (0, (1 << bits) - 1) if self.kind.startswith("u") else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)

    def decode(self, data: bytes) -> int:
        """The number on the wire. Longer data, as some nodes send, may only repeat the sign.

        Raises
        ------
        BadReply : for data that can't be this object's.
        """
        signed = not self.kind.startswith("u")
        if len(data) < self.size or len(data) > max(SIZES.values()):
            raise BadReply(f"object {self} came with {len(data)} bytes; expected {self.size}")
        value = int.from_bytes(data[: self.size], "little", signed=signed)
        rest = data[self.size :]
        if rest.strip(b"\0") and (value >= 0 or rest.strip(b"\xff")):
            raise BadReply(f"object {self} came as {data.hex(' ')}; expected {self.size} bytes")
        return value

    def encode(self, value: float) -> bytes:
        """The bytes of a value.

        Raises
        ------
        Refused : where it doesn't fit.
        """
        low, high = self.bounds
        raw = value / self.scale
        if not (math.isfinite(raw) and low <= round(raw) <= high):
            raise Refused(f"{value:g} doesn't fit object {self}: {low * self.scale:g} to {high * self.scale:g}")
        return round(raw).to_bytes(self.size, "little", signed=low < 0)


def can_object(text: str) -> CanObject:
    """The object that `text` describes.

    Raises
    ------
    BadInput : where it can't be one.
    """
    words = text.split()
    index, colon, sub = words[0].partition(":") if words else ("", "", "")
    try:
        if len(words) not in (2, 4) or words[1] not in SIZES or (len(words) == 4 and words[2] != "scale"):
            raise ValueError
        scale = float(words[3]) if len(words) == 4 else 1.0
        found = CanObject(int(index, 0), int(sub, 0) if colon else 0, words[1], scale)
        if not (0x1000 <= found.index <= 0xFFFF and 0 <= found.sub <= 0xFF and math.isfinite(scale) and scale > 0):
            raise ValueError
    except ValueError:
        raise BadInput("not an object of a CANopen node", found=f"'{text}'", allowed=_ALLOWED) from None
    return found
