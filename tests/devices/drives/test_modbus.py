"""The drive layer over the stand-in's bank in memory, on virtual time, with requests and replies lost at will."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.drives.modbus import CLOSED_LOOP_MAP, DRIVE_MAP, ModbusClosedLoopDrive, ModbusDrive
from stepwitness.devices.errors import DeviceError, NoReply, NotStarted, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop, Drive
from stepwitness.devices.modbus_part import check_probe
from stepwitness.devices.registers import Reads, Script, Space, Value
from stepwitness.errors import BadInput, Place
from stepwitness.standin.modbus_parts import drive_bank
from stepwitness.standin.modbus_protocol import Bank
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

ENCODER = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
AXIS = Axis("doser", 200, 16, Fraction(1, 500), Fraction(3, 50), Orientation.HORIZONTAL, ENCODER)


class Direct:
    """A `ModbusUnit` in memory. `lose` sees each request and says what is lost: "", "request" or "reply"."""

    name = "line unit 1"

    def __init__(self, bank: Bank, clock: VirtualClock) -> None:
        self._bank, self._clock = bank, clock
        self.log = ExchangeLog()
        self.lose: Callable[[bytes], str] = lambda _: ""
        self.requests: list[bytes] = []

    def values(self, reads: Reads) -> dict[str, Value]:
        def read(space: Space, start: int, count: int) -> list[int]:
            function = {Space.COIL: 1, Space.INPUT: 4}[space]
            data = self._ask(bytes((function,)) + start.to_bytes(2, "big") + count.to_bytes(2, "big"))[2:]
            if space is Space.COIL:
                return [data[place // 8] >> place % 8 & 1 for place in range(count)]
            return [int.from_bytes(data[at : at + 2], "big") for at in range(0, len(data), 2)]

        return reads.values(read)

    def run(self, script: Script, *, again: bool, urgent: bool = False, **values: float) -> None:  # noqa: ARG002
        for item, words in script.writes(**values):
            data = b"".join(word.to_bytes(2, "big") for word in words)
            self._ask(b"\x10" + item.address.to_bytes(2, "big") + bytes((0, len(words), len(data))) + data)

    def write_coil(self, address: int, on: bool) -> None:
        self._ask(b"\x05" + address.to_bytes(2, "big") + (b"\xff\0" if on else b"\0\0"))

    def _ask(self, request: bytes) -> bytes:
        self._clock.sleep(0.001)
        self.requests.append(request)
        lost = self.lose(request)
        if lost == "request":
            raise NoReply("lost")
        reply = self._bank.answer(request)
        if reply[0] & 0x80:
            raise Refused(f"exception {reply[1]}")
        if lost == "reply":
            raise NoReply("lost")
        return reply

    def close(self) -> None: ...

    def reconnect(self) -> None: ...


class Bench:
    def __init__(self, *, closed: bool = False, options: dict[str, str] | None = None) -> None:
        self.clock = VirtualClock()
        self.rig = Rig(AXIS, preset("doser"), self.clock)
        self.unit = Direct(drive_bank(self.rig.drive(closed_loop=closed)), self.clock)
        default, kind = (CLOSED_LOOP_MAP, ModbusClosedLoopDrive) if closed else (DRIVE_MAP, ModbusDrive)
        self.map = default.with_options(options or {}, Place())
        self.drive = kind(self.unit, self.map)  # type: ignore[arg-type]
        self.drive.set_speed(8000.0)
        self.drive.set_acceleration(80_000.0)
        self.drive.set_run_current(1.2)
        self.drive.enable()

    def rest(self) -> int:
        while self.drive.status().moving:
            self.clock.sleep(0.005)
        self.clock.sleep(0.2)
        return self.drive.position()

    def truth(self) -> int:
        return self.rig.truth().pulses


def test_both_kinds_are_drives_and_one_closes_its_loop() -> None:
    assert isinstance(Bench().drive, Drive)
    assert not isinstance(Bench().drive, ClosesLoop)
    assert isinstance(Bench(closed=True).drive, ClosesLoop)


def test_status_and_position_are_one_read() -> None:
    bench = Bench()
    bench.unit.requests.clear()
    bench.drive.start_move_by(-40)
    assert [request[0] for request in bench.unit.requests] == [4, 0x10]
    assert bench.rest() == -40


def test_a_map_without_a_relative_move_sends_an_absolute_one() -> None:
    bench = Bench(options={"move_by": ""})
    bench.drive.start_move_by(100)
    bench.rest()
    bench.drive.start_move_by(50)
    assert bench.rest() == 150
    assert all(request[7] == 5 for request in bench.unit.requests if request[:3] == b"\x10\0\0" and len(request) == 12)


@pytest.mark.parametrize("name", ["start_move_by", "start_move_to"])
def test_after_a_lost_reply_the_drive_is_read_back_and_nothing_is_sent_again(name: str) -> None:
    for lost, ends_at in (("reply", 800), ("request", 0)):
        bench = Bench()
        bench.unit.lose = lambda request, lost=lost: lost if len(request) == 12 else ""  # type: ignore[misc]
        if lost == "request":
            with pytest.raises(NotStarted):
                getattr(bench.drive, name)(800)
        else:
            getattr(bench.drive, name)(800)
        assert bench.rest() == ends_at == bench.truth()
        assert sum(len(request) == 12 for request in bench.unit.requests) == 1


@given(number=st.integers(0, 8), lost=st.sampled_from(["request", "reply"]), steps=st.integers(-2000, 2000))
def test_whichever_exchange_is_lost_the_axis_goes_where_it_was_sent_or_nowhere(
    number: int, lost: str, steps: int
) -> None:
    bench, count = Bench(), 0

    def lose(_: bytes) -> str:
        nonlocal count
        count += 1
        return lost if count == number + 1 else ""

    bench.unit.lose = lose
    with contextlib.suppress(DeviceError):
        bench.drive.start_move_by(steps)
    bench.unit.lose = lambda _: ""
    bench.clock.sleep(2.0)
    assert bench.truth() in (0, steps)


def test_a_halt_is_sent_again_and_only_a_halt() -> None:
    bench, heard = Bench(), 0

    def lose(_: bytes) -> str:
        nonlocal heard
        heard += 1
        return "request" if heard == 1 else ""

    bench.drive.start_move_by(4000)
    bench.clock.sleep(0.1)
    bench.unit.lose = lose
    bench.drive.halt()
    assert 0 < bench.rest() < 3000


def test_a_fault_has_its_words_and_another_its_code() -> None:
    bench = Bench(closed=True)
    assert isinstance(bench.drive, ModbusClosedLoopDrive)
    bench.drive.configure_loop(ClosedLoopSettings(0.001, 0.0, 16.0, 0.02))
    bench.drive.start_move_by(2000)
    bench.rest()
    assert bench.drive.status().fault == "following error"
    assert bench.drive.loop_status().alarm
    told = Bench(closed=True, options={"fault": "input 3"})
    told.drive.set_position(5)
    assert told.drive.status().fault == "code 5"
    bench.drive.clear_alarm()
    assert not bench.drive.status().fault


def test_what_the_map_lacks_is_refused() -> None:
    drive = Bench(options={"output": "", "set_position": "", "identity": ""}).drive
    for act in (lambda: drive.set_output(1, True), lambda: drive.output(1), lambda: drive.set_position(3)):
        with pytest.raises(Refused, match="its register map has no"):
            act()
    assert str(drive.identity()) == ""


def test_a_wrong_word_order_is_told_by_the_probe() -> None:
    bench = Bench(options={"probe": "input 8 uint32 little-word = 0x12345678"})
    with pytest.raises(BadInput, match="its words come the other way round: write 'big-word'"):
        check_probe(bench.unit, bench.map, Place(), first="position")  # type: ignore[arg-type]
    bench = Bench(options={"probe": "input 2 uint32 = 7"})
    with pytest.raises(BadInput, match="found 0 in input 0x0002 uint32; allowed: 7; compare unit, addresses"):
        check_probe(bench.unit, bench.map, Place(), first="position")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "act",
    [
        lambda drive: drive.set_speed(0.0),
        lambda drive: drive.set_run_current(-0.1),
        lambda drive: drive.set_run_current(40.0),
        lambda drive: drive.set_output(0, True),
        lambda drive: drive.set_output(9, True),
        lambda drive: drive.start_move_to(1 << 40),
    ],
)
def test_nonsense_is_refused(act: Callable[[Any], None]) -> None:
    with pytest.raises(Refused):
        act(Bench().drive)
