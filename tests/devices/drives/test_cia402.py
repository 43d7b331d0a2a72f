"""The drive layer over the stand-in's node in memory, on virtual time, with questions and answers lost at will."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.can_objects import CanObject, can_object
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.drives import cia402
from stepwitness.devices.drives.cia402 import Cia402ClosedLoopDrive, Cia402Drive, Profile
from stepwitness.devices.drives.cia402_states import Control
from stepwitness.devices.errors import BadReply, DeviceError, NoReply, NotStarted, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop, Drive
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput, Place
from stepwitness.standin.can_protocol import Abort
from stepwitness.standin.cia402_node import Cia402Node
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

ENCODER = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
AXIS = Axis("doser", 200, 16, Fraction(1, 500), Fraction(3, 50), Orientation.HORIZONTAL, ENCODER)


class Direct:
    """A `CanNode` in memory. `lose` sees each exchange and says what is lost of it: "", "question" or "answer"."""

    name = "node 1"

    def __init__(self, node: Cia402Node, clock: VirtualClock) -> None:
        self._node, self._clock = node, clock
        self.log = ExchangeLog()
        self.lose: Callable[[str, CanObject, float], str] = lambda *_: ""
        self.written: list[tuple[str, float]] = []
        self.reconnected = 0

    def read(self, item: CanObject) -> int:
        return item.decode(self._exchange("read", item, 0.0, lambda: self._node.read(item.index, item.sub)))

    def write(self, item: CanObject, value: float, *, again: bool = True, urgent: bool = False) -> None:  # noqa: ARG002
        data = item.encode(value)
        self.written.append((str(item), value))

        def write() -> bytes:
            self._node.write(item.index, item.sub, data)
            return b""

        self._exchange("write", item, value, write)

    def read_text(self, index: int, sub: int = 0) -> str:
        return self._node.read(index, sub).decode()

    def _exchange(self, kind: str, item: CanObject, value: float, do: Callable[[], bytes]) -> bytes:
        self._clock.sleep(0.001)
        lost = self.lose(kind, item, value)
        if lost == "question":
            raise NoReply("lost")
        try:
            found = do()
        except Abort as abort:
            raise Refused(str(abort)) from None
        if lost == "answer":
            raise NoReply("lost")
        return found

    def close(self) -> None: ...

    def reconnect(self) -> None:
        self.reconnected += 1


class Bench:
    def __init__(self, loop: str = "open", **changes: Any) -> None:
        self.clock = VirtualClock()
        self.rig = Rig(AXIS, preset("doser"), self.clock)
        standin = self.rig.drive(closed_loop=loop == "closed")
        self.counter = self.rig.counter()
        self.node = Direct(Cia402Node(standin, rated_a=1.2, boots=lambda: standin.boots), self.clock)
        given = {
            "increments_per_microstep": Fraction(1),
            "homing_method": 37,
            "claim_sign": 1,
            "run_current": can_object("0x6073:0 uint16 scale 0.0012"),
            "hold_current": can_object("0x2002:0 uint16 scale 0.001"),
            "attempts": can_object("0x2010:0 uint32"),
            "attempts_made": can_object("0x2011:0 uint32"),
            "state_timeout_s": 0.05,
        }
        kind = Cia402ClosedLoopDrive if loop == "closed" else Cia402Drive
        self.drive = kind(self.node, Profile(**{**given, **changes}))  # type: ignore[arg-type]
        self.drive.take_over()
        self.drive.set_speed(8000.0)
        self.drive.set_acceleration(80_000.0)
        self.drive.set_run_current(1.2)
        self.drive.set_hold_current(0.6)

    def rest(self) -> int:
        while self.drive.status().moving:
            self.clock.sleep(0.005)
        self.clock.sleep(0.2)
        return self.drive.position()

    def truth(self) -> int:
        """Pulses that the plant has really seen."""
        return self.rig.truth().pulses


def test_both_kinds_are_drives_and_one_closes_its_loop() -> None:
    assert isinstance(Bench().drive, Drive)
    assert not isinstance(Bench().drive, ClosesLoop)
    assert isinstance(Bench("closed").drive, ClosesLoop)


def test_a_drive_is_walked_to_operation_enabled_and_back() -> None:
    bench = Bench()
    assert not bench.drive.status().enabled
    bench.drive.enable()
    assert bench.drive.status().enabled
    assert [value for item, value in bench.node.written if item == "6040h:00"] == [0x06, 0x07, 0x0F]
    bench.drive.disable()
    assert not bench.drive.status().enabled


def test_set_points_are_absolute_with_their_handshake() -> None:
    bench = Bench()
    bench.drive.enable()
    bench.node.written.clear()
    bench.drive.start_move_by(100)
    bench.rest()
    bench.drive.start_move_by(-40)
    assert bench.rest() == 60 == bench.truth()
    assert [item for item in bench.node.written if item[0] == "607Ah:00"] == [("607Ah:00", 100), ("607Ah:00", 60)]
    assert all(not int(value) & Control.RELATIVE for item, value in bench.node.written if item == "6040h:00")


def test_a_halt_taken_back_does_not_resume_the_move() -> None:
    bench = Bench()
    bench.drive.enable()
    bench.drive.start_move_by(4000)
    bench.clock.sleep(0.1)
    bench.drive.halt()
    stood = bench.rest()
    assert 0 < stood < 3000
    before = bench.truth()
    bench.drive.set_position(500)
    bench.clock.sleep(0.5)
    assert bench.truth() == before, "setting the claim takes the halt back, and nothing moves"
    bench.drive.start_move_to(600)
    assert bench.rest() == 600
    assert bench.truth() == before + 100


def test_the_stand_in_does_resume_so_that_the_test_above_can_fail() -> None:
    bench = Bench()
    bench.drive.enable()
    bench.drive.start_move_by(4000)
    bench.clock.sleep(0.1)
    bench.drive.halt()
    bench.rest()
    bench.node.write(cia402.CONTROLWORD, cia402.READY)
    bench.drive._control = cia402.READY
    assert bench.rest() == 4000


def test_a_halt_never_switches_a_drive_on() -> None:
    bench = Bench()
    bench.node.write(cia402.CONTROLWORD, 0x06)
    bench.node.write(cia402.CONTROLWORD, 0x07)
    bench.drive.take_over()
    bench.drive.halt()
    assert not bench.drive.status().enabled


def test_moves_are_refused_while_disabled_or_moving_before_anything_is_written() -> None:
    bench = Bench()
    bench.node.written.clear()
    with pytest.raises(Refused, match="disabled"):
        bench.drive.start_move_by(100)
    assert bench.node.written == []
    bench.drive.enable()
    bench.drive.start_move_by(1000)
    with pytest.raises(Refused, match="another one runs"):
        bench.drive.start_move_to(0)
    with pytest.raises(Refused, match="while a move runs"):
        bench.drive.set_position(0)
    assert bench.rest() == 1000


@pytest.mark.parametrize("lost", ["question", "answer"])
def test_after_a_lost_answer_the_drive_is_read_back_and_nothing_moves_twice(lost: str) -> None:
    """The rising edge of the set-point is lost once, either way; then the next move is as good as any."""
    bench = Bench()
    bench.drive.enable()
    edges = 0

    def lose(kind: str, item: CanObject, value: float) -> str:
        nonlocal edges
        if kind == "write" and item is cia402.CONTROLWORD and int(value) & Control.START:
            edges += 1
            return lost if edges == 1 else ""
        return ""

    bench.node.lose = lose
    if lost == "question":
        with pytest.raises(NotStarted):
            bench.drive.start_move_by(800)
        assert bench.rest() == 0 == bench.truth()
    else:
        bench.drive.start_move_by(800)
        assert bench.rest() == 800 == bench.truth()
    bench.drive.start_move_to(1000)
    assert bench.rest() == 1000 == bench.truth()


@given(number=st.integers(0, 25), lost=st.sampled_from(["question", "answer"]), steps=st.integers(-2000, 2000))
def test_whichever_exchange_is_lost_the_axis_goes_where_it_was_sent_or_nowhere(
    number: int, lost: str, steps: int
) -> None:
    bench = Bench()
    bench.drive.enable()
    count = 0

    def lose(*_: Any) -> str:
        nonlocal count
        count += 1
        return lost if count == number + 1 else ""

    bench.node.lose = lose
    with contextlib.suppress(DeviceError):
        bench.drive.start_move_by(steps)
    bench.node.lose = lambda *_: ""
    bench.clock.sleep(2.0)
    assert bench.truth() in (0, steps)


@pytest.mark.parametrize("loop", ["open", "closed"])
@given(number=st.integers(0, 25), steps=st.integers(-2000, 2000), way=st.sampled_from(["by", "to"]))
def test_a_drive_that_starts_anew_meanwhile_goes_no_further_than_it_was_sent(
    loop: str, number: int, steps: int, way: str
) -> None:
    """An absolute set-point from a zero that was lost would be a move of another length. Until the drive's position was
    read nothing on the wire tells it; so far who sends a watched move holds the claim against the counter."""
    bench = Bench(loop)
    bench.drive.enable()
    bench.drive.start_move_to(5000)
    bench.rest()
    asked: list[str] = []

    def reboot(kind: str, item: CanObject, _: float) -> str:
        asked.append(f"{kind} {item}")
        known = asked.index("read 6064h:00") + 1 if "read 6064h:00" in asked else len(asked)
        if len(asked) == number + 1 if way == "by" else len(asked) - known == number + 2:
            bench.rig.drive().reboot(enabled=True)
        return ""

    bench.node.lose = reboot
    with contextlib.suppress(DeviceError):
        bench.drive.start_move_by(steps) if way == "by" else bench.drive.start_move_to(5000 + steps)
    bench.node.lose = lambda *_: ""
    bench.clock.sleep(2.0)
    assert min(0, steps) <= bench.truth() - 5000 <= max(0, steps)


def test_a_fault_is_told_and_reset_by_clear_alarm_alone() -> None:
    bench = Bench("closed")
    drive = bench.drive
    assert isinstance(drive, Cia402ClosedLoopDrive)
    drive.configure_loop(ClosedLoopSettings(0.001, 0.0, 16.0, 0.02))
    drive.enable()
    drive.start_move_by(2000)
    bench.rest()
    status = drive.status()
    assert (status.enabled, status.fault) == (False, "following error (8611h)")
    with pytest.raises(Refused, match=r"in fault: following error \(8611h\)"):
        drive.enable()
    drive.configure_loop(ClosedLoopSettings(math.inf, 0.0, math.inf, 0.02))
    drive.clear_alarm()
    assert not drive.status().fault
    assert not drive.status().enabled, "a reset leaves the drive disabled"
    drive.clear_alarm()
    drive.enable()
    before = bench.truth()
    bench.clock.sleep(1.0)
    assert bench.truth() == before, "the old target is forgotten"


def test_windows_are_never_wider_than_told() -> None:
    bench = Bench("closed", increments_per_microstep=Fraction(5, 2))
    assert isinstance(bench.drive, Cia402ClosedLoopDrive)
    bench.node.written.clear()
    bench.drive.configure_loop(ClosedLoopSettings(32.3, 0.05, math.inf, 0.02, attempts=3))
    written = dict(bench.node.written)
    assert (written["6065h:00"], written["6067h:00"]) == (80, cia402.UNWATCHED)
    assert (written["6066h:00"], written["6068h:00"], written["2010h:00"]) == (0.05, 0.02, 3)


def test_an_axis_outside_its_window_is_corrected_however_slow_the_wire_is() -> None:
    """Windows that came before the attempts, which were none, would be a fault by the time the attempts come."""
    bench = Bench("closed")
    drive = bench.drive
    assert isinstance(drive, Cia402ClosedLoopDrive)
    drive.enable()
    drive.configure_loop(ClosedLoopSettings(math.inf, 0.0, math.inf, 0.02))
    drive.set_run_current(0.0)
    drive.set_hold_current(0.0)
    drive.start_move_to(64)
    bench.rest()
    drive.set_run_current(1.2)
    drive.set_hold_current(0.6)
    assert abs(bench.rest() - 64) > 32, "an electrical period short of its target"
    bench.node.lose = lambda *_: bench.clock.sleep(0.2) or ""
    drive.configure_loop(ClosedLoopSettings(32.0, 0.0, 16.0, 0.02, attempts=2))
    bench.clock.sleep(1.0)
    assert not drive.status().fault
    assert abs(drive.position() - 64) <= 16


def test_position_units_of_the_drive_are_turned_into_microsteps() -> None:
    bench = Bench(increments_per_microstep=Fraction(1, 2))
    bench.drive.enable()
    bench.drive.start_move_by(200)
    assert bench.rest() == 200
    assert bench.truth() == 100, "the stand-in counts in half as many"


def test_a_home_offset_of_the_other_sign_is_told() -> None:
    bench = Bench(claim_sign=-1)
    bench.drive.enable()
    with pytest.raises(BadReply, match="told to claim 700, the drive claims -700; try the other 'home_offset'"):
        bench.drive.set_position(700)


def test_a_claim_needs_an_enabled_drive() -> None:
    with pytest.raises(Refused, match="homing needs it enabled"):
        Bench().drive.set_position(5)


@pytest.mark.parametrize(
    "act",
    [
        lambda drive: drive.set_speed(0.0),
        lambda drive: drive.set_speed(-5.0),
        lambda drive: drive.set_acceleration(math.nan),
        lambda drive: drive.set_run_current(-0.1),
        lambda drive: drive.set_output(17, True),
        lambda drive: drive.start_move_to(1 << 40),
    ],
)
def test_nonsense_is_refused(act: Callable[[Any], None]) -> None:
    bench = Bench()
    bench.drive.enable()
    with pytest.raises(Refused):
        act(bench.drive)


def test_reconnecting_reads_and_moves_nothing() -> None:
    bench = Bench()
    bench.drive.enable()
    bench.drive.start_move_by(4000)
    bench.clock.sleep(0.1)
    bench.drive.halt()
    stood = bench.rest()
    bench.node.written.clear()
    bench.drive.reconnect()
    assert (bench.node.reconnected, bench.node.written) == (1, [])
    bench.drive.start_move_by(10)
    assert bench.rest() == stood + 10, "the halt of before is known again"


def test_the_drive_says_who_it_is() -> None:
    assert str(Bench().drive.identity()) == "vendor 0h stand-in drive 1 1"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"channel": "can0", "node": "1"}, "drive.interface: a CANopen part needs its interface"),
        ({"interface": "slcan", "node": "1"}, "drive.channel: a CANopen part needs its channel"),
        ({"interface": "slcan", "channel": "x"}, "drive.node: 'node' is missing"),
        ({"interface": "slcan", "channel": "x", "node": "128"}, "drive.node: out of bounds"),
        ({"hold_current": "2002"}, "drive.hold_current: not an object of a CANopen node"),
        ({"increments_per_microstep": "0"}, "drive.increments_per_microstep: not a ratio"),
        ({"loops": "1"}, "drive.loops: an unknown option of a CiA 402 drive"),
    ],
)
def test_mistakes_name_their_place(options: dict[str, str], says: str) -> None:
    with pytest.raises(BadInput) as caught:
        cia402.open_drive(Part("cia402", options, Place("b.yaml", 2, "drive")), VirtualClock())
    assert str(caught.value).startswith(f"b.yaml:2 {says}")
