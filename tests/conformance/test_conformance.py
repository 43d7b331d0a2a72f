"""The stand-in passes every check; a part with one fault fails the check that is meant for it, and no other."""

from __future__ import annotations

import ast
import inspect
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

import stepwitness.conformance
from stepwitness.conformance import (
    COUNTER_CHECKS,
    DRIVE_CHECKS,
    GAUGE_CHECKS,
    LOOP_CHECKS,
    METER_CHECKS,
    Check,
    Subject,
    counter,
    drive,
    instruments,
    loop,
)
from stepwitness.devices.errors import NoReply, Refused
from stepwitness.devices.interfaces import ClosedLoopStatus, DriveStatus, Identity
from stepwitness.errors import BadInput

MakeSubject = Callable[..., Subject]


def _name(item: object) -> str:
    """Part of a test's id: the name of what has one."""
    return getattr(item, "__name__", item if isinstance(item, str) and " " not in item else "")


# -- healthy -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("check", [*DRIVE_CHECKS, *COUNTER_CHECKS, *GAUGE_CHECKS, *METER_CHECKS], ids=_name)
def test_the_stand_in_passes(make_subject: MakeSubject, check: Check) -> None:
    check(make_subject())


@pytest.mark.parametrize("check", [*DRIVE_CHECKS, *LOOP_CHECKS], ids=_name)
def test_the_stand_in_that_closes_its_loop_passes(make_subject: MakeSubject, check: Check) -> None:
    check(make_subject(closed_loop=True))


def test_a_drive_passes_without_a_counter(make_subject: MakeSubject) -> None:
    subject = replace(make_subject(), counter=None)
    for check in DRIVE_CHECKS:
        check(subject)


def test_after_the_checks_the_axis_stands_where_it_stood(make_subject: MakeSubject) -> None:
    subject = make_subject()
    the_counter = subject.the_counter()
    before = the_counter.counts()
    for check in DRIVE_CHECKS:
        check(subject)
    assert abs(the_counter.counts() - before) <= subject.counts_per_step


@pytest.mark.parametrize(
    ("checks", "module"),
    [(DRIVE_CHECKS, drive), (COUNTER_CHECKS, counter), (LOOP_CHECKS, loop)],
)
def test_no_check_is_forgotten(checks: tuple[Check, ...], module: ModuleType) -> None:
    public = {
        item
        for name, item in vars(module).items()
        if inspect.isfunction(item) and item.__module__ == module.__name__ and not name.startswith("_")
    }
    assert public == set(checks)
    assert len(checks) == len(set(checks))


def test_the_instruments_checks_are_all_there() -> None:
    public = {item for name, item in vars(instruments).items() if name.startswith(("gauge_", "meter_"))}
    assert public == {*GAUGE_CHECKS, *METER_CHECKS}


# -- faulty drives -------------------------------------------------------------------------------------------


