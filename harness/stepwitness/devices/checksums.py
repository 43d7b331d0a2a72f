"""Checksums by name, as data, and how a text line carries one.

A line with a checksum is ``text``, the mark, and the checksum of the bytes before the mark in hexadecimal:
``position?*5C``. Two digits a byte; a reader takes either case.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import reduce

from stepwitness.errors import BadInput, near_miss

BYTE = 8


@dataclass(frozen=True)
class Checksum:
    """A checksum of `bits` bits; `of` gives it for some bytes."""

    name: str
    bits: int
    of: Callable[[bytes], int]

    @property
    def digits(self) -> int:
        """Hexadecimal digits that it takes on a text line."""
        return self.bits // 4


@dataclass(frozen=True)
class Crc16:
    """Parameters of a 16-bit cyclic redundancy check without final inversion.

    `polynomial` is written without its highest term, lowest bit last. `reflected` says that bytes enter and the
    remainder leaves with their lowest bit first.
    """

    polynomial: int
    initial: int
    reflected: bool

    def of(self, data: bytes) -> int:
        if self.reflected:
            return self._lowest_first(data)
        rest = self.initial
        for byte in data:
            rest ^= byte << BYTE
            for _ in range(BYTE):
                rest = (rest << 1) ^ self.polynomial if rest & 0x8000 else rest << 1
                rest &= 0xFFFF
        return rest

    def _lowest_first(self, data: bytes) -> int:
        backwards = int(f"{self.polynomial:016b}"[::-1], 2)
        rest = self.initial
        for byte in data:
            rest ^= byte
            for _ in range(BYTE):
                rest = (rest >> 1) ^ backwards if rest & 1 else rest >> 1
        return rest


CRC16_MODBUS = Crc16(polynomial=0x8005, initial=0xFFFF, reflected=True)
"""Of a Modbus RTU frame, which carries it lowest byte first (Modbus over serial line 1.02, 6.2.2; from memory)."""

CRC16_CCITT = Crc16(polynomial=0x1021, initial=0xFFFF, reflected=False)
"""The polynomial of ITU-T V.41 with a start of FFFFh (common practice, no source)."""

CHECKSUMS: Mapping[str, Checksum] = {
    item.name: item
    for item in (
        Checksum("sum8", 8, lambda data: sum(data) & 0xFF),
        Checksum("xor8", 8, lambda data: reduce(lambda rest, byte: rest ^ byte, data, 0)),
        Checksum("crc16-modbus", 16, CRC16_MODBUS.of),
        Checksum("crc16-ccitt", 16, CRC16_CCITT.of),
    )
}
"""sum8: bytes added, modulo 256. xor8: bytes combined by exclusive or. The others: see `Crc16`."""


def checksum(name: str) -> Checksum:
    """The checksum called `name`.

    Raises
    ------
    BadInput : for a name that isn't one.
    """
    if name not in CHECKSUMS:
        raise BadInput(
            "no such checksum",
            found=f"'{name}'",
            allowed=", ".join(("none", *CHECKSUMS)),
            cure=near_miss(name, CHECKSUMS),
        )
    return CHECKSUMS[name]


@dataclass(frozen=True)
class Seal:
    """A checksum behind a text line, after `mark`."""

    checksum: Checksum
    mark: str = "*"

    def put(self, text: str) -> str:
        """`text` with its checksum."""
        value = self.checksum.of(text.encode("ascii", errors="replace"))
        return f"{text}{self.mark}{value:0{self.checksum.digits}X}"

    def take(self, line: str) -> str | None:
        """What stands before the checksum; None where that is missing or wrong."""
        text, mark, digits = line.rpartition(self.mark)
        if not mark or len(digits) != self.checksum.digits or not _is_hexadecimal(digits):
            return None
        return text if int(digits, 16) == self.checksum.of(text.encode("ascii", errors="replace")) else None


def fitting(line: str, mark: str = "*") -> str:
    """The name of the checksum that `line` ends in, or an empty text."""
    return next((name for name, item in CHECKSUMS.items() if Seal(item, mark).take(line) is not None), "")


def _is_hexadecimal(text: str) -> bool:
    return re.fullmatch("[0-9A-Fa-f]+", text) is not None
