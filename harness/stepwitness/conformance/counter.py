"""Checks of an `EncoderCounter`; most need a drive that turns the encoder."""

from __future__ import annotations

from itertools import pairwise

from stepwitness.conformance.subject import Check, Subject, expect

READINGS = 10
REST_COUNTS = 1
"""An encoder that rests on an edge may show both sides of it (first principles)."""


def tells_its_identity(subject: Subject) -> None:
    """The identity isn't empty."""
    expect(bool(str(subject.the_counter().identity())), "the counter's identity is empty")


def stands_still_at_rest(subject: Subject) -> None:
    """At rest with the axis held, readings differ by one count at most."""
    counter = subject.the_counter()
    with subject.at_work():
        readings = [counter.counts() for _ in range(READINGS)]
    spread = max(readings) - min(readings)
    expect(
        spread <= REST_COUNTS,
        f"at rest {READINGS} readings spread over {spread} counts; expected {REST_COUNTS} at most",
    )


def counts_the_whole_way(subject: Subject) -> None:
    """Out and back, each way is counted in full, to a step; sign aside."""
    counter = subject.the_counter()
    with subject.at_work():
        for microsteps in (subject.distance, -subject.distance):
            before = counter.counts()
            subject.move_by(microsteps)
            counted, expected = abs(counter.counts() - before), abs(microsteps * subject.counts_per_microstep)
            expect(
                abs(counted - expected) <= subject.counts_per_step,
                f"a move of {microsteps} microsteps is counted as {counted}; expected {expected:.0f}, within a full "
                f"step ({subject.counts_per_step:.0f}): wrong decoding, wrong lines, or edges missed",
            )


def counts_with_its_sign(subject: Subject) -> None:
    """Counts rise and fall as `counts_per_microstep` says."""
    counter = subject.the_counter()
    with subject.at_work():
        before = counter.counts()
        subject.move_by(subject.distance)
        counted = counter.counts() - before
    sense = "up" if subject.counts_per_microstep > 0 else "down"
    expect(
        counted * subject.counts_per_microstep > 0,
        f"a move forward changes the counts by {counted}; expected: {sense}",
    )


def comes_back_to_where_it_was(subject: Subject) -> None:
    """Out and back to the same microstep, the count differs by one at most."""
    counter = subject.the_counter()
    with subject.at_work():
        subject.move_by(subject.distance)
        subject.move_by(-subject.distance)
        before = counter.counts()
        subject.move_by(subject.distance)
        subject.move_by(-subject.distance)
        closure = counter.counts() - before
    expect(
        abs(closure) <= REST_COUNTS,
        f"out and back to the same microstep leaves {closure} counts over; expected {REST_COUNTS} at most",
    )


def can_be_read_in_motion(subject: Subject) -> None:
    """Read while the axis moves, counts go one way, and reading loses none."""
    counter = subject.the_counter()
    with subject.at_work() as drive:
        before = counter.counts()
        drive.start_move_by(subject.distance)
        readings = [before]
        while drive.status().moving:
            readings.append(counter.counts())
        subject.finish_move(subject.distance)
        after = counter.counts()
    sign = 1 if subject.counts_per_microstep > 0 else -1
    ways = [sign * (later - earlier) for earlier, later in pairwise(readings)]
    expect(
        min(ways, default=0) >= -subject.counts_per_step,
        f"in a steady move the counts step back by {-min(ways, default=0)} between two readings",
    )
    expected = abs(subject.distance * subject.counts_per_microstep)
    expect(
        abs(abs(after - before) - expected) <= subject.counts_per_step,
        f"read in motion, a move of {subject.distance} microsteps is counted as {abs(after - before)}; "
        f"expected {expected:.0f}",
    )


def reports_no_faults_in_a_healthy_move(subject: Subject) -> None:
    """The number of impossible transitions doesn't grow over a move, and never falls."""
    counter = subject.the_counter()
    with subject.at_work():
        before = counter.faults()
        expect(before >= 0, f"the counter reports {before} faults; expected: a number since power-up, from 0")
        subject.move_by(subject.distance)
        after = counter.faults()
    expect(
        after == before,
        f"over a healthy move the counter's faults went from {before} to {after}; expected: unchanged",
    )


COUNTER_CHECKS: tuple[Check, ...] = (
    tells_its_identity,
    stands_still_at_rest,
    counts_the_whole_way,
    counts_with_its_sign,
    comes_back_to_where_it_was,
    can_be_read_in_motion,
    reports_no_faults_in_a_healthy_move,
)
