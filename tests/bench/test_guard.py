"""The envelope guard refuses before anything is sent, and judges the load's travel."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription, Blocked
from stepwitness.bench.errors import EnvelopeError, NotReferenced, StopCircuitOpen
from stepwitness.bench.guard import GuardedDrive
from stepwitness.devices.errors import LinkLost
from stepwitness.devices.interfaces import DriveStatus, InputState, Side

MICROSTEP_M = 0.002 / 3200


class RecordingDrive:
    """Takes note of what was sent; claims what it is told."""

    def __init__(self) -> None:
        self.sent: list[tuple[Any, ...]] = []
        self.claim = 0

    def __getattr__(self, name: str) -> Any:
        return lambda *arguments: self.sent.append((name, *arguments))

    def position(self) -> int:
        return self.claim

    def status(self) -> DriveStatus:
        return DriveStatus(enabled=True, moving=False)


class Stop:
    def __init__(self, *, closed: bool) -> None:
        self.closed = closed

    def read(self) -> InputState:
        return InputState(stop_circuit_closed=self.closed)


@pytest.fixture
def drive() -> RecordingDrive:
    return RecordingDrive()


def guarded(
    drive: RecordingDrive, description: BenchDescription, travel_m: float, *, closed: bool = True
) -> GuardedDrive:
    """A referenced guard over `drive`, with the load seen at `travel_m`, and nothing sent yet."""
    guard = GuardedDrive(drive, description, Stop(closed=closed), lambda: travel_m)
    guard.set_speed(0.01 / MICROSTEP_M)
    guard.set_acceleration(0.1 / MICROSTEP_M)
    guard.referenced = True
    drive.sent.clear()
    return guard


def steps(travel_m: float) -> int:
    return round(travel_m / MICROSTEP_M)


@pytest.mark.parametrize("end_m", [0.001, 0.03, 0.059])
def test_moves_inside_the_envelope_are_sent(drive: RecordingDrive, doser: BenchDescription, end_m: float) -> None:
    guarded(drive, doser, 0.03).start_move_by(steps(end_m - 0.03))
    assert drive.sent == [("start_move_by", steps(end_m - 0.03))]


@pytest.mark.parametrize("end_m", [0.0009, 0.0591, -0.01, 0.2])
def test_moves_out_of_the_envelope_are_refused_and_not_sent(
    drive: RecordingDrive, doser: BenchDescription, end_m: float
) -> None:
    guard = guarded(drive, doser, 0.03)
    with pytest.raises(EnvelopeError, match=r"allowed: 1\.000 mm to 59\.000 mm"):
        guard.start_move_by(steps(end_m - 0.03))
    assert drive.sent == []


def test_an_absolute_move_is_judged_by_the_load_and_not_by_the_claim(
    drive: RecordingDrive, doser: BenchDescription
) -> None:
    """After a stall the drive may claim 10 mm while the load stands at 55 mm: 20 mm more would hit the stop."""
    drive.claim = steps(0.010)
    guard = guarded(drive, doser, 0.055)
    with pytest.raises(EnvelopeError, match=r"75\.000 mm"):
        guard.start_move_to(steps(0.030))
    assert drive.sent == []
    guard.start_move_to(steps(0.012))
    assert drive.sent == [("start_move_to", steps(0.012))]


def test_the_gauge_range_bounds_a_move_too(drive: RecordingDrive, doser: BenchDescription) -> None:
    assert doser.gauge is not None
    short = replace(doser, gauge=replace(doser.gauge, zero_at_m=0.02, range_m=0.025))
    guard = guarded(drive, short, 0.03)
    for end_m in (0.018, 0.047):
        with pytest.raises(EnvelopeError, match="gauge's range"):
            guard.start_move_by(steps(end_m - 0.03))
    assert drive.sent == []


def test_nothing_moves_before_the_axis_is_referenced(drive: RecordingDrive, doser: BenchDescription) -> None:
    guard = guarded(drive, doser, 0.03)
    guard.referenced = False
    with pytest.raises(NotReferenced):
        guard.start_move_to(0)
    with pytest.raises(NotReferenced):
        guard.start_move_by(16)
    assert drive.sent == []


def test_referencing_moves_slowly_and_no_further_than_the_stroke(
    drive: RecordingDrive, doser: BenchDescription
) -> None:
    guard = guarded(drive, doser, 0.03)
    guard.referenced = False
    with guard.referencing():
        with pytest.raises(EnvelopeError, match="referencing at 10 mm/s"):
            guard.start_move_by(16)
        guard.set_speed(0.005 / MICROSTEP_M)
        with pytest.raises(EnvelopeError, match="longer than the stroke"):
            guard.start_move_by(steps(0.1))
        drive.sent.clear()
        guard.start_move_by(-steps(0.06))
    assert drive.sent == [("start_move_by", -steps(0.06))]
    with pytest.raises(NotReferenced):
        guard.start_move_by(16)


def test_an_open_stop_circuit_is_an_order(drive: RecordingDrive, doser: BenchDescription) -> None:
    guard = guarded(drive, doser, 0.03, closed=False)
    with pytest.raises(StopCircuitOpen):
        guard.start_move_by(16)
    assert drive.sent == []


def test_a_move_needs_speed_and_acceleration(drive: RecordingDrive, doser: BenchDescription) -> None:
    guard = GuardedDrive(drive, doser, None, lambda: 0.03)
    guard.referenced = True
    with pytest.raises(EnvelopeError, match="before speed and acceleration"):
        guard.start_move_by(16)
    assert drive.sent == []


@pytest.mark.parametrize(
    ("setter", "allowed", "beyond"),
    [
        ("set_speed", 0.03 / MICROSTEP_M, 0.0301 / MICROSTEP_M),
        ("set_acceleration", 0.5 / MICROSTEP_M, 0.51 / MICROSTEP_M),
        ("set_run_current", 1.5, 1.51),
        ("set_hold_current", 1.5, 1.51),
    ],
)
def test_settings_stop_at_the_envelope(
    drive: RecordingDrive, doser: BenchDescription, setter: str, allowed: float, beyond: float
) -> None:
    guard = GuardedDrive(drive, doser, None, lambda: 0.03)
    getattr(guard, setter)(allowed)
    assert drive.sent == [(setter, allowed)]
    for value in (beyond, -1e-6):
        with pytest.raises(EnvelopeError, match="allowed: 0 to"):
            getattr(guard, setter)(value)
    assert len(drive.sent) == 1


def test_a_push_against_the_declared_stop_needs_little_current(drive: RecordingDrive, doser: BenchDescription) -> None:
    blocked = replace(doser, blocked=Blocked(at_m=0.0, side=Side.LOW, push_current_a=0.3))
    guard = guarded(drive, blocked, 0.001)
    guard.set_run_current(1.2)
    with pytest.raises(EnvelopeError):
        guard.start_move_by(-steps(0.005))
    guard.set_run_current(0.3)
    guard.start_move_by(-steps(0.005))
    with pytest.raises(EnvelopeError):
        guard.start_move_by(steps(0.1))
    assert drive.sent[-1] == ("start_move_by", -steps(0.005))


def test_a_link_that_was_opened_anew_leaves_travel_without_a_zero(rigged: Any, doser: BenchDescription) -> None:
    """Nobody knows what happened to the drive meanwhile."""
    bench = rigged(doser).bench
    bench.make_ready()
    bench.set_datum(0.03)
    bare: Any = bench.drive._drive
    bare.reconnect = lambda: None
    bench.drive.reconnect()
    assert not bench.drive.referenced
    del bare.reconnect
    with pytest.raises(LinkLost, match="can't be opened again"):
        bench.drive.reconnect()
