"""The stand-in's node by itself: what IEC 61800-7-201 asks of a drive (from memory)."""

from __future__ import annotations

import contextlib
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.drives.cia402_states import State, state_of
from stepwitness.devices.interfaces import ClosedLoopSettings
from stepwitness.standin.can_protocol import Abort
from stepwitness.standin.cia402_node import Cia402Node
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

ENCODER = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
AXIS = Axis("doser", 200, 16, Fraction(1, 500), Fraction(3, 50), Orientation.HORIZONTAL, ENCODER)


class Bench:
    def __init__(self, *, closed: bool = False) -> None:
        self.clock = VirtualClock()
        self.rig = Rig(AXIS, preset("doser"), self.clock)
        drive = self.rig.drive(closed_loop=closed)
        self.node = Cia402Node(drive, rated_a=1.2, boots=lambda: drive.boots)
        self.write(0x6081, 8000, 4)
        self.write(0x6083, 80_000, 4)
        self.write(0x6073, 1000, 2)

    def read(self, index: int, sub: int = 0) -> int:
        return int.from_bytes(self.node.read(index, sub), "little", signed=index in (0x6062, 0x6064, 0x60F4))

    def write(self, index: int, value: int, size: int, sub: int = 0) -> None:
        self.node.write(index, sub, value.to_bytes(size, "little", signed=value < 0))

    def control(self, *words: int) -> None:
        for word in words:
            self.write(0x6040, word, 2)

    def state(self) -> State:
        return state_of(self.read(0x6041))


def test_the_way_to_operation_enabled_takes_its_three_steps() -> None:
    bench = Bench()
    found = [bench.state()]
    for word in (0x06, 0x07, 0x0F):
        bench.control(word)
        found.append(bench.state())
    assert found == [State.SWITCH_ON_DISABLED, State.READY, State.SWITCHED_ON, State.ENABLED]
    assert bench.rig.drive().status().enabled
    bench.control(0x00)
    assert not bench.rig.drive().status().enabled


def test_a_set_point_is_an_edge_and_is_acknowledged() -> None:
    bench = Bench()
    bench.control(0x06, 0x07, 0x0F)
    bench.write(0x607A, 500, 4)
    assert not bench.read(0x6041) & 1 << 12
    bench.control(0x1F)
    assert bench.read(0x6041) & 1 << 12
    bench.clock.sleep(1.0)
    assert (bench.read(0x6064), bench.read(0x6062)) == (500, 500)
    bench.write(0x607A, 900, 4)
    bench.control(0x1F)
    bench.clock.sleep(1.0)
    assert bench.read(0x6064) == 500, "no edge, no move"
    bench.control(0x0F)
    assert not bench.read(0x6041) & 1 << 12
    bench.control(0x1F | 0x40)
    bench.clock.sleep(1.0)
    assert bench.read(0x6064) == 1400, "relative"


@pytest.mark.parametrize("closed", [False, True])
@pytest.mark.parametrize("enabled", [False, True])
def test_a_reboot_forgets_what_was_commanded(closed: bool, enabled: bool) -> None:
    """A halt that is taken back afterwards resumes nothing: that target was one of another zero."""
    bench = Bench(closed=closed)
    bench.control(0x06, 0x07, 0x0F)
    bench.write(0x607A, 4000, 4)
    bench.control(0x1F, 0x0F)
    bench.clock.sleep(0.2)
    bench.control(0x10F)
    bench.clock.sleep(1.0)
    turned = bench.rig.truth().rotor_turns
    bench.rig.drive().reboot(enabled=enabled)
    assert bench.state() is (State.ENABLED if enabled else State.SWITCH_ON_DISABLED)
    assert (bench.read(0x6040), bench.read(0x6064), bench.read(0x607A)) == (0, 0, 0)
    bench.control(0x06, 0x07, 0x0F)
    bench.clock.sleep(1.0)
    assert bench.rig.truth().rotor_turns == pytest.approx(turned, abs=0.02)


def test_a_reboot_forgets_a_fault_and_the_windows_that_found_it() -> None:
    bench = Bench(closed=True)
    drive = bench.rig.drive()
    bench.control(0x06, 0x07, 0x0F)
    drive.configure_loop(ClosedLoopSettings(32.0, 0.0, 16.0, 0.02))
    drive.set_run_current(0.0)
    drive.start_move_by(400)
    bench.clock.sleep(1.0)
    assert drive.status().fault
    drive.reboot(enabled=True)
    assert (drive.status().fault, drive.loop_status().alarm) == ("", False)
    drive.start_move_by(400)
    bench.clock.sleep(1.0)
    assert not drive.status().fault


def test_a_quick_stop_ends_without_current() -> None:
    bench = Bench()
    bench.control(0x06, 0x07, 0x0F)
    bench.write(0x607A, 8000, 4)
    bench.control(0x1F)
    bench.clock.sleep(0.2)
    bench.control(0x02)
    assert bench.state() is State.QUICK_STOP
    bench.clock.sleep(0.5)
    assert bench.state() is State.SWITCH_ON_DISABLED
    assert 0 < bench.read(0x6064) < 8000


@pytest.mark.parametrize(
    ("index", "value", "size", "code"),
    [
        (0x6041, 0, 2, Abort.READ_ONLY),
        (0x9999, 0, 2, Abort.NO_OBJECT),
        (0x6040, 0, 4, Abort.WRONG_LENGTH),
        (0x6060, 3, 1, Abort.OUT_OF_RANGE),
        (0x6098, 1, 1, Abort.OUT_OF_RANGE),
        (0x6081, 0, 4, Abort.STATE),
        (0x6073, 60_000, 2, Abort.STATE),
    ],
)
def test_what_cannot_be_written_is_aborted(index: int, value: int, size: int, code: int) -> None:
    bench = Bench()
    with pytest.raises(Abort) as caught:
        bench.write(index, value, size)
    assert caught.value.code == code


@given(
    st.lists(st.tuples(st.sampled_from([0x6040, 0x6060, 0x607A, 0x607C, 0x6098]), st.integers(0, 0xFFFF)), max_size=12)
)
def test_no_word_in_any_order_leaves_the_states_of_the_standard(words: list[tuple[int, int]]) -> None:
    bench = Bench(closed=True)
    for index, value in words:
        size = {0x6040: 2, 0x6060: 1, 0x6098: 1}.get(index, 4)
        with contextlib.suppress(Abort):
            bench.write(index, value & (1 << 8 * size) - 1, size)
        bench.clock.sleep(0.003)
        assert bench.state() in State
        assert bench.rig.drive().status().enabled == (bench.state() in (State.ENABLED, State.QUICK_STOP))


def test_a_halt_reaches_the_drive_though_its_move_has_just_ended_and_interrupts_nothing() -> None:
    """Else a halt that loses the race against the end of a move looks like one that never came."""
    bench = Bench()
    bench.control(0x06, 0x07, 0x0F)
    bench.write(0x607A, 16, 4)
    bench.control(0x3F, 0x0F)
    bench.clock.sleep(1.0)
    assert not bench.rig.drive().status().moving
    drive, heard = bench.rig.drive(), []
    halt, drive.halt = drive.halt, lambda: heard.append("halt") or halt()  # type: ignore[method-assign,func-returns-value]
    bench.control(0x10F)
    assert heard == ["halt"]
    bench.control(0x0F)
    bench.clock.sleep(0.1)
    assert (bench.read(0x6064), drive.status().moving) == (16, False)
