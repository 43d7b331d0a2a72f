"""Checks of a `Drive`. A drive that counts its pulses arrives to the microstep (`Subject.arrival_tolerance`)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from stepwitness.conformance.subject import SETTLING_S, Check, Subject, expect
from stepwitness.devices.errors import DeviceError, Refused

SPEED_TOLERANCE = 0.1
"""Share by which the time of a move may differ from the profile's (common practice, no source)."""
STEPS_OF_A_SNAP = 4
"""Full steps that a rotor may turn by when its current returns: to the next place in its field (first principles)."""
NONSENSE: tuple[tuple[str, float], ...] = (
    ("set_speed", 0.0),
    ("set_speed", -1.0),
    ("set_acceleration", 0.0),
    ("set_acceleration", -1.0),
    ("set_run_current", -0.1),
    ("set_hold_current", -0.1),
)


@dataclass(frozen=True)
class _Stand:
    """Claim and counts (None without a counter) at rest."""

    claim: int
    counts: int | None

    @classmethod
    def of(cls, subject: Subject) -> _Stand:
        counter = subject.counter
        return cls(subject.the_drive().position(), counter.counts() if counter is not None else None)

    def counted_since(self, earlier: _Stand) -> int | None:
        """Counts in between; None without a counter."""
        return None if self.counts is None or earlier.counts is None else self.counts - earlier.counts


def _expect_no_motion(subject: Subject, before: _Stand, *, after: str) -> None:
    """Neither claim nor counts have changed since `before`."""
    now = _Stand.of(subject)
    expect(
        _arrived(subject, now.claim, before.claim),
        f"after {after} the drive claims {now.claim}, before it {before.claim}; expected: unchanged",
    )
    counted = now.counted_since(before)
    expect(
        counted is None or abs(counted) <= subject.counts_per_step,
        f"after {after} the counter has seen {counted} counts; expected: no motion",
    )


def _arrived(subject: Subject, found: int, target: int) -> bool:
    return abs(found - target) <= subject.arrival_tolerance


def _expect_refused(action: Callable[[], object], *, what: str, expected: str) -> None:
    try:
        action()
    except Refused:
        return
    except DeviceError as error:
        raise AssertionError(f"{what} raises {type(error).__name__} ({error}); expected: Refused") from error
    raise AssertionError(f"{what} is accepted; {expected}")


# -- state ---------------------------------------------------------------------------------------------------


def tells_its_identity(subject: Subject) -> None:
    """The identity isn't empty and doesn't change."""
    drive = subject.the_drive()
    first, second = str(drive.identity()), str(drive.identity())
    expect(bool(first), "the drive's identity is empty; expected: maker, model, serial or version")
    expect(first == second, f"asked twice, the drive is '{first}' and '{second}'; expected: the same")


def refuses_motion_while_disabled(subject: Subject) -> None:
    """Both kinds of move are refused while disabled, and nothing moves."""
    with subject.at_work() as drive:
        drive.disable()
        expect(not drive.status().enabled, "after disable the status says enabled")
        subject.clock.sleep(SETTLING_S)
        before = _Stand.of(subject)
        _expect_refused(
            lambda: drive.start_move_by(subject.distance),
            what="a relative move while disabled",
            expected="a disabled drive refuses to move",
        )
        _expect_refused(
            lambda: drive.start_move_to(before.claim + subject.distance),
            what="an absolute move while disabled",
            expected="a disabled drive refuses to move",
        )
        subject.clock.sleep(subject.travel_time_s(subject.distance))
        _expect_no_motion(subject, before, after="a move that was refused")


def enabling_keeps_the_claim(subject: Subject) -> None:
    """Disable and enable leave the claimed position alone."""
    with subject.at_work() as drive:
        subject.move_by(subject.distance)
        before = drive.position()
        drive.disable()
        while_disabled = drive.position()
        drive.enable()
        expect(drive.status().enabled, "after enable the status says disabled")
        after = drive.position()
        spread = max(before, while_disabled, after) - min(before, while_disabled, after)
        expect(
            spread <= subject.arrival_tolerance,
            f"the drive claims {before} before disable, {while_disabled} after it and {after} after enable; "
            "expected: the same",
        )