class Faulty:
    """Passes everything on to `inner`; a fault overrides what it gets wrong."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)


class Nameless(Faulty):
    def identity(self) -> Identity:
        return Identity()


class MovesWhileDisabled(Faulty):
    """Refuses, and moves all the same once it can: it energises by itself."""

    def start_move_by(self, microsteps: int) -> None:
        if not self.inner.status().enabled:
            self.inner.enable()
        self.inner.start_move_by(microsteps)


class ForgetsItsPositionWhenEnabled(Faulty):
    def enable(self) -> None:
        if not self.inner.status().enabled:
            self.inner.set_position(0)
        self.inner.enable()


class TakesAMoveUpAgain(Faulty):
    left = 0

    def disable(self) -> None:
        if self.inner.status().moving:
            self.left = 160
        self.inner.disable()

    def enable(self) -> None:
        self.inner.enable()
        if self.left:
            self.inner.start_move_by(self.left)
            self.left = 0


class StopsShortOfLongMoves(Faulty):
    def start_move_by(self, microsteps: int) -> None:
        short = 16 if abs(microsteps) > 1000 else 0
        self.inner.start_move_by(microsteps - short if microsteps > 0 else microsteps + short)


class TakesAbsoluteForRelative(Faulty):
    def start_move_to(self, microsteps: int) -> None:
        self.inner.start_move_by(microsteps)


class WiredBackwards(Faulty):
    """Turns the other way round and claims what it was told."""

    def start_move_by(self, microsteps: int) -> None:
        self.inner.start_move_by(-microsteps)

    def start_move_to(self, microsteps: int) -> None:
        self.inner.start_move_to(-microsteps)

    def position(self) -> int:
        return -int(self.inner.position())

    def set_position(self, microsteps: int) -> None:
        self.inner.set_position(-microsteps)


class RoundsSingleMicrostepsAway(Faulty):
    def start_move_by(self, microsteps: int) -> None:
        self.inner.start_move_by(int(microsteps / 2) * 2)


class TakesASecondMove(Faulty):
    """The second move is dropped silently instead of refused."""

    def start_move_by(self, microsteps: int) -> None:
        if not self.inner.status().moving:
            self.inner.start_move_by(microsteps)


class Slow(Faulty):
    def set_speed(self, microsteps_per_s: float) -> None:
        self.inner.set_speed(microsteps_per_s * (0.4 if microsteps_per_s < 5000 else 1.0))


class TakesNonsense(Faulty):
    def set_speed(self, microsteps_per_s: float) -> None:
        if microsteps_per_s > 0:
            self.inner.set_speed(microsteps_per_s)


class TakesNegativeCurrents(Faulty):
    def set_hold_current(self, current_a: float) -> None:
        self.inner.set_hold_current(abs(current_a))


class KeepsMovingAfterAHalt(Faulty):
    def halt(self) -> None:
        pass


class HaltsByLettingGo(Faulty):
    def halt(self) -> None:
        if self.inner.status().moving:
            self.inner.halt()
            while self.inner.status().moving:
                pass
            self.inner.disable()


class FaultsAfterAHalt(Faulty):
    halted = False

    def halt(self) -> None:
        self.halted = self.halted or self.inner.status().moving
        self.inner.halt()

    def status(self) -> DriveStatus:
        found: DriveStatus = self.inner.status()
        return replace(found, fault="position lost") if self.halted and not found.moving else found


class ClaimsTheTargetOfAnInterruptedMove(Faulty):
    """Believes after a halt that it stands a full turn of the field further on."""

    halted = False

    def halt(self) -> None:
        if self.inner.status().moving:
            self.halted = True
            self.inner.halt()
            while self.inner.status().moving:
                pass
            self.inner.set_position(self.inner.position() + 64)


class ComplainsOfASecondHalt(Faulty):
    def halt(self) -> None:
        if not self.inner.status().moving:
            raise Refused("no move to halt")
        self.inner.halt()


class MovesToItsNewPosition(Faulty):
    def set_position(self, microsteps: int) -> None:
        if not self.inner.status().moving and microsteps != self.inner.position():
            self.inner.start_move_by(160 if microsteps > self.inner.position() else -160)
            while self.inner.status().moving:
                pass
        self.inner.set_position(microsteps)


class TakesAPositionInMotion(Faulty):
    def set_position(self, microsteps: int) -> None:
        if not self.inner.status().moving:
            self.inner.set_position(microsteps)


class FaultsAtAnyRepeatedCurrent(Faulty):
    times = 0

    def set_hold_current(self, current_a: float) -> None:
        self.times += 1
        self.inner.set_hold_current(current_a)

    def status(self) -> DriveStatus:
        found: DriveStatus = self.inner.status()
        return replace(found, fault="overcurrent") if self.times == 2 else found


class MixesUpItsOutputs(Faulty):
    def set_output(self, number: int, on: bool) -> None:
        self.inner.set_output(3 - number, on)


class SwitchesBothOutputs(Faulty):
    def set_output(self, number: int, on: bool) -> None:
        self.inner.set_output(1, not on)
        self.inner.set_output(2, not on)
        self.inner.set_output(number, on)


FAULTY_DRIVES: list[tuple[type[Faulty], Check, str]] = [
    (Nameless, drive.tells_its_identity, "identity is empty"),
    (MovesWhileDisabled, drive.refuses_motion_while_disabled, "a relative move while disabled is accepted"),
    (ForgetsItsPositionWhenEnabled, drive.enabling_keeps_the_claim, "expected: the same"),
    (TakesAMoveUpAgain, drive.disabling_ends_a_move, "the drive goes on from"),
    (StopsShortOfLongMoves, drive.relative_moves_arrive, "a move by -1600 from 960 ends -1584 further on"),
    (TakesAbsoluteForRelative, drive.absolute_moves_arrive, "a move to 960 ends at 1120"),
    (WiredBackwards, drive.moves_the_way_it_is_told, "counted as -500; expected 500"),
    (RoundsSingleMicrostepsAway, drive.small_moves_add_up, "add up to 21 end at 14"),
    (TakesASecondMove, drive.refuses_a_second_move, "a second move while the first one runs is accepted"),
    (Slow, drive.obeys_its_speed, "800 microsteps at 4000 a second took"),
    (TakesNonsense, drive.refuses_nonsense, "set_speed(0) is accepted"),
    (TakesNegativeCurrents, drive.refuses_nonsense, "set_hold_current(-0.1) is accepted"),
    (KeepsMovingAfterAHalt, drive.halts_within_its_ramp, "after a halt the drive still says that it moves"),
    (HaltsByLettingGo, drive.stays_energised_after_a_halt, "after a halt the drive is disabled"),
    (FaultsAfterAHalt, drive.stays_energised_after_a_halt, "reports a fault: position lost"),
    (ClaimsTheTargetOfAnInterruptedMove, drive.knows_where_a_halt_left_it, "counts; expected"),
    (ComplainsOfASecondHalt, drive.takes_a_second_halt, "a second halt raises Refused"),
    (MovesToItsNewPosition, drive.sets_its_position_without_motion, "a new position made the axis move by 100"),
    (TakesAPositionInMotion, drive.refuses_a_position_in_motion, "a new position while a move runs is accepted"),
    (FaultsAtAnyRepeatedCurrent, drive.takes_its_currents, "reports a fault: overcurrent"),
    (MixesUpItsOutputs, drive.reads_its_outputs_back, "output 1 was switched on and reads back off"),
    (SwitchesBothOutputs, drive.reads_its_outputs_back, "switching output 1 changed outputs [2] too"),
]


def test_every_drive_check_has_a_fault_that_it_finds() -> None:
    assert {check for _, check, _ in FAULTY_DRIVES} == set(DRIVE_CHECKS)


@pytest.mark.parametrize(("fault", "meant", "says"), FAULTY_DRIVES, ids=_name)
def test_a_faulty_drive_fails_the_check_that_is_meant_for_it(
    make_subject: MakeSubject, fault: type[Faulty], meant: Check, says: str
) -> None:
    failed = _failures(make_subject, DRIVE_CHECKS, drive=fault)
    assert list(failed) == [meant.__name__], failed
    assert says in failed[meant.__name__]


def _failures(make_subject: MakeSubject, checks: tuple[Check, ...], **parts: Any) -> dict[str, str]:
    """What each check says that fails, each on a subject of its own."""
    failed = {}
    for check in checks:
        try:
            check(make_subject(**parts))
        except AssertionError as error:
            failed[check.__name__] = str(error)
    return failed


# -- faulty counters, gauges, meters, loops ------------------------------------------------------------------


class Trembles(Faulty):
    times = 0

    def counts(self) -> int:
        self.times += 1
        return int(self.inner.counts()) + (3 if self.times % 5 == 0 else 0)


class CountsHalf(Faulty):
    def counts(self) -> int:
        return int(self.inner.counts()) // 2


class CountsBackwards(Faulty):
    def counts(self) -> int:
        return -int(self.inner.counts())


class GathersCounts(Faulty):
    """Picks up eight counts a second from a neighbouring cable."""

    def counts(self) -> int:
        return int(self.inner.counts()) + int(8 * self.inner._rig.clock.now())


class LosesCountsWhenReadInMotion(Faulty):
    readings, last, lost = 0, 0, 0

    def counts(self) -> int:
        found = int(self.inner.counts())
        if 0 < abs(found - self.last) < 100:
            self.lost += 1
        self.last = found
        return found - self.lost


class FindsFaults(Faulty):
    def faults(self) -> int:
        return int(self.inner.counts()) // 100


class ReadsMillimetres(Faulty):
    def travel_m(self) -> float:
        return 1e3 * float(self.inner.travel_m())


class ReadsTheOtherWay(Faulty):
    def travel_m(self) -> float:
        return -float(self.inner.travel_m())


class IsStuck(Faulty):
    def travel_m(self) -> float:
        return 0.0125


class Drifts(Faulty):
    drift_m = 0.0

    def travel_m(self) -> float:
        self.drift_m += 1e-6
        return float(self.inner.travel_m()) + self.drift_m


class ReadsNan(Faulty):
    def current_a(self) -> float:
        return float("nan")


class ReadsNothing(Faulty):
    def current_a(self) -> float:
        return 0.001


class NeverReaches(Faulty):
    def loop_status(self) -> ClosedLoopStatus:
        found: ClosedLoopStatus = self.inner.loop_status()
        return replace(found, target_reached=False)


class AlwaysReaches(Faulty):
    def loop_status(self) -> ClosedLoopStatus:
        found: ClosedLoopStatus = self.inner.loop_status()
        return replace(found, target_reached=True)


class NeverAlarms(Faulty):
    def configure_loop(self, settings: Any) -> None:
        self.inner.configure_loop(replace(settings, following_error_window=1e9))


class AlarmsForNothing(Faulty):
    def loop_status(self) -> ClosedLoopStatus:
        found: ClosedLoopStatus = self.inner.loop_status()
        return replace(found, alarm=self.inner.status().enabled)


class NeverClears(Faulty):
    alarmed = False

    def clear_alarm(self) -> None:
        if self.inner.loop_status().alarm:
            raise Refused("not before power-down")
        self.inner.clear_alarm()


@pytest.mark.parametrize(
    ("role", "fault", "checks", "meant", "says"),
    [
        ("counter", Nameless, COUNTER_CHECKS, [counter.tells_its_identity], "identity is empty"),
        ("counter", Trembles, COUNTER_CHECKS, [counter.stands_still_at_rest], "spread over 3 counts"),
        (
            "counter",
            CountsHalf,
            COUNTER_CHECKS,
            [counter.counts_the_whole_way, counter.can_be_read_in_motion],
            "is counted as 250; expected 500",
        ),
        ("counter", CountsBackwards, COUNTER_CHECKS, [counter.counts_with_its_sign], "by -500; expected: up"),
        (
            "counter",
            GathersCounts,
            COUNTER_CHECKS,
            [counter.comes_back_to_where_it_was],
            "to the same microstep leaves",
        ),
        ("counter", LosesCountsWhenReadInMotion, COUNTER_CHECKS, [counter.can_be_read_in_motion], "read in motion"),
        ("counter", FindsFaults, COUNTER_CHECKS, [counter.reports_no_faults_in_a_healthy_move], "from 0 to 5"),
        ("gauge", Nameless, GAUGE_CHECKS, [instruments.gauge_tells_its_identity], "identity is empty"),
        ("gauge", ReadsTheOtherWay, GAUGE_CHECKS, [instruments.gauge_reads_travel], "reads as -0.0005"),
        ("gauge", IsStuck, GAUGE_CHECKS, [instruments.gauge_reads_travel], "reads as 0 m"),
        ("gauge", Drifts, GAUGE_CHECKS, [instruments.gauge_stands_still_at_rest], "spread over 9"),
        ("meter", Nameless, METER_CHECKS, [instruments.meter_tells_its_identity], "identity is empty"),
        ("meter", ReadsNothing, METER_CHECKS, [instruments.meter_sees_the_windings], "more when energised"),
        (
            "meter",
            ReadsNan,
            METER_CHECKS,
            [instruments.meter_reads_finite_currents, instruments.meter_sees_the_windings],
            "isn't a current",
        ),
    ],
    ids=_name,
)
def test_a_faulty_part_fails_the_check_that_is_meant_for_it(
    make_subject: MakeSubject, role: str, fault: type[Faulty], checks: tuple[Check, ...], meant: list[Check], says: str
) -> None:
    failed = _failures(make_subject, checks, **{role: fault})
    assert list(failed) == [check.__name__ for check in meant], failed
    assert says in failed[meant[0].__name__]


def test_a_gauge_in_the_wrong_unit_is_found(make_subject: MakeSubject) -> None:
    failed = _failures(make_subject, GAUGE_CHECKS, gauge=ReadsMillimetres)
    assert "wrong unit" in failed["gauge_reads_travel"]


@pytest.mark.parametrize(
    ("fault", "meant", "says"),
    [
        (NeverReaches, loop.says_when_the_target_is_reached, "doesn't say target reached"),
        (AlwaysReaches, loop.says_when_the_target_is_reached, "in the middle of a move the drive says"),
        (NeverAlarms, loop.alarms_outside_its_window, "without alarm; expected: an alarm"),
        (NeverClears, loop.clears_its_alarm, "clearing an alarm raises Refused"),
    ],
    ids=_name,
)
def test_a_faulty_loop_fails_the_check_that_is_meant_for_it(
    make_subject: MakeSubject, fault: type[Faulty], meant: Check, says: str
) -> None:
    class WithALoop(fault):  # type: ignore[misc,valid-type]
        """A protocol's methods are looked for on the object, which `Faulty` passes on."""

    failed = _failures(make_subject, LOOP_CHECKS, drive=WithALoop, closed_loop=True)
    assert list(failed) == [meant.__name__], failed
    assert says in failed[meant.__name__]


