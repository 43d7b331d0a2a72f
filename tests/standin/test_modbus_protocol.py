"""Frames as in Modbus Application Protocol 1.1b3 and Modbus over serial line 1.02 (from memory)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.errors import Refused
from stepwitness.standin.modbus_protocol import GAP_S, LONGEST_RTU, Bank, RtuResponder, TcpResponder, crc


class Unit:
    """A bank with two registers, one coil, and a list of what was written."""

    def __init__(self) -> None:
        self.written: list[Sequence[int]] = []
        self.coil = False
        self.bank = Bank(
            inputs={2: lambda: [0x1234, 0x5678], 4: lambda: [9]},
            holding={2: lambda: [1]},
            writes={(0, 1): self._write, (0, 3): self._write},
            coils={0: (lambda: self.coil, self._switch)},
        )

    def _write(self, words: Sequence[int]) -> None:
        if words[0] == 99:
            raise Refused("not that")
        self.written.append(list(words))

    def _switch(self, on: bool) -> None:
        self.coil = on


@pytest.fixture
def unit() -> Unit:
    return Unit()


@pytest.mark.parametrize(
    ("request_", "reply"),
    [
        ("04 0002 0002", "04 04 1234 5678"),
        ("04 0003 0002", "04 04 5678 0009"),
        ("03 0002 0001", "03 02 0001"),
        ("04 0000 0001", "84 02"),
        ("04 0002 0004", "84 02"),
        ("04 0002 0000", "84 03"),
        ("04 0002 007e", "84 03"),
        ("04 0002", "84 03"),
        ("06 0000 0007", "06 0000 0007"),
        ("06 0001 0007", "86 02"),
        ("06 0000 0063", "86 04"),
        ("10 0000 0003 06 0005 0000 0002", "10 0000 0003"),
        ("10 0000 0003 04 0005 0000 0002", "90 03"),
        ("10 0000 0002 04 0005 0000", "90 02"),
        ("10 0000", "90 03"),
        ("05 0000 ff00", "05 0000 ff00"),
        ("05 0000 1234", "85 03"),
        ("05 0009 ff00", "85 02"),
        ("01 0000 0001", "01 01 00"),
        ("01 0000 0002", "81 02"),
        ("08 0000 abcd", "08 0000 abcd"),
        ("08 0001 abcd", "88 01"),
        ("2b 0e01 00", "ab 01"),
    ],
)
def test_each_function_and_each_refusal(unit: Unit, request_: str, reply: str) -> None:
    assert unit.bank.answer(bytes.fromhex(request_)).hex() == bytes.fromhex(reply).hex()


def test_a_write_is_done_once_and_whole(unit: Unit) -> None:
    unit.bank.answer(bytes.fromhex("100000000306000500000002"))
    unit.bank.answer(bytes.fromhex("100000000204000500000002"))
    unit.bank.answer(bytes.fromhex("050000ff00"))
    assert (unit.written, unit.coil) == ([[5, 0, 2]], True)


READ = bytes.fromhex("01 04 0002 0001")
READ += crc(READ)
ANSWER = bytes.fromhex("01 04 02 1234")
ANSWER += crc(ANSWER)


def _rtu(unit: Unit, now: list[float] | None = None) -> RtuResponder:
    clock = now or [0.0]
    return RtuResponder({1: unit.bank}, lambda: clock[0])


@given(places=st.lists(st.integers(0, len(READ)), max_size=4))
def test_a_frame_is_answered_however_it_arrives(places: list[int]) -> None:
    responder = _rtu(Unit())
    edges = [0, *sorted(places), len(READ)]
    assert b"".join(responder.hear(READ[start:end]) for start, end in pairwise(edges)) == ANSWER


@pytest.mark.parametrize("garbage", [b"\x00", b"\xff\xfe\xfd", b"\x01\x04", b"\x01\x04\x00\x02\x00\x01\x00\x00"])
def test_garbage_before_a_frame_is_passed_over(unit: Unit, garbage: bytes) -> None:
    now = [0.0]
    responder = _rtu(unit, now)
    assert responder.hear(garbage) == b""
    assert responder.hear(READ) == ANSWER


def test_a_frame_cut_short_is_dropped_by_the_silence_behind_it(unit: Unit) -> None:
    now = [0.0]
    responder = _rtu(unit, now)
    long_write = bytes.fromhex("01 10 0000 0003 f0")
    assert responder.hear(long_write) == b""
    now[0] += 2 * GAP_S
    assert responder.hear(READ) == ANSWER


def test_another_unit_a_broadcast_and_a_wrong_crc_are_silent(unit: Unit) -> None:
    responder = _rtu(unit)
    for head in (b"\x02", b"\x00"):
        frame = head + READ[1:-2]
        assert responder.hear(frame + crc(frame)) == b""
    assert responder.hear(READ[:-1] + bytes([READ[-1] ^ 1])) == b""


def test_tcp_answers_with_the_number_of_the_request_and_for_an_absent_unit_as_a_gateway(unit: Unit) -> None:
    responder = TcpResponder({1: unit.bank})
    request = bytes.fromhex("0007 0000 0006 01 04 0002 0001")
    reply = bytes.fromhex("0007 0000 0005 01 04 02 1234")
    assert responder.hear(request[:5]) == b""
    assert responder.hear(request[5:] + request) == reply + reply
    assert responder.hear(bytes.fromhex("0008 0000 0006 09 04 0002 0001")) == bytes.fromhex("0008 0000 0003 09 84 0b")
    assert responder.hear(bytes.fromhex("0008 0001 0006 01 04 0002 0001")) == b""
    assert responder.hear(request) == reply


@given(st.lists(st.binary(max_size=80), max_size=8))
def test_no_bytes_break_a_responder_and_none_writes_without_its_crc(chunks: list[bytes]) -> None:
    unit = Unit()
    rtu = _rtu(unit)
    for chunk in chunks:
        rtu.hear(chunk)
        TcpResponder({1: unit.bank}).hear(chunk)
    assert len(rtu._rest) <= LONGEST_RTU