def disabling_ends_a_move(subject: Subject) -> None:
    """A move that is cut short by disable is over: enabling again doesn't take it up."""
    with subject.at_work() as drive:
        subject.run_into_motion(subject.distance)
        drive.disable()
        subject.clock.sleep(subject.reaction_s)
        status = drive.status()
        expect(not status.enabled, "disabled in mid-move, the status says enabled")
        expect(not status.moving, "disabled in mid-move, the drive still says that it moves; expected: at rest")
        drive.enable()
        claim = drive.position()
        subject.clock.sleep(subject.travel_time_s(subject.distance))
        # The rotor snaps to its field when that returns, and a drive with an encoder of its own says so.
        expect(
            abs(drive.position() - claim) <= STEPS_OF_A_SNAP * subject.microsteps_per_step,
            f"enabled again, the drive goes on from {claim} to {drive.position()}; expected: the move is over",
        )


# -- moves ---------------------------------------------------------------------------------------------------


def relative_moves_arrive(subject: Subject) -> None:
    """A relative move ends where it should, in both directions; one of 0 ends at once."""
    with subject.at_work() as drive:
        for microsteps in (subject.distance, -2 * subject.distance, subject.distance, 0):
            start = drive.position()
            subject.move_by(microsteps)
            gone = drive.position() - start
            expect(_arrived(subject, gone, microsteps), f"a move by {microsteps} from {start} ends {gone} further on")


def absolute_moves_arrive(subject: Subject) -> None:
    """An absolute move ends on its target; a second one to the same place stays there."""
    with subject.at_work() as drive:
        start = drive.position()
        for offset in (subject.distance, -subject.distance, -subject.distance, 0):
            target, way = start + offset, start + offset - drive.position()
            drive.start_move_to(target)
            subject.finish_move(way)
            found = drive.position()
            expect(_arrived(subject, found, target), f"a move to {target} ends at {found}")


def moves_the_way_it_is_told(subject: Subject) -> None:
    """A positive move raises the claim, and the counter agrees with direction and distance."""
    with subject.at_work():
        for microsteps in (subject.distance, -subject.distance):
            before = _Stand.of(subject)
            subject.move_by(microsteps)
            after = _Stand.of(subject)
            claimed = after.claim - before.claim
            expect(
                claimed * microsteps > 0,
                f"a move by {microsteps} changes the claim by {claimed}; expected: the same sign",
            )
            counted = after.counted_since(before)
            expected = microsteps * subject.counts_per_microstep
            expect(
                counted is None or abs(counted - expected) <= subject.counts_per_step,
                f"a move by {microsteps} is counted as {counted}; expected {expected:.0f}, within a full step "
                f"({subject.counts_per_step:.0f}): wrong sign, wrong microstepping, or lost steps",
            )


def small_moves_add_up(subject: Subject) -> None:
    """Moves of odd numbers of microsteps lose nothing, out and back."""
    with subject.at_work() as drive:
        start = drive.position()
        for direction in (1, -1):
            gone = 0
            for microsteps in (1, 3, 7, 1, 1, 5, 3):
                if gone + microsteps > subject.distance:
                    break
                subject.move_by(direction * microsteps)
                gone += microsteps
            claimed, expected = drive.position() - start, gone if direction > 0 else 0
            expect(
                _arrived(subject, claimed, expected),
                f"small moves that add up to {expected} end at {claimed}; expected: nothing is rounded away",
            )


def refuses_a_second_move(subject: Subject) -> None:
    """A move during a move is refused, and the first one arrives all the same."""
    with subject.at_work() as drive:
        start = drive.position()
        subject.run_into_motion(subject.distance)
        _expect_refused(
            lambda: drive.start_move_by(-subject.distance),
            what="a second move while the first one runs",
            expected="it is refused, as nobody can say where it would end",
        )
        subject.finish_move(subject.distance)
        gone = drive.position() - start
        expect(
            _arrived(subject, gone, subject.distance),
            f"disturbed by a refused one, a move by {subject.distance} ends {gone} further on",
        )