def test_a_loop_that_alarms_for_nothing_is_not_called_healthy(make_subject: MakeSubject) -> None:
    failed = _failures(make_subject, LOOP_CHECKS, drive=AlarmsForNothing, closed_loop=True)
    assert "a healthy move raised an alarm" in failed["is_quiet_in_a_healthy_move"]


# -- mistakes of whoever checks ------------------------------------------------------------------------------


def test_a_check_without_the_part_that_it_needs_never_passes(make_subject: MakeSubject) -> None:
    subject = replace(make_subject(), drive=None, counter=None, gauge=None, meter=None)
    for check in (*DRIVE_CHECKS, *COUNTER_CHECKS, *GAUGE_CHECKS, *METER_CHECKS, *LOOP_CHECKS):
        with pytest.raises(BadInput, match="this check needs a"):
            check(subject)


def test_loop_checks_refuse_a_drive_without_a_loop(make_subject: MakeSubject) -> None:
    for check in LOOP_CHECKS:
        with pytest.raises(BadInput, match="closes its loop"):
            check(make_subject())


def test_too_little_room_and_an_unknown_travel_are_told(make_subject: MakeSubject) -> None:
    subject = make_subject()
    with pytest.raises(BadInput, match="too little room"):
        replace(subject, reach=100)
    with pytest.raises(BadInput, match="needs to know the travel"):
        instruments.gauge_reads_travel(replace(subject, travel_per_microstep_m=0.0))


def test_an_error_of_the_link_is_not_a_verdict_on_the_drive(make_subject: MakeSubject) -> None:
    class Silent(Faulty):
        def position(self) -> int:
            raise NoReply("bench: nothing")

    with pytest.raises(NoReply):
        drive.relative_moves_arrive(make_subject(drive=Silent))


def test_the_example_in_the_docstring_is_python_and_names_what_there_is() -> None:
    assert stepwitness.conformance.__doc__ is not None
    example = inspect.cleandoc(stepwitness.conformance.__doc__).split("::\n")[1].split("\nThe checks")[0]
    code = ast.parse(inspect.cleandoc(example))
    keywords = {word.arg for node in ast.walk(code) if isinstance(node, ast.Call) for word in node.keywords}
    assert {"drive", "clock", "reach", "speed", "acceleration"} <= keywords
    assert Path(stepwitness.conformance.__file__).name == "__init__.py"
