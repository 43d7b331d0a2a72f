"""Wires with faults under the real line layer: in process on virtual time, and between real ports."""

from __future__ import annotations

import pytest

from stepwitness.axis import Axis
from stepwitness.bench.description import Part
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.errors import DeviceError, LinkLost, NotStarted
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.standin import text_protocol as text
from stepwitness.standin.dialects import TEXT
from stepwitness.standin.faults import Fault, FaultyWire, Injection
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.pipe import Pipe, ProcessLink
from stepwitness.standin.presets import preset
from stepwitness.standin.relay import Relay
from stepwitness.standin.rig import Rig
from stepwitness.standin.served import ServedRig, serve_rig, watch_drive
from stepwitness.standin.serving import lines

WIRES = ["tcp", pytest.param("serial", marks=pytest.mark.skipif(not has_pseudo_terminals(), reason="no terminals"))]


@pytest.fixture
def axis() -> Axis:
    from fractions import Fraction

    from stepwitness.axis import Decoding, Encoder, Mounting, Orientation

    return Axis(
        name="doser",
        full_steps=200,
        microsteps=16,
        travel_per_turn=Fraction(2, 1000),
        stroke=Fraction(60, 1000),
        orientation=Orientation.HORIZONTAL,
        encoder=Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
    )


@pytest.fixture
def physics() -> StandIn:
    return preset("doser", seed=417)


def _on_virtual_time(
    axis: Axis, physics: StandIn, monkeypatch: pytest.MonkeyPatch, wire: FaultyWire
) -> tuple[object, ServedRig, VirtualClock]:
    clock = VirtualClock()
    rig = Rig(axis, physics, clock)
    served = ServedRig(rig, {})
    drive = rig.drive()
    watch_drive(drive, rig, served)
    opener = lines(text.TextProtocol(text.drive_words(drive)))
    monkeypatch.setattr(
        "stepwitness.devices.text_line.open_link",
        lambda port, *, baud: ProcessLink(f"{port} {baud}", lambda: Pipe(opener, wire, clock)),
    )
    return build("drive", Part("text-line", {"port": "here", "timeout": "0.5 s"}), axis, clock), served, clock


@pytest.mark.parametrize("fault", [fault for fault in Fault if fault not in (Fault.WRAP_16, Fault.WRAP_32)])
@pytest.mark.parametrize("at", [1, 4, 5, 6, 7, 8])
def test_a_move_is_carried_out_once_or_not_at_all(
    axis: Axis, physics: StandIn, monkeypatch: pytest.MonkeyPatch, fault: Fault, at: int
) -> None:
    """Request 6 is the move itself; before it the drive is asked how it stands, behind it whether it rests."""
    wire = FaultyWire(Injection(fault, at=at, seed=at), dialect=TEXT)
    drive, served, clock = _on_virtual_time(axis, physics, monkeypatch, wire)
    started_s = clock.now()
    try:
        drive.enable()  # type: ignore[attr-defined]
        drive.set_speed(6400.0)  # type: ignore[attr-defined]
        drive.set_acceleration(64_000.0)  # type: ignore[attr-defined]
        drive.start_move_by(320)  # type: ignore[attr-defined]
        ends_s = clock.now() + 5.0
        while drive.status().moving and clock.now() < ends_s:  # type: ignore[attr-defined]
            clock.sleep(0.01)
    except DeviceError:
        pass
    clock.sleep(3.0)
    assert served.moves in ([], [320])
    assert abs(served.rig.truth().pulses) in (0, 320)
    assert clock.now() - started_s < 30.0


def test_a_lost_move_is_told_as_not_started(axis: Axis, physics: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    wire = FaultyWire(Injection(Fault.LOST_REQUEST, at=3), dialect=TEXT)
    drive, served, _ = _on_virtual_time(axis, physics, monkeypatch, wire)
    drive.enable()  # type: ignore[attr-defined]
    with pytest.raises(NotStarted):
        drive.start_move_by(320)  # type: ignore[attr-defined]
    assert served.moves == []


@pytest.mark.parametrize("over", WIRES)
def test_between_real_ports(axis: Axis, physics: StandIn, over: str) -> None:
    wire = FaultyWire(Injection(Fault.LOST_REPLY, at=4), dialect=TEXT)
    with (
        serve_rig(axis, physics, {"drive": {}}, over=over, scale=5.0) as served,
        Relay(served.parts["drive"].options["port"], wire) as relay,
    ):
        drive = build("drive", Part("text-line", {"port": relay.port, "timeout": "1 s"}), axis, WallClock(5.0))
        drive.enable()
        assert str(drive.identity()) == "stepwitness stand-in drive seed 417"
        drive.start_move_by(3200)  # asks status and position first; the reply to the move is lost
        assert wire.struck
        assert served.moves == [3200]
        drive.close_link()


def test_a_cut_tcp_wire_is_a_lost_link_and_comes_back(axis: Axis, physics: StandIn) -> None:
    wire = FaultyWire(Injection(Fault.RETURN, at=1, timeout_s=0.2, seed=1), dialect=TEXT)
    with (
        serve_rig(axis, physics, {"drive": {}}, over="tcp", scale=5.0) as served,
        Relay(served.parts["drive"].options["port"], wire) as relay,
    ):
        drive = build("drive", Part("text-line", {"port": relay.port, "timeout": "1 s"}), axis, WallClock(5.0))
        drive.enable()
        with pytest.raises(LinkLost):
            drive.status()
        import time

        time.sleep(0.5)
        drive.reconnect()
        assert drive.status().enabled
        assert served.moves == []
        drive.close_link()
