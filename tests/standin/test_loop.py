"""The stand-in drive that closes its own loop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from math import inf
from typing import Any

import pytest

from stepwitness.axis import Axis
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop, Drive, HaltOption
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

SETTINGS = ClosedLoopSettings(
    following_error_window=40.0,
    following_error_timeout_s=0.005,
    position_window=8.0,
    position_window_time_s=0.02,
    attempts=3,
)


@dataclass
class Closed:
    rig: Rig
    clock: VirtualClock

    def __post_init__(self) -> None:
        self.drive: Any = self.rig.drive(closed_loop=True)
        self.drive.configure_loop(SETTINGS)
        self.drive.set_speed(32_000.0)
        self.drive.set_acceleration(800_000.0)
        self.drive.enable()

    def finish(self, limit_s: float = 5.0) -> Any:
        end_s = self.clock.now() + limit_s
        while self.clock.now() < end_s:
            self.clock.sleep(0.002)
            loop = self.drive.loop_status()
            if loop.target_reached or self.drive.status().fault:
                return loop
        raise AssertionError("neither arrived nor in fault")

    def current(self, current_a: float) -> None:
        self.drive.set_run_current(current_a)
        self.drive.set_hold_current(current_a)


@pytest.fixture
def closed(doser: Axis) -> Closed:
    clock = VirtualClock()
    return Closed(Rig(doser, preset("doser"), clock), clock)


def test_it_is_a_drive_that_closes_its_loop(closed: Closed) -> None:
    assert isinstance(closed.drive, Drive)
    assert isinstance(closed.drive, ClosesLoop)


def test_a_healthy_move_arrives_without_an_alarm(closed: Closed) -> None:
    closed.drive.start_move_to(16_000)
    assert not closed.drive.loop_status().target_reached
    loop = closed.finish()
    assert (loop.alarm, loop.attempts_made, closed.drive.status().fault) == (False, 0, "")
    assert closed.drive.position() == pytest.approx(16_000, abs=2)
    assert closed.rig.truth().load_m == pytest.approx(0.04, abs=2e-5)


def test_a_starved_move_ends_in_a_fault_after_its_attempts(closed: Closed) -> None:
    closed.current(0.05)
    closed.drive.start_move_to(16_000)
    loop = closed.finish()
    assert (loop.alarm, loop.attempts_made, loop.target_reached) == (True, 3, False)
    assert closed.drive.status().fault == "following error"
    assert closed.drive.status().enabled
    assert closed.drive.position() == pytest.approx(0, abs=2)
    with pytest.raises(Refused, match="fault"):
        closed.drive.start_move_to(100)


def test_detection_takes_its_window_and_its_time_out(closed: Closed) -> None:
    """40 microsteps of a ramp of 800,000 microsteps/s^2 take 10 ms, the time-out 5 ms, the loop's look 1 ms."""
    closed.current(0.05)
    closed.drive.start_move_to(16_000)
    start_s = closed.clock.now()
    while not closed.drive.loop_status().alarm:
        pass
    assert closed.clock.now() - start_s == pytest.approx(0.0155, abs=0.0015)


def test_with_current_restored_it_recovers_within_its_attempts(closed: Closed) -> None:
    closed.current(0.05)
    closed.drive.start_move_to(16_000)
    while not closed.drive.loop_status().alarm:
        pass
    closed.current(1.2)
    loop = closed.finish()
    assert loop.attempts_made >= 1
    assert closed.drive.status().fault == ""
    assert closed.drive.position() == pytest.approx(16_000, abs=2)
    assert closed.rig.truth().load_m == pytest.approx(0.04, abs=2e-5)


def test_after_a_fault_nothing_moves_until_told_and_then_it_goes_all_the_way(closed: Closed) -> None:
    closed.current(0.05)
    closed.drive.start_move_to(16_000)
    closed.finish()
    closed.current(1.2)
    closed.drive.clear_alarm()
    closed.clock.sleep(0.5)
    assert closed.rig.truth().load_m == pytest.approx(0.03, abs=4e-5)
    closed.drive.start_move_to(16_000)
    loop = closed.finish()
    assert not loop.alarm
    assert closed.rig.truth().load_m == pytest.approx(0.04, abs=2e-5)


def test_displaced_at_standstill_it_comes_back(closed: Closed) -> None:
    closed.clock.sleep(0.1)
    closed.rig.shaft_torque(0.5)
    closed.clock.sleep(0.003)
    closed.rig.shaft_torque(0.0)
    closed.clock.sleep(0.02)
    assert abs(closed.rig.truth().slipped_full_steps) >= 4
    closed.clock.sleep(0.3)
    loop = closed.finish()
    assert loop.attempts_made >= 1
    assert closed.drive.position() == pytest.approx(0, abs=8)


