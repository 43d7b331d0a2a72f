"""How each protocol's replies go wrong in its own way, for `faults`: no I/O, and no physics.

The frames are those of our own stand-ins: register map and objects as `modbus_parts` and `cia402_node` have them.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass
from struct import pack, unpack

from stepwitness.standin.faults import Fault
from stepwitness.standin.hislip_protocol import HEADER, HEADER_SIZE
from stepwitness.standin.hislip_protocol import Kind as Message
from stepwitness.standin.modbus_protocol import Code, Function, crc
from stepwitness.standin.scpi_protocol import OVERRANGE, UNDEFINED_HEADER

_TAG = re.compile(rb"@(\d+) ")
_NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
_WHOLE = re.compile(rb"[-+]?\d+")
_NUMBERS_IN_A_STEP = re.compile(r"@\d+ ?|[-+]?\d[\d.e+-]*")
_MOST_32 = (1 << 31) - 1
_DRIVE, _COUNTER = 1, 2
"""Units of the stand-ins."""


@dataclass(frozen=True)
class TextDialect:
    """Lines of text; `tagged` ones tell whose reply is whose, `sealed` ones end in a checksum."""

    tagged: bool = True
    sealed: bool = False
    question: bytes = b"identity?\n"
    shared: bool = True
    self_checking: bool = True

    @property
    def faults(self) -> frozenset[Fault]:
        if self.sealed:
            return frozenset({Fault.WRONG_CHECKSUM, Fault.STALE})
        told = {Fault.STALE, Fault.WRONG_UNIT} if self.tagged else set()
        counted = {Fault.WRAP_16, Fault.WRAP_32}
        return frozenset({Fault.STUCK_BUSY, Fault.ERROR_REPLY, Fault.NOT_A_NUMBER, Fault.OVERRANGE, *counted, *told})

    def step(self, request: bytes) -> str:
        line = request.split(b"*")[0].decode(errors="replace")
        return _NUMBERS_IN_A_STEP.sub("", line).strip() or "line end"

    def moves(self, request: bytes) -> bool:
        return b"move by" in request or b"pulses" in request

    def tampered(self, fault: Fault, request: bytes, reply: bytes, dice: random.Random) -> bytes:
        del request
        match fault:
            case Fault.WRONG_CHECKSUM:
                return _altered(reply, dice)
            case Fault.WRONG_UNIT:
                return _TAG.sub(lambda tag: b"@%d " % (int(tag[1]) + 1), reply)
            case Fault.STUCK_BUSY:
                return reply.replace(b"resting", b"moving")
            case Fault.ERROR_REPLY:
                return _untagged(reply)[0] + b"refused: internal error 7\n"
            case Fault.OVERRANGE:
                return _untagged(reply)[0] + b"out of range\n"
            case Fault.NOT_A_NUMBER:
                tag, text = _untagged(reply)
                return tag + _NUMBER.sub(b"nan", text, count=1)
        return reply

    def counting(self, request: bytes, reply: bytes, change: Callable[[int], int]) -> bytes:
        del request
        tag, text = _untagged(reply)
        return tag + b"%d\n" % change(int(text)) if _WHOLE.fullmatch(text.strip()) else reply


def _altered(reply: bytes, dice: random.Random) -> bytes:
    """One character changed; a digit into another one, where there is any."""
    places = [at for at, byte in enumerate(reply) if chr(byte).isdigit()] or list(range(len(reply) - 1))
    at = dice.choice(places)
    return reply[:at] + bytes([reply[at] ^ 1]) + reply[at + 1 :]


def _untagged(reply: bytes) -> tuple[bytes, bytes]:
    tag = _TAG.match(reply)
    return (reply[: tag.end()], reply[tag.end() :]) if tag else (b"", reply)


@dataclass(frozen=True)
class ScpiDialect:
    """SCPI over a bare socket: lines without tags."""

    question: bytes = b"*IDN?\n"
    shared: bool = False
    self_checking: bool = True
    faults: frozenset[Fault] = frozenset({Fault.ERROR_REPLY, Fault.NOT_A_NUMBER, Fault.OVERRANGE})

    def step(self, request: bytes) -> str:
        return request.decode(errors="replace").strip()

    def moves(self, request: bytes) -> bool:
        return b"OUTP " in request

    def tampered(self, fault: Fault, request: bytes, reply: bytes, dice: random.Random) -> bytes:
        del request, dice
        texts = {
            Fault.ERROR_REPLY: UNDEFINED_HEADER,
            Fault.NOT_A_NUMBER: "9.91E37",
            Fault.OVERRANGE: OVERRANGE,
        }
        return texts[fault].encode() + b"\n" if fault in texts else reply

    def counting(self, request: bytes, reply: bytes, change: Callable[[int], int]) -> bytes:
        del request, change
        return reply


@dataclass(frozen=True)
class HislipDialect:
    """SCPI in messages with numbers."""

    question: bytes = b""
    shared: bool = False
    self_checking: bool = True
    faults: frozenset[Fault] = ScpiDialect().faults | {Fault.STALE, Fault.WRONG_UNIT}

    def step(self, request: bytes) -> str:
        kind, _, payload = _message(request)
        return payload.decode(errors="replace").strip() if kind == Message.DATA_END else Message(kind).name.lower()

    def moves(self, request: bytes) -> bool:
        return ScpiDialect().moves(request)

    def tampered(self, fault: Fault, request: bytes, reply: bytes, dice: random.Random) -> bytes:
        if len(reply) < HEADER_SIZE:
            return reply
        kind, number, payload = _message(reply)
        if kind != Message.DATA_END:
            return reply
        if fault is Fault.WRONG_UNIT:
            number = (number + 2) & 0xFFFF_FFFF
        payload = ScpiDialect().tampered(fault, request, payload, dice)
        return pack(HEADER, b"HS", kind, 0, number, len(payload)) + payload

    def counting(self, request: bytes, reply: bytes, change: Callable[[int], int]) -> bytes:
        del request, change
        return reply


def _message(data: bytes) -> tuple[int, int, bytes]:
    """Kind, number and payload."""
    _, kind, _, number, _ = unpack(HEADER, data[:HEADER_SIZE])
    return kind, number, data[HEADER_SIZE:]


@dataclass(frozen=True)
class ModbusDialect:
    """Modbus TCP, or RTU with its checks and without transaction numbers."""

    rtu: bool

    @property
    def faults(self) -> frozenset[Fault]:
        own = {Fault.WRONG_CHECKSUM} if self.rtu else {Fault.STALE}
        parts = {Fault.STUCK_BUSY, Fault.OVERRANGE, Fault.WRAP_16, Fault.WRAP_32}
        return frozenset({Fault.WRONG_UNIT, Fault.ERROR_REPLY, *own, *parts})

    @property
    def question(self) -> bytes:
        return self._closed(b"", _DRIVE, bytes((Function.DIAGNOSTICS, 0, 0, 0, 0)))

    @property
    def shared(self) -> bool:
        return self.rtu

    @property
    def self_checking(self) -> bool:
        return self.rtu

    def step(self, request: bytes) -> str:
        _, unit, body = self._opened(request)
        function, address = body[0], int.from_bytes(body[1:3], "big")
        if function == Function.DIAGNOSTICS:
            return f"unit {unit} echo"
        command = (
            f" = {int.from_bytes(body[6:8], 'big')}" if function == Function.WRITE_REGISTERS and not address else ""
        )
        return f"unit {unit} {Function(function).name.lower().replace('_', ' ')} {address:#x}{command}"

    def moves(self, request: bytes) -> bool:
        body = self._opened(request)[2]
        return body[0] == Function.WRITE_REGISTERS and body[1:3] == b"\0\0" and body[6:8] in (b"\0\x05", b"\0\x06")

    def tampered(self, fault: Fault, request: bytes, reply: bytes, dice: random.Random) -> bytes:
        if fault is Fault.WRONG_CHECKSUM:
            at = dice.randrange(len(reply))
            return reply[:at] + bytes([reply[at] ^ 1 << dice.randrange(8)]) + reply[at + 1 :]
        head, unit, body = self._opened(reply)
        match fault:
            case Fault.WRONG_UNIT:
                return self._closed(head, unit + 1, body)
            case Fault.ERROR_REPLY:
                return self._closed(head, unit, bytes((body[0] | 0x80, Code.FAILURE)))
            case Fault.STUCK_BUSY if unit == _DRIVE:
                return self._with_register(request, reply, 0, lambda words: [words[0] | 2])
            case Fault.OVERRANGE:
                place = 2 if unit == _DRIVE else 0
                return self._with_register(request, reply, place, lambda _: list(unpack(">HH", pack(">i", _MOST_32))))
        return reply

    def counting(self, request: bytes, reply: bytes, change: Callable[[int], int]) -> bytes:
        def changed(words: list[int]) -> list[int]:
            counts: int = unpack(">i", pack(">HH", *words[:2]))[0]
            return list(unpack(">HH", pack(">i", change(counts))))

        return self._with_register(request, reply, 0, changed) if self._opened(reply)[1] == _COUNTER else reply

    def _with_register(
        self, request: bytes, reply: bytes, address: int, change: Callable[[list[int]], list[int]]
    ) -> bytes:
        """The reply with what was read from input register `address` on changed, where it was."""
        asked, (head, unit, body) = self._opened(request)[2], self._opened(reply)
        if asked[0] != Function.READ_INPUT or body[0] != Function.READ_INPUT:
            return reply
        start, words = int.from_bytes(asked[1:3], "big"), list(unpack(f">{body[1] // 2}H", body[2 : 2 + body[1]]))
        at = address - start
        if not 0 <= at < len(words) - (address > 0):
            return reply
        new = change(words[at:])
        words[at : at + len(new)] = new
        return self._closed(head, unit, body[:2] + pack(f">{len(words)}H", *words))

    def _opened(self, frame: bytes) -> tuple[bytes, int, bytes]:
        """What stands before the unit, the unit, and what is neither it nor a check."""
        return (b"", frame[0], frame[1:-2]) if self.rtu else (frame[:6], frame[6], frame[7:])

    def _closed(self, head: bytes, unit: int, body: bytes) -> bytes:
        frame = bytes((unit,)) + body
        return frame + crc(frame) if self.rtu else head[:4] + pack(">H", len(frame)) + frame


_FRAME = re.compile(rb"t([0-9A-F]{3})8([0-9A-F]{16})\r")
_STATUSWORD, _POSITION, _VELOCITY = 0x6041, 0x6064, 0x606B
_TARGET_REACHED = 1 << 10
_GENERAL_ERROR = 0x08000000


@dataclass(frozen=True)
class SlcanDialect:
    """CANopen behind an adapter on a serial line."""

    question: bytes = b"t60184000100000000000\r"
    shared: bool = True
    self_checking: bool = True
    faults: frozenset[Fault] = frozenset(
        {Fault.WRONG_UNIT, Fault.STALE, Fault.STUCK_BUSY, Fault.ERROR_REPLY, Fault.OVERRANGE}
    )

    def step(self, request: bytes) -> str:
        frame = _FRAME.search(request)
        if frame is None:
            return "adapter"
        data = bytes.fromhex(frame[2].decode())
        if data[0] & 0xE0 in (0x60, 0x80):
            return "segment" if data[0] & 0xE0 == 0x60 else "abort"
        index = int.from_bytes(data[1:3], "little")
        read = data[0] & 0xE0 == 0x40
        word = f" = {int.from_bytes(data[4:6], 'little'):X}h" if index == 0x6040 and not read else ""
        return f"{'read' if read else 'write'} {index:X}h{word}"

    def moves(self, request: bytes) -> bool:
        del request
        return False  # set-points are edges: a word that comes twice is none

    def tampered(self, fault: Fault, request: bytes, reply: bytes, dice: random.Random) -> bytes:
        del request, dice

        def changed(frame: re.Match[bytes]) -> bytes:
            node, data = int(frame[1], 16), bytes.fromhex(frame[2].decode())
            index = int.from_bytes(data[1:3], "little")
            read = data[0] & 0xE0 == 0x40
            match fault:
                case Fault.WRONG_UNIT:
                    node += 1
                case Fault.ERROR_REPLY:
                    data = b"\x80" + data[1:4] + pack("<I", _GENERAL_ERROR)
                case Fault.STUCK_BUSY if read and index == _STATUSWORD:
                    data = data[:4] + pack("<H", unpack("<H", data[4:6])[0] & ~_TARGET_REACHED) + data[6:]
                case Fault.STUCK_BUSY if read and index == _VELOCITY:
                    data = data[:4] + pack("<i", 1)
                case Fault.OVERRANGE if read and index == _POSITION:
                    data = data[:4] + pack("<i", _MOST_32)
            return b"t%03X8%s\r" % (node, data.hex().upper().encode())

        return _FRAME.sub(changed, reply)

    def counting(self, request: bytes, reply: bytes, change: Callable[[int], int]) -> bytes:
        del request, change
        return reply


TEXT = TextDialect()
UNTAGGED = TextDialect(tagged=False)
SEALED = TextDialect(sealed=True)
SCPI = ScpiDialect()
HISLIP = HislipDialect()
MODBUS_TCP = ModbusDialect(rtu=False)
MODBUS_RTU = ModbusDialect(rtu=True)
SLCAN = SlcanDialect()
