"""Modbus registers as text, and their values as words: no I/O and no Modbus library here.

A register is written ``space address [type] [word order] [scale S] [bit N]``::

    input 0x0002 int32                      two input registers, the high word first
    holding 0x0014 uint16 scale 0.001       one unit on the wire is 0.001 of the quantity's own
    holding 7 float32 little-word           the low word first
    input 0x0000 bit 3                      bit 3 (from 0) of one register
    coil 4
    input 0x0100 text40                     80 characters in 40 registers

What is written is a script: requests with ``then`` between them, and in a request ``register = value`` of adjacent
registers with ``+`` between them, which go out as one write::

    holding 0 = 5 + holding 1 int32 = value
    holding 0x0010 int32 = value then holding 0x0000 = 3

A value is a number, or the name of what is written (``value``, ``window`` …).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from itertools import pairwise
from struct import pack, unpack

from stepwitness.devices.errors import BadReply, OutOfRange, Refused
from stepwitness.errors import BadInput

WORD_BITS = 16
MOST_TEXT = 120
MOST_IN_A_WRITE = 123
_SIZES = {"bit": 1, "uint16": 1, "int16": 1, "uint32": 2, "int32": 2, "float32": 2}
_BOUNDS = {
    "bit": (0, 1),
    "uint16": (0, 2**16 - 1),
    "int16": (-(2**15), 2**15 - 1),
    "uint32": (0, 2**32 - 1),
    "int32": (-(2**31), 2**31 - 1),
}
_ALLOWED = "such as 'holding 0x0010 int32 big-word', 'input 0 bit 3', 'holding 4 uint16 scale 0.001', 'coil 2'"


class Space(Enum):
    """The four tables of a Modbus unit."""

    HOLDING = "holding"
    INPUT = "input"
    COIL = "coil"
    DISCRETE = "discrete"

    @property
    def of_bits(self) -> bool:
        return self in (Space.COIL, Space.DISCRETE)


class WordOrder(Enum):
    """Which word of a 32-bit value comes first."""

    HIGH_FIRST = "big-word"
    LOW_FIRST = "little-word"


Value = int | float | str


@dataclass(frozen=True)
class Register:
    """One value in a Modbus unit.

    Attributes
    ----------
    space, address : where it starts. kind : "bit", "uint16", "int32" and so on, or "text" with `size` registers.
    order : of the words. scale : of the value per unit on the wire. bit : of a word, or None.
    """

    space: Space
    address: int
    kind: str = "uint16"
    order: WordOrder = WordOrder.HIGH_FIRST
    scale: float = 1.0
    bit: int | None = None
    size: int = 1

    def __str__(self) -> str:
        return f"{self.space.value} 0x{self.address:04x} {self.kind}"

    def decode(self, words: Sequence[int]) -> Value:
        """The value that `words`, `size` of them, stand for.

        Raises
        ------
        BadReply : for another number of words. OutOfRange : for a float that isn't finite.
        """
        if len(words) != self.size or not all(0 <= word < 1 << WORD_BITS for word in words):
            raise BadReply(f"{self}: {len(words)} words came back; expected {self.size}")
        if self.bit is not None:
            return words[0] >> self.bit & 1
        if self.kind == "text":
            raw = b"".join(word.to_bytes(2, "big") for word in words)
            return raw.partition(b"\0")[0].decode("ascii", errors="backslashreplace").strip()
        raw = b"".join(word.to_bytes(2, "big") for word in self._ordered(words))
        if self.kind == "float32":
            value: float = unpack(">f", raw)[0] * self.scale
            if not math.isfinite(value):
                raise OutOfRange(f"{self} reads {value}")
            return value
        whole = int.from_bytes(raw, "big", signed=self.kind.startswith("int"))
        return whole if self.scale == 1.0 else whole * self.scale

    def encode(self, value: float) -> list[int]:
        """The words that stand for `value`.

        Raises
        ------
        Refused : for one that doesn't fit.
        """
        raw = value / self.scale
        if not math.isfinite(raw) and self.kind != "float32":
            raise Refused(f"{value:g} doesn't fit {self}")
        if self.kind == "float32":
            try:
                data = pack(">f", raw)
            except OverflowError:
                raise Refused(f"{value:g} doesn't fit {self}") from None
        else:
            low, high = _BOUNDS[self.kind]
            whole = round(raw)
            if not low <= whole <= high:
                raise Refused(f"{value:g} doesn't fit {self}: {low * self.scale:g} to {high * self.scale:g}")
            data = whole.to_bytes(2 * self.size, "big", signed=low < 0)
        words = [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]
        return self._ordered(words)

    def other_order(self) -> Register:
        """The same register with its words the other way round."""
        swapped = WordOrder.LOW_FIRST if self.order is WordOrder.HIGH_FIRST else WordOrder.HIGH_FIRST
        return replace(self, order=swapped)

    def _ordered(self, words: Sequence[int]) -> list[int]:
        return list(words if self.order is WordOrder.HIGH_FIRST else reversed(words))


@dataclass(frozen=True)
class Assignment:
    """A register and what is written to it: a number, or the name of a value."""

    register: Register
    value: float | str


@dataclass(frozen=True)
class Script:
    """Writes, in order. Each is a run of adjacent registers that goes out as one request."""

    requests: tuple[tuple[Assignment, ...], ...]

    @property
    def fields(self) -> frozenset[str]:
        """Names of the values that it needs."""
        return frozenset(item.value for request in self.requests for item in request if isinstance(item.value, str))

    def writes(self, **values: float) -> list[tuple[Register, list[int]]]:
        """First register and words of each request."""
        return [
            (
                request[0].register,
                [
                    word
                    for item in request
                    for word in item.register.encode(values[item.value] if isinstance(item.value, str) else item.value)
                ],
            )
            for request in self.requests
        ]


def register(text: str) -> Register:
    """The register that `text` describes.

    Raises
    ------
    BadInput : where it can't be one.
    """
    words = text.split()
    if len(words) < 2:
        raise BadInput("not a register", found=f"'{text}'", allowed=_ALLOWED)
    try:
        space = Space(words[0])
        address = int(words[1], 0)
    except ValueError:
        raise BadInput("not a register", found=f"'{text}'", allowed=_ALLOWED) from None
    found = Register(space, address, "bit" if space.of_bits else "uint16")
    rest = iter(words[2:])
    for word in rest:
        found = _refined(found, word, rest, text)
    if not 0 <= address <= 0x10000 - found.size:
        raise BadInput("an address beyond 0 to 0xffff", found=f"'{text}'")
    if space.of_bits != (found.kind == "bit" and found.bit is None):
        raise BadInput("coils and discrete inputs are bits, registers aren't", found=f"'{text}'", allowed=_ALLOWED)
    return found


def _refined(found: Register, word: str, rest: Iterator[str], text: str) -> Register:
    """`found` with one more word of its description; a word that needs a number takes that from `rest`."""
    try:
        if word in _SIZES and word != "bit":
            return replace(found, kind=word, size=_SIZES[word])
        if word.startswith("text") and 1 <= int(word[4:]) <= MOST_TEXT:
            return replace(found, kind="text", size=int(word[4:]))
        if word in ("big-word", "little-word"):
            return replace(found, order=WordOrder(word))
        if word == "scale" and math.isfinite(scale := float(next(rest, ""))) and scale != 0:
            return replace(found, scale=scale)
        if word == "bit" and 0 <= (bit := int(next(rest, ""))) < WORD_BITS and not found.space.of_bits:
            return replace(found, kind="bit", bit=bit)
    except ValueError:
        pass
    raise BadInput(f"'{word}' doesn't belong to a register", found=f"'{text}'", allowed=_ALLOWED)


def script(text: str) -> Script:
    """The script that `text` describes.

    Raises
    ------
    BadInput : where it can't be one, or where registers that should go out together aren't adjacent.
    """
    return Script(tuple(_request(part, text) for part in text.split(" then ")))


def _request(text: str, whole: str) -> tuple[Assignment, ...]:
    items = tuple(_assignment(part, whole) for part in text.split(" + "))
    for first, second in pairwise(items):
        if (
            first.register.space is not Space.HOLDING
            or second.register.space is not Space.HOLDING
            or second.register.address != first.register.address + first.register.size
        ):
            raise BadInput(
                "registers that aren't adjacent can't go out as one write", found=f"'{text}'", allowed="'then' between"
            )
    if sum(item.register.size for item in items) > MOST_IN_A_WRITE:
        raise BadInput("more registers than one write takes", found=f"'{whole}'", allowed=str(MOST_IN_A_WRITE))
    return items


def _assignment(text: str, whole: str) -> Assignment:
    left, sign, right = (part.strip() for part in text.partition("="))
    if not sign or not right:
        raise BadInput("nothing is written", found=f"'{whole}'", allowed="such as 'holding 0 = 5'")
    target = register(left)
    if target.space not in (Space.HOLDING, Space.COIL) or target.bit is not None or target.kind == "text":
        raise BadInput("only holding registers and coils can be written", found=f"'{left}'")
    if right.isidentifier():
        return Assignment(target, right)
    try:
        value = float(int(right, 0))
    except ValueError:
        try:
            value = float(right)
        except ValueError:
            raise BadInput("neither a number nor a name", found=f"'{right}'") from None
    try:
        target.encode(value)
    except Refused as error:
        raise BadInput(str(error), found=f"'{right}'") from None
    return Assignment(target, value)


def spans(registers: Sequence[Register]) -> list[tuple[Space, int, int]]:
    """Space, first address and number of registers of the reads that cover `registers`: adjacent ones share a read."""
    found: list[tuple[Space, int, int]] = []
    for item in sorted(registers, key=lambda item: (item.space.value, item.address)):
        space, start, count = found[-1] if found else (item.space, -1, 0)
        end = item.address + item.size
        if found and item.space is space and item.address <= start + count and end - start <= MOST_TEXT:
            found[-1] = (space, start, max(count, end - start))
        else:
            found.append((item.space, item.address, item.size))
    return found


class Reads:
    """Registers that are read together, with the reads that cover them: planned once, as it is done often."""

    def __init__(self, registers: Mapping[str, Register]) -> None:
        self._planned: list[tuple[tuple[Space, int, int], list[tuple[str, Register, int]]]] = []
        for space, start, count in spans(list(registers.values())):
            inside = [
                (name, item, item.address - start)
                for name, item in registers.items()
                if item.space is space and start <= item.address and item.address + item.size <= start + count
            ]
            self._planned.append(((space, start, count), inside))

    def values(self, read: Callable[[Space, int, int], Sequence[int]]) -> dict[str, Value]:
        """The value of each register; `read` is asked for the words of each span."""
        found: dict[str, Value] = {}
        for span, inside in self._planned:
            words = read(*span)
            for name, item, at in inside:
                found[name] = item.decode(words[at : at + item.size])
        return found