def test_left_alone_inside_its_window(closed: Closed) -> None:
    """A push that moves the rotor by less than the window is no reason to do anything."""
    closed.clock.sleep(0.1)
    closed.rig.shaft_torque(0.05)
    closed.clock.sleep(1.0)
    assert closed.drive.loop_status().attempts_made == 0
    assert closed.rig.truth().pulses == 0
    assert closed.rig.truth().rotor_turns != 0.0


def test_a_window_finer_than_the_counts_is_never_reached(closed: Closed) -> None:
    closed.drive.configure_loop(replace(SETTINGS, position_window=0.1))
    closed.drive.start_move_to(1001)
    closed.clock.sleep(1.0)
    loop = closed.drive.loop_status()
    assert loop.attempts_made == 3
    assert not loop.target_reached


def test_windows_without_bound_switch_the_watching_off(closed: Closed) -> None:
    closed.drive.configure_loop(replace(SETTINGS, following_error_window=inf, position_window=inf))
    closed.current(0.05)
    closed.drive.start_move_to(16_000)
    loop = closed.finish()
    assert (loop.alarm, loop.attempts_made) == (False, 0)
    assert abs(loop.following_error) > 15_000


@pytest.mark.parametrize(("option", "enabled"), [(HaltOption.DISABLE, False), (HaltOption.SLOW_DOWN_RAMP, True)])
def test_fault_reaction(closed: Closed, option: HaltOption, enabled: bool) -> None:
    closed.drive.configure_loop(replace(SETTINGS, fault_reaction_option=option, attempts=0))
    closed.current(0.05)
    closed.drive.start_move_to(16_000)
    closed.finish()
    assert closed.drive.status().enabled is enabled


@pytest.mark.parametrize("option", [HaltOption.SLOW_DOWN_RAMP, HaltOption.QUICK_STOP_RAMP, HaltOption.DISABLE])
def test_halt_ends_a_move_where_it_stops_for_good(closed: Closed, option: HaltOption) -> None:
    closed.drive.configure_loop(replace(SETTINGS, halt_option=option))
    closed.drive.start_move_to(16_000)
    closed.clock.sleep(0.2)
    closed.drive.halt()
    closed.drive.halt()
    closed.clock.sleep(0.5)
    stopped = closed.drive.position()
    assert 5000 < stopped < 8000
    assert closed.drive.status().enabled is (option is not HaltOption.DISABLE)
    closed.clock.sleep(0.5)
    assert closed.drive.position() == stopped
    assert closed.drive.loop_status().attempts_made == 0


def test_relative_moves_add_to_the_target_not_to_the_count(closed: Closed) -> None:
    for _ in range(5):
        closed.drive.start_move_by(101)
        closed.finish()
    assert closed.rig.truth().pulses == 505


def test_moves_and_positions_are_refused_in_flight(closed: Closed) -> None:
    closed.drive.start_move_to(16_000)
    for command in (closed.drive.start_move_to, closed.drive.start_move_by, closed.drive.set_position):
        with pytest.raises(Refused, match="runs"):
            command(1)


def test_a_position_can_be_set(closed: Closed) -> None:
    closed.drive.start_move_to(1600)
    closed.finish()
    closed.drive.set_position(0)
    closed.clock.sleep(0.2)
    assert closed.drive.position() == 0
    assert closed.rig.truth().pulses == 1600


def test_enabling_again_holds_where_the_axis_stood(closed: Closed) -> None:
    """The rotor snaps by up to two full steps, and the loop takes it back; the old target is forgotten."""
    closed.drive.start_move_to(1600)
    closed.finish()
    closed.drive.disable()
    closed.rig.shaft_torque(0.5)
    closed.clock.sleep(0.01)
    closed.rig.shaft_torque(0.0)
    closed.clock.sleep(0.2)
    moved = closed.rig.truth().rotor_turns
    assert moved > 0.6
    closed.drive.enable()
    closed.clock.sleep(0.5)
    assert closed.rig.truth().rotor_turns * 3200 == pytest.approx(moved * 3200, abs=8.0 + 2.0)
    assert not closed.drive.loop_status().alarm


@pytest.mark.parametrize("wrong", [{"attempts": -1}, {"position_window": -1.0}, {"following_error_window": -1.0}])
def test_negative_settings_are_refused(closed: Closed, wrong: dict[str, float]) -> None:
    with pytest.raises(Refused):
        closed.drive.configure_loop(replace(SETTINGS, **wrong))  # type: ignore[arg-type]


def test_an_encoder_on_the_load_leaves_the_drive_its_own_on_the_motor(
    doser: Axis, bench_of: Callable[..., Any]
) -> None:
    del bench_of
    clock = VirtualClock()
    assert Closed(Rig(replace(doser, encoder=None), preset("doser"), clock), clock).drive.position() == 0


def test_waiting_at_rest_skips_looks(closed: Closed) -> None:
    """An hour at rest, then a planned hand: the loop still notices."""
    closed.clock.sleep(3600.0)
    assert closed.drive.loop_status().target_reached
