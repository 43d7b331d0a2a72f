"""Checks of a drive that also `ClosesLoop`, in the terms of IEC 61800-7-201."""

from __future__ import annotations

import contextlib

from stepwitness.conformance.subject import Check, Subject, expect
from stepwitness.devices.errors import DeviceError
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop
from stepwitness.errors import BadInput

WINDOW_STEPS = 3.0
"""Following error window of a healthy axis in full steps: above its lag, below a slip of four."""
TIMEOUT_S = 0.01
POSITION_WINDOW_STEPS = 1.0
POSITION_TIME_S = 0.02
LEAST_WINDOW = 1.0e-3
"""Following error window in microsteps that any axis in motion leaves (first principles: torque needs lag)."""


def _loop(subject: Subject) -> ClosesLoop:
    drive = subject.the_drive()
    if not isinstance(drive, ClosesLoop):
        raise BadInput("this check needs a drive that closes its loop", found=type(drive).__name__)
    return drive


def _settings(subject: Subject, *, window: float, timeout_s: float = TIMEOUT_S) -> ClosedLoopSettings:
    return ClosedLoopSettings(
        following_error_window=window,
        following_error_timeout_s=timeout_s,
        position_window=POSITION_WINDOW_STEPS * subject.microsteps_per_step,
        position_window_time_s=POSITION_TIME_S,
    )


def _configure(subject: Subject) -> ClosesLoop:
    loop = _loop(subject)
    loop.configure_loop(_settings(subject, window=WINDOW_STEPS * subject.microsteps_per_step))
    loop.clear_alarm()
    return loop


def is_quiet_in_a_healthy_move(subject: Subject) -> None:
    """A healthy move raises no alarm, needs no attempt, and its following error stays inside the window."""
    loop, window = _configure(subject), WINDOW_STEPS * subject.microsteps_per_step
    with subject.at_work() as drive:
        drive.start_move_by(subject.distance)
        errors = [loop.loop_status().following_error]
        while drive.status().moving:
            errors.append(loop.loop_status().following_error)
        status = loop.loop_status()
    expect(not status.alarm, "a healthy move raised an alarm; expected: quiet")
    expect(status.attempts_made == 0, f"a healthy move took {status.attempts_made} attempts; expected: none")
    worst = max(abs(error) for error in errors)
    expect(worst <= window, f"the following error reached {worst:g} microsteps, beyond the window, without alarm")


def says_when_the_target_is_reached(subject: Subject) -> None:
    """Target reached is off in the middle of a move, and on once the axis has rested in its window."""
    loop = _configure(subject)
    with subject.at_work():
        subject.run_into_motion(subject.distance)
        early = loop.loop_status().target_reached
        subject.finish_move(subject.distance)
        late = loop.loop_status().target_reached
    expect(not early, "in the middle of a move the drive says target reached")
    expect(late, "at rest on its target, the drive doesn't say target reached")


def alarms_outside_its_window(subject: Subject) -> None:
    """A window smaller than any lag raises the alarm, which ends the move and stands until it is cleared."""
    loop = _loop(subject)
    with subject.at_work() as drive:
        start = drive.position()
        loop.configure_loop(_settings(subject, window=LEAST_WINDOW, timeout_s=0.0))
        try:
            drive.start_move_by(subject.distance)
            subject.wait_for_rest(within_s=3 * subject.travel_time_s(subject.distance) + 1.0, after="an alarm")
            expect(
                loop.loop_status().alarm,
                f"with a window of {LEAST_WINDOW:g} microsteps a move ended at {drive.position() - start} of "
                f"{subject.distance} without alarm; expected: an alarm, as any axis lags more",
            )
        finally:
            with contextlib.suppress(DeviceError):  # the check's own failure is what counts
                _configure(subject)


def clears_its_alarm(subject: Subject) -> None:
    """Clearing takes the alarm away and the drive moves again; without an alarm it does nothing."""
    loop = _loop(subject)
    with subject.at_work() as drive:
        loop.configure_loop(_settings(subject, window=LEAST_WINDOW, timeout_s=0.0))
        try:
            drive.start_move_by(subject.distance)
            subject.wait_for_rest(within_s=3 * subject.travel_time_s(subject.distance) + 1.0, after="an alarm")
        finally:
            loop.configure_loop(_settings(subject, window=WINDOW_STEPS * subject.microsteps_per_step))
        try:
            loop.clear_alarm()
            loop.clear_alarm()
        except DeviceError as error:
            raise AssertionError(f"clearing an alarm raises {type(error).__name__} ({error})") from error
        expect(not loop.loop_status().alarm, "a cleared alarm is still there")
        drive.enable()
        before = drive.position()
        subject.move_by(-subject.distance)
        gone = drive.position() - before
        expect(
            abs(gone + subject.distance) <= subject.arrival_tolerance,
            f"after its alarm was cleared the drive went {gone} of {-subject.distance} microsteps",
        )


LOOP_CHECKS: tuple[Check, ...] = (
    is_quiet_in_a_healthy_move,
    says_when_the_target_is_reached,
    alarms_outside_its_window,
    clears_its_alarm,
)
