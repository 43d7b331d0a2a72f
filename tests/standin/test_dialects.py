"""Each protocol's own faults, on frames of our own stand-ins."""

from __future__ import annotations

import random
from struct import pack, unpack

import pytest

from stepwitness.standin import dialects
from stepwitness.standin.faults import OF_BYTES, Fault
from stepwitness.standin.hislip_protocol import Kind, message
from stepwitness.standin.modbus_protocol import crc

DICE = random.Random(1)
ALL = [
    dialects.TEXT,
    dialects.UNTAGGED,
    dialects.SEALED,
    dialects.SCPI,
    dialects.HISLIP,
    dialects.MODBUS_TCP,
    dialects.MODBUS_RTU,
    dialects.SLCAN,
]


def _rtu(*body: int) -> bytes:
    return bytes(body) + crc(bytes(body))


def _tcp(*body: int) -> bytes:
    return b"\0\7\0\0" + pack(">H", len(body)) + bytes(body)


STATE_ASKED, STATE = (1, 4, 0, 0, 0, 4), (1, 4, 8, 0, 1, 0, 0, 0, 0, 0x0C, 0x80)
COUNTS_ASKED, COUNTS = (2, 4, 0, 0, 0, 2), (2, 4, 4, 0xFF, 0xFF, 0xFF, 0xFE)


def test_every_fault_is_one_that_some_protocol_can_have() -> None:
    assert OF_BYTES.union(*(dialect.faults for dialect in ALL)) == set(Fault)
    assert not any(dialect.faults & OF_BYTES for dialect in ALL)


@pytest.mark.parametrize("framed", [(_rtu, dialects.MODBUS_RTU), (_tcp, dialects.MODBUS_TCP)])
def test_modbus(framed: tuple[object, dialects.ModbusDialect]) -> None:
    made, dialect = framed

    def tampered(fault: Fault, request: tuple[int, ...], reply: tuple[int, ...]) -> bytes:
        return dialect.tampered(fault, made(*request), made(*reply), DICE)  # type: ignore[operator]

    assert tampered(Fault.STUCK_BUSY, STATE_ASKED, STATE) == made(1, 4, 8, 0, 3, *STATE[5:])  # type: ignore[operator]
    assert tampered(Fault.ERROR_REPLY, STATE_ASKED, STATE) == made(1, 0x84, 4)  # type: ignore[operator]
    assert tampered(Fault.WRONG_UNIT, STATE_ASKED, STATE) == made(2, *STATE[1:])  # type: ignore[operator]
    overrange = made(1, 4, 8, 0, 1, 0, 0, 0x7F, 0xFF, 0xFF, 0xFF)  # type: ignore[operator]
    assert tampered(Fault.OVERRANGE, STATE_ASKED, STATE) == overrange
    echo = (1, 8, 0, 0, 1, 2)
    assert tampered(Fault.STUCK_BUSY, echo, echo) == made(*echo)  # type: ignore[operator]
    counted = dialect.counting(made(*COUNTS_ASKED), made(*COUNTS), lambda counts: counts - 5)  # type: ignore[operator]
    assert unpack(">i", counted[-4:] if made is _tcp else counted[-6:-2]) == (-7,)
    state = made(*STATE)  # type: ignore[operator]
    assert dialect.counting(made(*STATE_ASKED), state, lambda _: 7) == state, "only a counter counts"  # type: ignore[operator]
    assert dialect.step(made(*STATE_ASKED)) == "unit 1 read input 0x0"  # type: ignore[operator]
    move = made(1, 16, 0, 0, 0, 3, 6, 0, 6, 0, 0, 1, 0x40)  # type: ignore[operator]
    assert dialect.moves(move)
    assert dialect.step(move) == "unit 1 write registers 0x0 = 6"
    assert not dialect.moves(made(1, 16, 0, 0, 0, 1, 2, 0, 3))  # type: ignore[operator]


def test_a_wrong_check_is_one_bit() -> None:
    frame = _rtu(*STATE)
    found = dialects.MODBUS_RTU.tampered(Fault.WRONG_CHECKSUM, b"", frame, DICE)
    assert sum((one ^ other).bit_count() for one, other in zip(frame, found, strict=True)) == 1


def test_can_frames() -> None:
    asked, reply = b"t60184041600000000000\r", b"t58184B41600027140000\r"
    assert dialects.SLCAN.step(asked) == "read 6041h"
    assert dialects.SLCAN.step(b"t60182B4060000F000000\r") == "write 6040h = Fh"
    assert dialects.SLCAN.step(b"S6\r") == "adapter"

    def tampered(fault: Fault) -> bytes:
        return dialects.SLCAN.tampered(fault, asked, reply, DICE)

    assert tampered(Fault.STUCK_BUSY) == b"t58184B41600027100000\r", "target reached is bit 10"
    assert tampered(Fault.WRONG_UNIT) == b"t58284B41600027140000\r"
    assert tampered(Fault.ERROR_REPLY) == b"t58188041600000000008\r"
    assert tampered(Fault.OVERRANGE) == reply, "no position"


def test_instruments() -> None:
    assert dialects.SCPI.tampered(Fault.OVERRANGE, b"READ?\n", b"+1.5E-3\n", DICE) == b"+9.90000000E+37\n"
    reply = message(Kind.DATA_END, 0, 0xFFFFFF02, b"+1.5E-3\n")
    assert dialects.HISLIP.tampered(Fault.NOT_A_NUMBER, b"", reply, DICE) == message(
        Kind.DATA_END, 0, 0xFFFFFF02, b"9.91E37\n"
    )
    assert dialects.HISLIP.tampered(Fault.WRONG_UNIT, b"", reply, DICE) == message(
        Kind.DATA_END, 0, 0xFFFFFF04, b"+1.5E-3\n"
    )
    assert dialects.HISLIP.step(message(Kind.DATA_END, 0, 1, b"READ?\n")) == "READ?"