def obeys_its_speed(subject: Subject) -> None:
    """The time of a move follows the set speed, at the full and at the half."""
    with subject.at_work() as drive:
        for speed in (subject.speed, subject.speed / 2):
            drive.set_speed(speed)
            expected_s = subject.travel_time_s(subject.distance, speed=speed)
            started_s = subject.clock.now()
            drive.start_move_by(subject.distance)
            subject.wait_for_rest(within_s=3 * expected_s + 1.0, after=f"a move of {subject.distance}")
            took_s = subject.clock.now() - started_s
            expect(
                abs(took_s - expected_s) <= SPEED_TOLERANCE * expected_s + subject.reaction_s,
                f"{subject.distance} microsteps at {speed:g} a second took {took_s:.3f} s; expected "
                f"{expected_s:.3f} s with ramps of {subject.acceleration:g} a second squared",
            )
            subject.clock.sleep(SETTLING_S)
            subject.move_by(-subject.distance)


def refuses_nonsense(subject: Subject) -> None:
    """A speed or an acceleration that isn't positive, and a negative current, are refused."""
    with subject.at_work() as drive:
        for name, value in NONSENSE:
            _expect_refused(
                lambda name=name, value=value: getattr(drive, name)(value),  # type: ignore[misc]
                what=f"{name}({value:g})",
                expected="such a value means nothing and is refused",
            )


# -- halt ----------------------------------------------------------------------------------------------------


def halts_within_its_ramp(subject: Subject) -> None:
    """After a halt the drive rests within the time and the way of its ramp, short of the target."""
    with subject.at_work() as drive:
        speed = _speed_to_halt_from(subject)
        drive.set_speed(speed)
        start = drive.position()
        subject.run_into_motion(subject.distance, speed=speed)
        at = drive.position()
        drive.halt()
        subject.wait_for_rest(within_s=1.5 * speed / subject.acceleration + subject.reaction_s, after="a halt")
        went_on, allowed = drive.position() - at, _way_of_a_halt(subject, speed)
        expect(
            0 <= went_on <= allowed,
            f"halted at {at - start} of {subject.distance}, the drive went on for {went_on}; expected {allowed:.0f} "
            "at most, the way of its ramp",
        )


def _way_of_a_halt(subject: Subject, speed: float) -> float:
    """Microsteps within which a drive must rest after a halt at `speed`: half again its ramp, and its reaction."""
    return 1.5 * speed**2 / (2 * subject.acceleration) + speed * subject.reaction_s


def _speed_to_halt_from(subject: Subject) -> float:
    """The set speed, or a lower one at which a halt half-way leaves the target well out of reach."""
    speed = subject.speed
    while _way_of_a_halt(subject, speed) > subject.distance / 4:
        speed /= 2
    return speed


def stays_energised_after_a_halt(subject: Subject) -> None:
    """After a halt: at rest, enabled, without a fault, and ready for the next move."""
    with subject.at_work() as drive:
        subject.run_into_motion(subject.distance)
        drive.halt()
        subject.clock.sleep(1.5 * subject.travel_time_s(subject.distance))
        status = drive.status()
        expect(status.enabled, "after a halt the drive is disabled; expected: still energised")
        expect(not status.fault, f"after a halt the drive reports a fault: {status.fault}; expected: none")


def knows_where_a_halt_left_it(subject: Subject) -> None:
    """After an interrupted move the claim rests between start and target and agrees with the counter."""
    with subject.at_work() as drive:
        before = _Stand.of(subject)
        subject.run_into_motion(subject.distance)
        drive.halt()
        subject.clock.sleep(subject.travel_time_s(subject.distance) + SETTLING_S)
        after = _Stand.of(subject)
        claimed, counted = after.claim - before.claim, after.counted_since(before)
        expected = abs(claimed * subject.counts_per_microstep)
        expect(claimed != 0, "a move was halted half-way and the drive claims not to have moved at all")
        expect(
            counted is None or abs(abs(counted) - expected) <= subject.counts_per_step,
            f"after an interrupted move the drive claims {claimed} microsteps and the counter has seen {counted} "
            f"counts; expected {expected:.0f} either way, within a full step",
        )
        expect(
            _arrived(subject, drive.position(), after.claim),
            f"at rest after a halt the claim moves on from {after.claim} to {drive.position()}",
        )


