"""The unit over pymodbus against our own server, with faults between them; times are the host's own."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, Refused
from stepwitness.devices.modbus import ModbusUnit, open_unit
from stepwitness.devices.registers import Reads, register, script
from stepwitness.errors import BadInput, Place
from stepwitness.standin.modbus_protocol import Bank, RtuResponder, TcpResponder, crc

pytest.importorskip("pymodbus")
posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")
WAYS = ["tcp", pytest.param("rtu", marks=posix)]
TIMEOUT_S = 0.15
A, B = Reads({"a": register("input 0 int32")}), Reads({"b": register("input 8 int32")})
BOTH = Reads({"a": register("input 0 int32"), "b": register("input 8 int32")})
GO = script("holding 0 = 1")


class Wired:
    """A bank on a wire with faults, and the unit that reaches it."""

    def __init__(self, running: Any, faulty: Callable[[Any], Any], way: str, **options: str) -> None:
        self.running = running
        self.written: list[int] = []
        self.values = {"a": [0, 1], "b": [0, 2]}
        bank = Bank(
            inputs={0: lambda: self.values["a"], 8: lambda: self.values["b"]},
            writes={(0, 1): lambda words: self.written.append(words[0])},
            coils={0: (lambda: False, lambda _: None)},
        )
        responder = RtuResponder({1: bank}, time.monotonic) if way == "rtu" else TcpResponder({1: bank})
        self.wire = faulty(responder)
        server = running.server
        if way == "rtu":
            port = {"port": server.add_terminal(lambda: self.wire), "parity": "none", "baud": "115200"}
        else:
            port = {"port": f"socket://127.0.0.1:{server.add_tcp(lambda: self.wire)}"}
        given = {**port, "timeout": f"{TIMEOUT_S} s", "retries": "0", **options}
        self.unit: ModbusUnit = open_unit(given, Place(), time.monotonic)

    def ask(self, registers: Reads) -> Any:
        (value,) = self.unit.values(registers).values()
        return value


@pytest.fixture(params=WAYS)
def way(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def wired(running: Any, faulty: Callable[[Any], Any], way: str) -> Iterator[Callable[..., Wired]]:
    made: list[Wired] = []

    def make(**options: str) -> Wired:
        made.append(Wired(running, faulty, way, **options))
        return made[-1]

    yield make
    for one in made:
        one.unit.close()


def _late(delay_s: float) -> Callable[[bytes], bytes]:
    def hold(reply: bytes) -> bytes:
        time.sleep(delay_s)
        return reply

    return hold


def test_values_are_read_and_scripts_are_run(wired: Callable[..., Wired]) -> None:
    one = wired()
    assert one.unit.values(BOTH) == {"a": 1, "b": 2}
    one.unit.run(GO, again=False)
    one.unit.write_coil(0, True)
    assert one.written == [1]
    assert "write holding 0x0000 = 1" in one.unit.log.texts()[-2]


@pytest.mark.parametrize("delay_s", [1.2 * TIMEOUT_S, 2.5 * TIMEOUT_S])
def test_a_late_reply_never_answers_the_next_question(wired: Callable[..., Wired], delay_s: float) -> None:
    one = wired()
    one.wire.faults.append(_late(delay_s))
    with pytest.raises(NoReply):
        one.ask(A)
    one.values["a"], asked = [0, 7], []
    for _ in range(6):
        try:
            asked.append(one.ask(A))
        except (NoReply, BadReply):
            continue
    assert asked
    assert set(asked) == {7}, "what was read before the change came late and was taken for the answer"


@pytest.mark.parametrize(
    "fault",
    [
        lambda _: b"",
        lambda reply: reply[: len(reply) // 2],
        lambda reply: reply[:-1],
        lambda _: b"\xff" * 12,
        lambda reply: b"\x00" + reply[1:] if reply[0] else b"\x09" + reply[1:],
        lambda reply: reply[:-1] + bytes([reply[-1] ^ 1]) if reply[0] else reply[:4] + b"\xff\xff" + reply[6:],
    ],
    ids=["lost", "half", "one-byte-short", "noise", "other-unit-or-number", "wrong-crc-or-length"],
)
def test_a_spoilt_reply_is_never_a_value_and_the_next_one_is(
    wired: Callable[..., Wired], fault: Callable[[bytes], bytes]
) -> None:
    one = wired()
    assert one.ask(A) == 1
    one.wire.faults.append(fault)
    with pytest.raises(DeviceError):
        one.ask(A)
    found = []
    for _ in range(4):
        try:
            found.append(one.ask(B))
        except (NoReply, BadReply):
            continue
    assert found
    assert set(found) == {2}


def test_a_reply_that_comes_twice_answers_once(wired: Callable[..., Wired]) -> None:
    one = wired()
    one.wire.faults.extend([lambda reply: reply + reply] * 3)
    found = []
    for registers in (A, B, A, B):
        try:
            found.append(next(iter(one.unit.values(registers).items())))
        except (NoReply, BadReply):
            continue
    assert found
    assert set(found) <= {("a", 1), ("b", 2)}


def test_reads_are_retried_and_counted_and_writes_never(wired: Callable[..., Wired]) -> None:
    one = wired(retries="2")
    one.wire.faults.extend([lambda _: b""])
    assert one.ask(A) == 1
    assert one.unit.retried == 1
    one.wire.faults.extend([lambda _: b""])
    with pytest.raises(NoReply, match="whether it was carried out isn't known"):
        one.unit.run(GO, again=False)
    assert one.written == [1]
    one.wire.faults.clear()
    one.unit.run(GO, again=True)
    assert one.written == [1, 1]


def test_a_refusal_says_which(wired: Callable[..., Wired]) -> None:
    one = wired()
    with pytest.raises(Refused, match=r"unit 1 refused read input 0x0020 x1: illegal data address \(2\)"):
        one.ask(Reads({"x": register("input 0x20")}))


def test_a_halt_goes_out_before_the_line_is_back_in_step(wired: Callable[..., Wired]) -> None:
    one = wired()
    one.wire.faults.append(lambda _: b"")
    with pytest.raises(NoReply):
        one.ask(A)
    before = len(one.wire.heard)
    one.unit.run(GO, again=False, urgent=True)
    assert one.written == [1]
    assert len(one.wire.heard) == before + 1


def _half(client: Any) -> None:
    """Have a client send the first half of its next request, and everything after it whole."""
    port, send = client.socket, client.socket.send

    class Halving:
        def send(self, data: bytes) -> int:
            client.socket = port
            send(data[: len(data) // 2])
            return len(data)

        def __getattr__(self, name: str) -> Any:
            return getattr(port, name)

    client.socket = Halving()


@pytest.mark.parametrize("urgent", [False, True])
def test_the_rest_of_a_tcp_request_is_never_the_next_one(running: Any, urgent: bool) -> None:
    written: list[list[int]] = []
    bank = Bank(inputs={0: lambda: [0, 1]}, writes={(0, 3): lambda words: written.append(list(words))})
    port = f"socket://127.0.0.1:{running.server.add_tcp(lambda: TcpResponder({1: bank}))}"
    unit = open_unit({"port": port, "timeout": "0.2 s", "retries": "0"}, Place(), time.monotonic)
    move = script("holding 0 = 5 + holding 1 int32 = value")
    _half(unit._bus._client)
    assert unit.descriptor >= 0
    with pytest.raises(NoReply):
        unit.run(move, again=False, value=3200)
    assert unit.descriptor == -1, "no sentinel says its last words behind that half either"
    unit.run(move, again=False, urgent=urgent, value=-7)
    assert unit.descriptor >= 0
    assert written == [[5, 0xFFFF, 0xFFF9]]
    unit.close()


@posix
def test_a_time_of_day_that_is_set_back_delays_no_time_out(
    running: Any, faulty: Callable[[Any], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    one = Wired(running, faulty, "rtu")
    began_s = time.time()
    monkeypatch.setattr(time, "time", lambda: began_s - time.monotonic() % 3600)  # runs backwards
    one.wire.faults.append(lambda _: b"")
    started_s = time.monotonic()
    with pytest.raises(NoReply):
        one.ask(A)
    assert time.monotonic() - started_s < 10 * TIMEOUT_S
    one.unit.close()


@pytest.mark.parametrize("way", ["tcp"])
def test_a_lost_connection_stays_lost_until_it_is_opened_again(wired: Callable[..., Wired]) -> None:
    one = wired()
    assert one.ask(A) == 1
    listener_port = one.unit._bus.settings.port
    one.wire.before = _hang_up
    with pytest.raises((LinkLost, NoReply)):
        one.ask(A)
    one.wire.before = lambda _: None
    with pytest.raises(LinkLost):
        one.ask(A)
    heard = len(one.wire.heard)
    one.unit.reconnect()
    time.sleep(0.05)
    assert len(one.wire.heard) == heard, f"reconnecting to {listener_port} sends nothing"
    assert one.ask(A) == 1


def _hang_up(_: bytes) -> None:
    raise ConnectionResetError


@posix
def test_two_units_share_one_line_and_the_last_closes_it(running: Any) -> None:
    banks = {
        number: Bank(inputs={0: lambda number=number: [0, number]})
        for number in (1, 2)  # type: ignore[misc]
    }
    port = running.server.add_terminal(lambda: RtuResponder(banks, time.monotonic))
    given = {"port": port, "parity": "none", "timeout": "0.3 s"}
    first, second = (open_unit({**given, "unit": str(number)}, Place(), time.monotonic) for number in (1, 2))
    assert [unit.values(A)["a"] for unit in (first, second, first)] == [1, 2, 1]
    with pytest.raises(BadInput, match="two parts on one port with different settings"):
        open_unit({**given, "baud": "9600"}, Place("b.yaml", 3, "counter"), time.monotonic)
    first.close()
    first.close()
    assert second.values(A)["a"] == 2
    second.close()
    with pytest.raises(LinkLost, match="was closed"):
        second.values(A)


# -- bad configuration: what was heard, and what to try, within 3 s ----------------------------------------------


def _told(unit: ModbusUnit) -> str:
    started_s = time.monotonic()
    with pytest.raises(NoReply) as caught:
        unit.hello(lambda: unit.values(A))
    assert time.monotonic() - started_s < 3.0
    return str(caught.value)


def test_a_wrong_unit_is_told_with_those_that_answer(wired: Callable[..., Wired]) -> None:
    told = _told(wired(unit="5", timeout="0.5 s", retries="1").unit)
    assert "unit 5 is silent, but unit 1 answers: try 'unit: 1'" in told


@posix
@pytest.mark.parametrize(
    ("heard", "says"),
    [
        (b"", "no unit answers: is it powered and connected, are baud rate, parity and stop bits its own?"),
        (b"\xfe\x00\xf8\x80\x1c\x00", "that makes no frame: try another baud rate or parity"),
        (b"\x01\x04\x04\x00\x00\x00\x01\x00\x00", "a frame whose CRC doesn't match"),
    ],
    ids=["silence", "wrong-baud", "wrong-crc"],
)
def test_a_line_without_frames_is_told(running: Any, heard: bytes, says: str) -> None:
    class Deaf:
        def hear(self, _: bytes) -> bytes:
            return heard

    port = running.server.add_terminal(Deaf)
    unit = open_unit({"port": port, "parity": "none", "baud": "115200", "timeout": "0.3 s"}, Place(), time.monotonic)
    told = _told(unit)
    unit.close()
    assert says in told
    assert f"{port} at 115200 baud" in told


@posix
def test_a_second_master_is_told(running: Any) -> None:
    frame = bytes.fromhex("070402000a")

    class Other:
        def hear(self, _: bytes) -> bytes:
            return frame + crc(frame)

    port = running.server.add_terminal(Other)
    unit = open_unit({"port": port, "parity": "none", "timeout": "0.3 s"}, Place(), time.monotonic)
    told = _told(unit)
    unit.close()
    assert "a frame of unit 7 came instead: try its number, or look for a second master on the line" in told


def test_another_service_on_the_port_is_told(running: Any) -> None:
    class Web:
        def hear(self, _: bytes) -> bytes:
            return b"HTTP/1.1 400 Bad Request\r\n\r\n"

    port = f"socket://127.0.0.1:{running.server.add_tcp(Web)}"
    unit = open_unit({"port": port, "timeout": "0.3 s"}, Place(), time.monotonic)
    assert "that isn't Modbus TCP: another service may answer on this port" in _told(unit)
    unit.close()


@pytest.mark.parametrize("port", ["socket://127.0.0.1:9", pytest.param("/dev/no-such-port", marks=posix)])
def test_a_port_where_nothing_is_there_is_told_at_once(port: str) -> None:
    with pytest.raises(LinkLost, match=f"{port} can't be opened"):
        open_unit({"port": port}, Place(), time.monotonic)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({}, "drive.port: a Modbus part needs its port"),
        ({"port": "http://x:1"}, "drive.port: not a Modbus port"),
        ({"port": "COM5", "unit": "0"}, "drive.unit: out of bounds; found '0'; allowed: 1 to 247"),
        ({"port": "COM5", "parity": "evn"}, "drive.parity: no such parity; found 'evn'"),
    ],
)
def test_options_that_cannot_be_read_name_their_place(options: dict[str, str], says: str) -> None:
    with pytest.raises(BadInput) as caught:
        open_unit(options, Place("b.yaml", 4, "drive"), time.monotonic)
    assert str(caught.value).startswith(f"b.yaml:4 {says}")
