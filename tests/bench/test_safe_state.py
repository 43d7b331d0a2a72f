"""The safe state: its order, what a failing step does to the next, and a brake that is proven before it is trusted."""

from __future__ import annotations

import itertools
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription, Reference, ReferenceMethod
from stepwitness.bench.errors import SafeStateError
from stepwitness.bench.safe_state import to_safe_state
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import LinkLost, NoReply
from stepwitness.devices.interfaces import DriveStatus


class Recorder:
    """A drive or a brake that notes what it is told, and fails where it is told to."""

    def __init__(self, calls: list[Any], failing: str) -> None:
        self._calls, self._failing = calls, failing
        self.moving_until = 1
        self.enabled = True

    def __getattr__(self, name: str) -> Any:
        def told(*arguments: Any) -> None:
            self._calls.append((name, *arguments))
            if name == self._failing:
                raise NoReply(f"no reply to {name}")

        return told

    def status(self) -> DriveStatus:
        if self._failing == "status":
            raise NoReply("no reply to status")
        self.moving_until -= 1
        return DriveStatus(enabled=self.enabled, moving=self.moving_until >= 0)


def recorded(description: BenchDescription, *, failing: str = "", drift_m: float = 0.0) -> tuple[Any, list[Any]]:
    """What `to_safe_state` asks of a bench, noted; the load drifts by `drift_m` between two looks."""
    calls: list[Any] = []
    looks = iter(range(10**6))
    drive = Recorder(calls, failing)
    bench = SimpleNamespace(
        description=description,
        axis=description.axis,
        clock=VirtualClock(),
        drive=drive,
        brake=Recorder(calls, failing) if description.brake else None,
        counter=object(),
        gauge=None,
        witnessed_travel_m=lambda: next(looks) * drift_m,
    )
    return bench, calls


HOLD = [("halt",), ("set_hold_current", 0.6)]


def test_hold_halts_and_holds_and_never_de_energises(doser: BenchDescription) -> None:
    bench, calls = recorded(doser)
    to_safe_state(bench)
    assert calls == HOLD


def test_a_vertical_axis_is_held_braked_proven_and_only_then_de_energised(lift: BenchDescription) -> None:
    bench, calls = recorded(lift)
    to_safe_state(bench)
    assert calls[:3] == [("halt",), ("set_hold_current", 2.0), ("close",)]
    assert calls[-2:] == [("set_hold_current", 2.0), ("disable",)]
    proof = calls[3:-2]
    assert {name for name, _ in proof} == {"set_hold_current"}
    currents_a = [current_a for _, current_a in proof]
    assert currents_a == sorted(currents_a, reverse=True), "less and less"
    assert currents_a[-1] == 0.0, "the brake alone"
    stages = itertools.pairwise([2.0, *currents_a[:-1]])
    assert min(later / earlier for earlier, later in stages) > 0.6, "in small stages"


def test_what_is_de_energised_already_is_only_braked(lift: BenchDescription) -> None:
    bench, calls = recorded(lift)
    bench.drive.enabled = False
    to_safe_state(bench)
    assert calls == [("halt",), ("set_hold_current", 2.0), ("close",)]


@pytest.mark.parametrize("failing", ["halt", "status", "set_hold_current"])
def test_a_failing_step_doesnt_hinder_the_next(doser: BenchDescription, failing: str) -> None:
    bench, calls = recorded(doser, failing=failing)
    with pytest.raises(SafeStateError, match=f"no reply to {failing}; keep clear of the axis"):
        to_safe_state(bench)
    assert calls == HOLD


@pytest.mark.parametrize("failing", ["halt", "set_hold_current", "close"])
def test_a_vertical_axis_is_braked_whatever_failed_before(lift: BenchDescription, failing: str) -> None:
    bench, calls = recorded(lift, failing=failing)
    with pytest.raises(SafeStateError, match="the safe state was not reached"):
        to_safe_state(bench)
    assert ("close",) in calls
    de_energised = ("disable",) in calls
    assert de_energised is (failing == "halt"), "de-energised without a proven brake"


def test_every_failure_is_told(doser: BenchDescription) -> None:
    bench, _ = recorded(doser, failing="halt")
    bench.drive.moving_until = 10**6
    with pytest.raises(SafeStateError) as caught:
        to_safe_state(bench)
    assert "halt: no reply to halt; coming to rest: still moving 2 s after the halt" in str(caught.value)


