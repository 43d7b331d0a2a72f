"""What the stand-ins say on Modbus: the server's side of RTU and TCP, no I/O.

1. A unit is a `Bank` of registers and coils, each read and written through functions; addresses that it lacks are
   refused with an exception reply, as is what the part behind them refuses.
2. RTU: a frame is taken by its length and its CRC; bytes that make no frame are dropped one by one, so that the next
   whole frame is found; after a silence what came before it is dropped too. Frames for other units, and broadcasts,
   have no reply.
3. TCP: a header that isn't one drops what has arrived.
4. A write of several registers is done as a whole or not at all, as far as addresses go.

Functions and codes as in Modbus Application Protocol 1.1b3 (from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from struct import pack, unpack

from stepwitness.devices.checksums import CRC16_MODBUS
from stepwitness.devices.errors import DeviceError

LONGEST_RTU = 256
GAP_S = 0.05
"""Silence that ends a frame. Far more than the 3.5 characters of the standard: a host's process isn't a UART."""
MOST_REGISTERS = 125
MOST_COILS = 2000
ON = 0xFF00


class Function(IntEnum):
    """Function codes that the stand-ins know."""

    READ_COILS = 1
    READ_DISCRETE = 2
    READ_HOLDING = 3
    READ_INPUT = 4
    WRITE_COIL = 5
    WRITE_REGISTER = 6
    DIAGNOSTICS = 8
    WRITE_REGISTERS = 16


class Code(IntEnum):
    """Exception codes that they answer with."""

    FUNCTION = 1
    ADDRESS = 2
    VALUE = 3
    FAILURE = 4


class Refusal(Exception):
    """An exception reply."""

    def __init__(self, code: Code) -> None:
        super().__init__(code.name)
        self.code = code


@dataclass
class Bank:
    """Registers and coils of one unit.

    Attributes
    ----------
    inputs : values of a block of input registers by its first address, read afresh for each request.
    holding : the same for holding registers. writes : what takes the words of a block of holding registers, by its
    first address and number of registers. coils : reader and writer of a coil by its address.
    """

    inputs: Mapping[int, Callable[[], Sequence[int]]] = field(default_factory=dict)
    holding: Mapping[int, Callable[[], Sequence[int]]] = field(default_factory=dict)
    writes: Mapping[tuple[int, int], Callable[[Sequence[int]], object]] = field(default_factory=dict)
    coils: Mapping[int, tuple[Callable[[], bool], Callable[[bool], object]]] = field(default_factory=dict)

    def answer(self, request: bytes) -> bytes:
        """The reply to a request, both without address and checksum."""
        try:
            return self._answer(request)
        except Refusal as refusal:
            return bytes((request[0] | 0x80, refusal.code))
        except (DeviceError, ValueError, OverflowError):
            return bytes((request[0] | 0x80, Code.FAILURE))

    def _answer(self, request: bytes) -> bytes:
        function, body = request[0], request[1:]
        if function in (Function.READ_HOLDING, Function.READ_INPUT):
            start, count = _two_words(body)
            blocks = self.holding if function == Function.READ_HOLDING else self.inputs
            return _read_registers(function, blocks, start, count)
        if function in (Function.READ_COILS, Function.READ_DISCRETE):
            return self._read_coils(function, *_two_words(body))
        if function == Function.WRITE_COIL:
            address, value = _two_words(body)
            if value not in (0, ON):
                raise Refusal(Code.VALUE)
            if address not in self.coils:
                raise Refusal(Code.ADDRESS)
            self.coils[address][1](value == ON)
            return request
        if function == Function.WRITE_REGISTER:
            address, value = _two_words(body)
            self._write(address, [value])
            return request
        if function == Function.WRITE_REGISTERS:
            return self._write_registers(request)
        if function == Function.DIAGNOSTICS and body[:2] == b"\0\0":
            return request
        raise Refusal(Code.FUNCTION)

    def _write_registers(self, request: bytes) -> bytes:
        if len(request) < 6:
            raise Refusal(Code.VALUE)
        start, count, size = unpack(">HHB", request[1:6])
        data = request[6:]
        if size != 2 * count or len(data) != size or not count:
            raise Refusal(Code.VALUE)
        self._write(start, list(unpack(f">{count}H", data)))
        return request[:5]

    def _write(self, start: int, words: Sequence[int]) -> None:
        take = self.writes.get((start, len(words)))
        if take is None:
            raise Refusal(Code.ADDRESS)
        take(words)

    def _read_coils(self, function: int, start: int, count: int) -> bytes:
        if not 1 <= count <= MOST_COILS:
            raise Refusal(Code.VALUE)
        if any(address not in self.coils for address in range(start, start + count)):
            raise Refusal(Code.ADDRESS)
        data = bytearray((count + 7) // 8)
        for place in range(count):
            if self.coils[start + place][0]():
                data[place // 8] |= 1 << place % 8
        return bytes((function, len(data))) + data


def _two_words(body: bytes) -> tuple[int, int]:
    if len(body) != 4:
        raise Refusal(Code.VALUE)
    first, second = unpack(">HH", body)
    return first, second


def _read_registers(function: int, blocks: Mapping[int, Callable[[], Sequence[int]]], start: int, count: int) -> bytes:
    if not 1 <= count <= MOST_REGISTERS:
        raise Refusal(Code.VALUE)
    words: list[int] = []
    while len(words) < count:
        found = _block_at(blocks, start + len(words))
        if not found:
            raise Refusal(Code.ADDRESS)
        words += found
    return bytes((function, 2 * count)) + pack(f">{count}H", *words[:count])


def _block_at(blocks: Mapping[int, Callable[[], Sequence[int]]], address: int) -> Sequence[int]:
    """Words from `address` to the end of the block that holds it; empty where none does."""
    first = max((start for start in blocks if start <= address), default=None)
    return () if first is None else blocks[first]()[address - first :]


Units = Mapping[int, Bank]
"""Banks by their unit number, 1 to 247."""


class TcpResponder:
    """One connection of Modbus TCP."""

    def __init__(self, units: Units) -> None:
        self._units, self._rest = units, b""

    def hear(self, data: bytes) -> bytes:
        self._rest += data
        reply = b""
        while len(self._rest) >= 8:
            tag, protocol, size, unit = unpack(">HHHB", self._rest[:7])
            if protocol or not 2 <= size <= 254:
                self._rest = b""
                break
            if len(self._rest) < 6 + size:
                break
            request, self._rest = self._rest[7 : 6 + size], self._rest[6 + size :]
            bank = self._units.get(unit)
            # A gateway says that it can't reach a unit: code 0Bh.
            body = bank.answer(request) if bank is not None else bytes((request[0] | 0x80, 0x0B))
            reply += pack(">HHHB", tag, 0, len(body) + 1, unit) + body
        return reply


class RtuResponder:
    """One serial line of Modbus RTU, with all units on it; `now` tells when bytes came, in seconds."""

    def __init__(self, units: Units, now: Callable[[], float]) -> None:
        self._units, self._now = units, now
        self._rest, self._heard_s = b"", now()

    def hear(self, data: bytes) -> bytes:
        now_s = self._now()
        if now_s - self._heard_s > GAP_S:
            self._rest = b""
        self._heard_s = now_s
        self._rest += data
        reply = b""
        while (size := _rtu_size(self._rest)) is not None:
            if size > len(self._rest):
                break
            frame = self._rest[:size]
            if size and frame[-2:] == crc(frame[:-2]):
                self._rest = self._rest[size:]
                reply += self._one(frame)
            else:
                self._rest = self._rest[1:]
        self._rest = self._rest[-LONGEST_RTU:]
        return reply

    def _one(self, frame: bytes) -> bytes:
        bank = self._units.get(frame[0])
        if bank is None:
            return b""
        body = frame[:1] + bank.answer(frame[1:-2])
        return body + crc(body)


def crc(data: bytes) -> bytes:
    """The check of an RTU frame as it goes on the wire, lowest byte first."""
    return CRC16_MODBUS.of(data).to_bytes(2, "little")


def _rtu_size(data: bytes) -> int | None:
    """Bytes of the request that `data` starts with; 0 where none starts there, None where it can't be told yet."""
    if len(data) < 2:
        return None
    if data[1] == Function.WRITE_REGISTERS:
        return None if len(data) < 7 else 9 + data[6]
    return 8 if data[1] in tuple(Function) else 0
