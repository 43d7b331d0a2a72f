"""Each mistake in the way to a part, on each wire where it can be made, is told within 3 s, with what to try.

By the part as a bench file names it, with the time-outs that it has when the file says nothing of them.
"""

from __future__ import annotations

import gc
import re
import socket
import sys
import time
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.catalog import build
from stepwitness.devices.checksums import Seal, checksum
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.interfaces import Identity
from stepwitness.devices.part import Part
from stepwitness.errors import StepwitnessError
from stepwitness.standin import text_protocol as text
from stepwitness.standin.can_protocol import SlcanResponder
from stepwitness.standin.cia402_node import Cia402Node
from stepwitness.standin.hislip_protocol import hislip
from stepwitness.standin.modbus_parts import drive_bank
from stepwitness.standin.modbus_protocol import RtuResponder, TcpResponder
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig
from stepwitness.standin.scpi_protocol import meter_protocol
from stepwitness.standin.serving import Opener, lines

for library in ("pymodbus", "canopen", "pyvisa"):
    pytest.importorskip(library)
WITHIN_S = 3.0
AXIS = Axis(
    name="doser",
    full_steps=200,
    microsteps=16,
    travel_per_turn=Fraction(2, 1000),
    stroke=Fraction(60, 1000),
    orientation=Orientation.HORIZONTAL,
    encoder=Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)