def test_a_load_that_creeps_on_its_brake_keeps_its_motor(lift: BenchDescription) -> None:
    bench, calls = recorded(lift, drift_m=2e-6)
    with pytest.raises(SafeStateError, match=r"the brake doesn't hold .* at 70% of the holding current"):
        to_safe_state(bench)
    assert ("disable",) not in calls
    assert calls[-1] == ("set_hold_current", 2.0)


def test_a_brake_that_nothing_can_see_isnt_trusted(lift: BenchDescription) -> None:
    bench, calls = recorded(lift)
    bench.counter = None
    with pytest.raises(SafeStateError, match="neither counter nor gauge"):
        to_safe_state(bench)
    assert ("close",) in calls
    assert ("disable",) not in calls


def test_a_brake_of_the_description_that_isnt_there(lift: BenchDescription) -> None:
    bench, calls = recorded(replace(lift, brake=None))
    with pytest.raises(SafeStateError, match="no brake; the motor stays energised"):
        to_safe_state(bench)
    assert ("disable",) not in calls


# -- by physics ----------------------------------------------------------------------------------------------


def _raised(rig: Any) -> Any:
    """Energised, the brake open, and travelling upwards."""
    motion.prepare(rig.bench, speed_m_per_s=0.02)
    rig.bench.drive.start_move_to(rig.bench.axis.nearest_microstep(0.1))
    rig.clock.sleep(0.5)
    return rig


@pytest.fixture
def up(lift: BenchDescription) -> BenchDescription:
    """Without a way to a limit switch: the datum is where it stands."""
    return replace(lift, reference=Reference(ReferenceMethod.DATUM, 0.06))


def test_a_moving_load_ends_braked_and_de_energised(rigged: Any, up: BenchDescription) -> None:
    rig = _raised(rigged(up))
    rig.bench.to_safe_state()
    assert not rig.bench.drive.status().enabled
    assert rig.bench.brake.is_closed()
    assert rig.rig.truth().currents_a == pytest.approx((0.0, 0.0), abs=1e-6)
    assert rig.load_m() > 0.065
    assert rig.stays_put(for_s=10.0)


def test_twice_is_as_good_as_once(rigged: Any, up: BenchDescription) -> None:
    rig = _raised(rigged(up))
    rig.bench.to_safe_state()
    before_m = rig.load_m()
    rig.bench.to_safe_state()
    assert rig.load_m() == before_m
    assert not rig.bench.drive.status().enabled


@pytest.mark.parametrize("torque_nm", [0.0, 0.003])
@pytest.mark.parametrize("mass_kg", [3.0, 12.0, 48.0])
def test_a_weak_brake_keeps_the_motor_energised_and_the_load_up(
    rigged: Any, up: BenchDescription, torque_nm: float, mass_kg: float
) -> None:
    """The motor holds these loads with a hundredth to a quarter of its current, and can't catch one that ran away."""
    rig = _raised(rigged(up, brake={"torque_nm": torque_nm}, load={"mass_kg": mass_kg}))
    with pytest.raises(SafeStateError, match="the brake doesn't hold"):
        rig.bench.to_safe_state()
    assert rig.bench.drive.status().enabled
    assert rig.stays_put(for_s=10.0)
    assert rig.load_m() > 0.0695
    rig.rig.push(-5.0)
    assert rig.stays_put(), "the motor holds the load no more"


def test_hold_stops_a_moving_axis_and_keeps_it_energised(rigged: Any, doser: BenchDescription) -> None:
    rig = rigged(doser, start_m=0.004)
    motion.prepare(rig.bench, speed_m_per_s=0.02)
    rig.bench.drive.start_move_to(rig.bench.axis.nearest_microstep(0.05))
    rig.clock.sleep(0.3)
    rig.bench.to_safe_state()
    assert rig.bench.drive.status() == DriveStatus(enabled=True, moving=False)
    assert rig.stays_put()
    assert rig.load_m() < 0.02


def test_a_lost_link_is_opened_anew_to_halt(doser: BenchDescription) -> None:
    bench, calls = recorded(doser)
    lost = [LinkLost("the cable is out")]

    def halt() -> None:
        calls.append(("halt",))
        if lost:
            raise lost.pop()

    bench.drive.halt = halt
    to_safe_state(bench)
    assert calls == [("halt",), ("reconnect",), ("halt",), ("set_hold_current", 0.6)]


def test_a_link_that_stays_lost_is_told_with_both_reasons(doser: BenchDescription) -> None:
    bench, _ = recorded(doser, failing="reconnect")

    def halt() -> None:
        raise LinkLost("the cable is out")

    bench.drive.halt = halt
    with pytest.raises(SafeStateError, match="the cable is out; opening it again: no reply to reconnect"):
        to_safe_state(bench)
