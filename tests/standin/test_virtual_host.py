"""The wire libraries on virtual time: healthy wires change nothing; no fault carries a move out twice, or elsewhere."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import DeviceError, LinkLost, NoReply
from stepwitness.devices.part import Part
from stepwitness.standin import dialects
from stepwitness.standin.endpoints import serve, stand_ins
from stepwitness.standin.faults import OF_BYTES, Dialect, Fault, FaultyWire, Injection
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig
from stepwitness.standin.served import ServedRig, watch_drive
from stepwitness.standin.virtual_host import VirtualHost

pytest.importorskip("pymodbus")
pytest.importorskip("canopen")
TIMEOUT_S = 0.5
AXIS = Axis(
    name="doser",
    full_steps=200,
    microsteps=16,
    travel_per_turn=Fraction(2, 1000),
    stroke=Fraction(60, 1000),
    orientation=Orientation.HORIZONTAL,
    encoder=Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)
DRIVES: dict[str, Dialect] = {
    "tcp": dialects.TEXT,
    "modbus-tcp": dialects.MODBUS_TCP,
    "modbus-rtu": dialects.MODBUS_RTU,
    "canopen": dialects.SLCAN,
}


class Wired:
    """One part on a virtual host."""

    def __init__(self, host: VirtualHost, role: str, over: str, wire: FaultyWire) -> None:
        self.clock = host.clock
        self.rig = Rig(AXIS, preset("doser", seed=417), host.clock)
        self.served = ServedRig(self.rig, {})
        parts = stand_ins(self.rig, {role: {}})
        watch_drive(self.rig.drive(), self.rig, self.served)
        endpoint: Any = serve(host, parts, over=over)[role]
        options = endpoint["options"]
        place = options.get("port") or options.get("channel") or options["resource"].replace("::INSTR", "")
        name = place.removesuffix("::SOCKET").rpartition(",")[2].rpartition(":")[2]
        host.lay(name, wire, beside=FaultyWire(dialect=dialects.HISLIP) if over == "hislip" else None)
        self.part: Any = build(role, Part(endpoint["part"], {**options, "timeout": f"{TIMEOUT_S} s"}), AXIS, host.clock)


@pytest.fixture
def wired() -> Iterator[Callable[..., Wired]]:
    made: list[Wired] = []
    with VirtualHost(VirtualClock()).installed() as host:

        def make(role: str, over: str, wire: FaultyWire) -> Wired:
            while made:
                made.pop().part.close_link()
            made.append(Wired(host, role, over, wire))
            return made[-1]

        yield make
        for one in made:
            one.part.close_link()


@pytest.mark.parametrize(
    ("role", "over", "ask"),
    [
        ("drive", "tcp", "position"),
        ("drive", "modbus-tcp", "position"),
        ("drive", "modbus-rtu", "position"),
        ("drive", "canopen", "position"),
        ("meter", "tcp", "current_a"),
        ("gauge", "hislip", "travel_m"),
    ],
)
def test_a_healthy_wire_answers_what_the_part_says_and_takes_no_time_of_the_wall(
    wired: Callable[..., Wired], role: str, over: str, ask: str
) -> None:
    dialect = DRIVES.get(over, dialects.SCPI if over == "tcp" else dialects.HISLIP)
    one = wired(role, over, FaultyWire(dialect=dialect))
    assert one.part.identity().model.startswith("stand-in")
    assert getattr(one.part, ask)() == pytest.approx(getattr(getattr(one.rig, role)(), ask)(), abs=1e-3)
    began_s, started_s = one.clock.now(), time.monotonic()
    for _ in range(100):
        getattr(one.part, ask)()
    one.clock.sleep(3600.0)
    assert one.clock.now() - began_s > 3600.0
    assert time.monotonic() - started_s < 60.0


@pytest.mark.parametrize("over", list(DRIVES))
@pytest.mark.parametrize("fault", sorted(Fault, key=lambda fault: fault.value))
def test_a_move_is_carried_out_once_or_not_at_all(wired: Callable[..., Wired], over: str, fault: Fault) -> None:
    dialect = DRIVES[over]
    if fault not in OF_BYTES | dialect.faults or fault in (Fault.WRAP_16, Fault.WRAP_32):
        pytest.skip("not of this protocol")
    strikes = range(2, 30, 3) if over == "canopen" else range(1, 12)
    for at in strikes:
        wire = FaultyWire(Injection(fault, at=at, seed=at, timeout_s=TIMEOUT_S), dialect=dialect)
        try:
            one = wired("drive", over, wire)
        except DeviceError:  # it struck while the part was opened
            continue
        started_s = one.clock.now()
        try:
            one.part.enable()
            one.part.set_speed(6400.0)
            one.part.set_acceleration(64_000.0)
            one.part.start_move_by(320)
            ends_s = one.clock.now() + 5.0
            while one.part.status().moving and one.clock.now() < ends_s:
                one.clock.sleep(0.01)
        except DeviceError:
            pass
        one.clock.sleep(3.0)
        moves = [microsteps for microsteps in one.served.moves if microsteps]
        assert moves in ([], [320]), f"{fault} at {at}"
        assert abs(one.rig.truth().pulses) in (0, 320)
        assert one.clock.now() - started_s < 40.0


def test_the_same_seed_gives_the_same_run(wired: Callable[..., Wired]) -> None:
    def told(seed: int) -> list[str]:
        wire = FaultyWire(Injection(Fault.DRIP, at=3, seed=seed, timeout_s=TIMEOUT_S), dialect=dialects.MODBUS_RTU)
        one = wired("drive", "modbus-rtu", wire)
        for _ in range(4):
            one.part.position()
        return [f"{entry.sent} {entry.heard} {entry.ended_s - entry.asked_s:.6f}" for entry in one.part.log]

    assert told(1) == told(1)
    assert told(1) != told(2)


@pytest.mark.parametrize(("role", "over", "ask"), [("meter", "tcp", "current_a"), ("gauge", "hislip", "travel_m")])
@pytest.mark.parametrize("fault", [Fault.DRIP, Fault.LOST_REPLY, Fault.TRUNCATED, Fault.CLOCK_JUMP])
def test_an_instrument_answers_or_gives_up_within_its_time_out(
    wired: Callable[..., Wired], role: str, over: str, ask: str, fault: Fault
) -> None:
    """Whatever drips in, and wherever the time of day is set meanwhile; pyvisa-py alone does neither."""
    dialect = dialects.HISLIP if over == "hislip" else dialects.SCPI
    for seed in range(8):
        wire = FaultyWire(None, dialect=dialect)
        one = wired(role, over, wire)
        number = wire._requests
        wire._injection = Injection(fault, at=number, seed=seed, timeout_s=4 * TIMEOUT_S)
        one.part._session._retries = 0
        began_s = one.clock.now()
        with contextlib.suppress(NoReply):
            getattr(one.part, ask)()
        assert one.clock.now() - began_s < 1.5 * TIMEOUT_S + 0.01, "pyvisa-py waits in slices of half its time-out"


def test_an_instrument_that_hangs_up_is_told_at_once(wired: Callable[..., Wired]) -> None:
    wire = FaultyWire(None, dialect=dialects.SCPI)
    one = wired("meter", "tcp", wire)
    wire._injection = Injection(Fault.DISCONNECT, at=wire._requests, seed=1)
    began_s = one.clock.now()
    with pytest.raises(LinkLost, match="gone"):
        one.part.current_a()
    assert one.clock.now() - began_s < 0.1