def takes_a_second_halt(subject: Subject) -> None:
    """A halt during a halt, and one at rest, do no harm."""
    with subject.at_work() as drive:
        subject.run_into_motion(subject.distance)
        try:
            drive.halt()
            drive.halt()
            subject.clock.sleep(subject.travel_time_s(subject.distance) + SETTLING_S)
            before = _Stand.of(subject)
            drive.halt()
        except DeviceError as error:
            raise AssertionError(
                f"a second halt raises {type(error).__name__} ({error}); expected: it does nothing"
            ) from error
        subject.clock.sleep(SETTLING_S)
        _expect_no_motion(subject, before, after="a halt at rest")


# -- settings ------------------------------------------------------------------------------------------------


def sets_its_position_without_motion(subject: Subject) -> None:
    """A new position is claimed at once and to the microstep, and nothing moves."""
    with subject.at_work() as drive:
        before = _Stand.of(subject)
        claim = before.claim + 12_345
        drive.set_position(claim)
        try:
            found = drive.position()
            expect(found == claim, f"told to claim {claim}, the drive claims {found}")
            subject.clock.sleep(subject.travel_time_s(subject.distance))
            counted = _Stand.of(subject).counted_since(before)
            expect(not drive.status().moving, "a new position makes the drive move; expected: a claim, no motion")
            expect(
                counted is None or abs(counted) <= subject.counts_per_step,
                f"a new position made the axis move by {counted} counts; expected: a claim, no motion",
            )
        finally:
            drive.set_position(before.claim)


def refuses_a_position_in_motion(subject: Subject) -> None:
    """A new position while a move runs is refused, as nobody can say what it would mean."""
    with subject.at_work() as drive:
        start = drive.position()
        subject.run_into_motion(subject.distance)
        try:
            _expect_refused(
                lambda: drive.set_position(start),
                what="a new position while a move runs",
                expected="it is refused, as nobody can say to which instant it belongs",
            )
        except AssertionError:
            subject.finish_move(subject.distance)
            drive.set_position(start + subject.distance)
            raise


def takes_its_currents(subject: Subject) -> None:
    """Run and hold current are accepted at rest, without motion or fault."""
    with subject.at_work() as drive:
        before = _Stand.of(subject)
        if subject.run_current_a is not None:
            drive.set_run_current(subject.run_current_a)
        if subject.hold_current_a is not None:
            drive.set_hold_current(subject.hold_current_a)
        subject.clock.sleep(SETTLING_S)
        fault = drive.status().fault
        expect(not fault, f"after a change of current the drive reports a fault: {fault}")
        _expect_no_motion(subject, before, after="a change of current")


def reads_its_outputs_back(subject: Subject) -> None:
    """Each output reads back as it was switched, and switching one leaves the others alone."""
    with subject.at_work() as drive:
        for number in subject.outputs:
            others = {other: drive.output(other) for other in subject.outputs if other != number}
            for on in (True, False):
                drive.set_output(number, on)
                found = drive.output(number)
                expect(found is on, f"output {number} was switched {_on(on)} and reads back {_on(found)}")
            changed = [other for other, was in others.items() if drive.output(other) is not was]
            expect(not changed, f"switching output {number} changed outputs {changed} too")


def _on(on: bool) -> str:
    return "on" if on else "off"


DRIVE_CHECKS: tuple[Check, ...] = (
    tells_its_identity,
    refuses_motion_while_disabled,
    enabling_keeps_the_claim,
    disabling_ends_a_move,
    relative_moves_arrive,
    absolute_moves_arrive,
    moves_the_way_it_is_told,
    small_moves_add_up,
    refuses_a_second_move,
    obeys_its_speed,
    refuses_nonsense,
    halts_within_its_ramp,
    stays_energised_after_a_halt,
    knows_where_a_halt_left_it,
    takes_a_second_halt,
    sets_its_position_without_motion,
    refuses_a_position_in_motion,
    takes_its_currents,
    reads_its_outputs_back,
)