pytestmark = pytest.mark.filterwarnings(
    "ignore:unclosed:ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)
posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")
Serving = Callable[[str, Opener], str]


class Meter:
    def identity(self) -> Identity:
        return Identity("Tarnbrook", "meter", "7", "1.0")

    def current_a(self) -> float:
        return 1.0


def _drive() -> Any:
    return Rig(AXIS, preset("doser", seed=1), VirtualClock()).drive()


def _openers() -> dict[str, Opener]:
    """What a healthy part of each protocol is."""
    drive = _drive()
    units = {1: drive_bank(drive)}
    return {
        "text": lines(text.TextProtocol(text.drive_words(drive))),
        "modbus-tcp": lambda: TcpResponder(units),
        "modbus-rtu": lambda: RtuResponder(units, time.monotonic),
        "canopen": lambda: SlcanResponder({1: Cia402Node(drive, rated_a=1.2)}),
        "scpi": lines(meter_protocol(Meter())),
        "hislip": hislip(meter_protocol(Meter())),
    }


class Says:
    """Answers whatever comes with the same bytes."""

    def __init__(self, reply: bytes) -> None:
        self._reply = reply

    def hear(self, data: bytes) -> bytes:
        return self._reply if data else b""


@pytest.fixture
def served(running: Any) -> Serving:
    """Serves on a port of the kind that a protocol needs; the port as a bench file names it."""

    def serve(way: str, opener: Opener) -> str:
        if way in ("modbus-rtu", "canopen", "text, serial"):
            return str(running.server.add_terminal(opener))
        number = running.server.add_tcp(opener)
        if way == "scpi":
            return f"TCPIP::127.0.0.1::{number}::SOCKET"
        return f"TCPIP::127.0.0.1::hislip0,{number}::INSTR" if way == "hislip" else f"socket://127.0.0.1:{number}"

    return serve


def _part(way: str, port: str, **options: str) -> tuple[str, Part]:
    """Role and part."""
    if way in ("scpi", "hislip"):
        return "meter", Part("scpi", {"resource": port, **options})
    if way == "canopen":
        return "drive", Part("cia402", {"interface": "slcan", "channel": port, "node": "1", **options})
    if way.startswith("modbus"):
        line = {"parity": "none", "baud": "115200"} if way == "modbus-rtu" else {}  # all that a pseudo-terminal can
        return "drive", Part("modbus", {"port": port, **line, **options})
    return "drive", Part("text-line", {"port": port, **options})


def _meet(role: str, part: Part) -> None:
    made = build(role, part, AXIS, WallClock())
    try:
        made.identity()
        if role == "drive":
            made.position()
    finally:
        made.close_link()


def told(way: str, port: str, **options: str) -> str:
    """What the first question to a part that can't be reached says, after how long."""
    role, part = _part(way, port, **options)
    started_s = time.monotonic()
    with pytest.raises(StepwitnessError) as caught:
        _meet(role, part)
    took_s, said = time.monotonic() - started_s, str(caught.value)
    del caught
    gc.collect()  # pyvisa-py leaves the socket of a HiSLIP instrument that doesn't open to the collector
    assert took_s < WITHIN_S, f"{took_s:.1f} s: {said}"
    return said


WAYS = ["text", "text, serial", "modbus-tcp", "modbus-rtu", "canopen", "scpi", "hislip"]
ON_TERMINALS = ("text, serial", "modbus-rtu", "canopen")


def ways(*names: str) -> list[Any]:
    return [pytest.param(name, marks=posix if name in ON_TERMINALS else ()) for name in names]


@pytest.mark.parametrize("way", ways(*WAYS))
def test_a_port_that_is_not_there(way: str) -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        number = free.getsockname()[1]
    ports = {
        "scpi": f"TCPIP::127.0.0.1::{number}::SOCKET",
        "hislip": f"TCPIP::127.0.0.1::hislip0,{number}::INSTR",
        **dict.fromkeys(ON_TERMINALS, "/dev/no-such-port"),
    }
    said = told(way, ports.get(way, f"socket://127.0.0.1:{number}"))
    assert re.search("own[?,]|ports of this machine|no serial port|try: address", said)
    assert "/dev/no-such-port" in said or str(number) in said


@pytest.mark.parametrize("way", ways(*WAYS[1:]))
def test_a_port_where_everything_is_silent(served: Serving, way: str) -> None:
    said = told(way, served(way, lambda: Says(b"")))
    assert re.search("is .*powered|try: address, port|are address and port the instrument's own", said)


@pytest.mark.parametrize("way", ways("text", "modbus-tcp", "scpi", "hislip"))
def test_a_port_of_another_service(served: Serving, way: str) -> None:
    said = told(way, served(way, lambda: Says(b"HTTP/1.1 400 Bad Request\r\n\r\n")))
    assert "HTTP/1.1" in said or "48 54 54 50" in said or way == "hislip", "what was heard"
    assert "another" in said or "address and port" in said or "without a tag" in said


@pytest.mark.parametrize("way", ways("text, serial", "modbus-rtu", "canopen"))
def test_a_wrong_baud_rate_sounds_like_noise(served: Serving, way: str) -> None:
    """A pseudo-terminal has no rate; the bytes are what a receiver at another one makes of a reply."""
    noise = bytes((0xE0, 0x9C, 0x00, 0xF8, 0xE0, 0x1C, 0x80, 0xFE)) * 4
    said = told(way, served(way, lambda: Says(noise)))
    assert "try another baud rate" in said or "bit rate" in said
    assert "heard" in said


@pytest.mark.parametrize("way", ways("modbus-tcp", "modbus-rtu", "canopen"))
def test_a_wrong_number_of_a_unit_or_node(served: Serving, way: str) -> None:
    key = "node" if way == "canopen" else "unit"
    said = told(way, served(way, _openers()[way]), **{key: "5"})
    assert f"try '{key}: 1'" in said


@pytest.mark.parametrize(("own", "theirs"), [("xor8", "sum8"), ("", "sum8")])
def test_a_checksum_that_does_not_match(served: Serving, own: str, theirs: str) -> None:
    seal = Seal(checksum(theirs), "*") if theirs else None
    opener = lines(_Always(text.TextProtocol(text.drive_words(_drive())), seal))
    said = told("text", served("text", opener), **({"checksum": own} if own else {}))
    assert "checksum" in said
    assert "try" in said


class _Always:
    """Answers every line with an identity under its own checksum, whatever the line carries."""

    def __init__(self, protocol: text.TextProtocol, seal: Seal | None) -> None:
        self._protocol, self._seal = protocol, seal

    def answer(self, line: str) -> str | None:
        tag = line.split(" ")[0]
        reply = f"{tag} stepwitness;stand-in drive;1;1"
        return self._seal.put(reply) if self._seal else reply


@pytest.mark.parametrize("way", ways(*ON_TERMINALS))
def test_a_port_that_another_owner_holds(served: Serving, way: str) -> None:
    import serial

    port = served(way, _openers().get(way, _openers()["text"]))
    with serial.Serial(port, exclusive=True):
        said = told(way, port)
    assert port in said
    assert "another owner" in said or "lock" in said


@pytest.mark.parametrize("way", ways("text", "modbus-tcp", "scpi", "hislip"))
def test_an_instrument_that_serves_one_client_and_has_one(way: str) -> None:
    """It hangs up on the second at once."""
    with _hanging_up() as number:
        ports = {"scpi": f"TCPIP::127.0.0.1::{number}::SOCKET", "hislip": f"TCPIP::127.0.0.1::hislip0,{number}::INSTR"}
        said = told(way, ports.get(way, f"socket://127.0.0.1:{number}"))
    assert str(number) in said


class _hanging_up:  # noqa: N801  used as a function
    def __enter__(self) -> int:
        import threading

        self._listener = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        return int(self._listener.getsockname()[1])

    def _run(self) -> None:
        while True:
            try:
                self._listener.accept()[0].close()
            except OSError:
                return

    def __exit__(self, *_: object) -> None:
        self._listener.close()
