"""Pulse times against the path they come from."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.standin.pulses import PulseTrain, trapezoid

speeds = st.floats(10.0, 1e5)
accelerations = st.floats(1e2, 1e7)


def train(pulses: int, speed: float = 1000.0, acceleration: float = 10_000.0, start_s: float = 0.0) -> PulseTrain:
    return PulseTrain(start_s=start_s, pulses=pulses, speed=speed, acceleration=acceleration)


def test_a_long_move_takes_the_trapezoids_time() -> None:
    """Closed form: distance over speed plus speed over acceleration."""
    assert train(1000).end_s == pytest.approx(1000 / 1000 + 1000 / 10_000)


def test_a_short_move_never_cruises() -> None:
    """Closed form of the triangle: 2 sqrt(distance / acceleration)."""
    assert train(50).end_s == pytest.approx(2 * math.sqrt(50 / 10_000))


@given(pulses=st.integers(1, 3000), speed=speeds, acceleration=accelerations, start_s=st.floats(0, 1e4))
def test_every_pulse_leaves_once_in_order_and_within_the_move(
    pulses: int, speed: float, acceleration: float, start_s: float
) -> None:
    move = train(pulses, speed, acceleration, start_s)
    times = move.times_s(0).tolist()
    assert len(times) == move.total == pulses
    assert times == sorted(times)
    assert start_s <= times[0]
    assert times[-1] <= move.end_s


@given(pulses=st.integers(2, 500), speed=speeds, acceleration=accelerations)
def test_the_path_passes_half_a_pulse_before_each(pulses: int, speed: float, acceleration: float) -> None:
    move = train(pulses, speed, acceleration)
    for number, time_s in enumerate(move.times_s(0).tolist(), start=1):
        place, _ = move.path(time_s)
        assert place == pytest.approx(number - 0.5, abs=1e-6 * pulses)


@given(pulses=st.integers(2, 500), speed=speeds, acceleration=accelerations)
def test_no_two_pulses_come_faster_than_the_speed(pulses: int, speed: float, acceleration: float) -> None:
    times = train(pulses, speed, acceleration).times_s(0).tolist()
    shortest = min(after - before for before, after in itertools.pairwise(times))
    assert shortest >= (1 - 1e-6) / speed


def test_chunks_join_without_a_seam() -> None:
    move, joined = train(1000), list[float]()
    while chunk := move.times_s(len(joined), limit=77).tolist():
        joined += chunk
    assert joined == train(1000).times_s(0).tolist()


@given(at=st.floats(0.0, 1.09), steeper=st.floats(1.0, 20.0))
def test_a_halt_stops_in_the_braking_distance(at: float, steeper: float) -> None:
    move = train(1000)
    place, speed = move.path(at)
    sent = sum(time <= at for time in move.times_s(0).tolist())
    move.halt(at, 10_000.0 * steeper)
    rest, no_speed = move.path(math.inf)
    assert no_speed == 0.0
    assert rest == pytest.approx(min(1000.0, place + speed**2 / (2 * 10_000.0 * steeper)))
    later = move.times_s(sent).tolist()
    assert all(time >= at - 1e-9 for time in later)
    assert sent + len(later) in (move.total, move.total + 1)
    assert move.end_s == pytest.approx(at + speed / (10_000.0 * steeper), abs=1e-6)


def test_a_halt_at_rest_sends_nothing() -> None:
    move = train(1000)
    move.halt(0.0, 1e4)
    assert move.times_s(0).tolist() == []


def test_a_lower_speed_in_flight_slows_down_and_arrives_all_the_same() -> None:
    move = train(1000)
    move.change(0.5, speed=200.0, acceleration=10_000.0)
    assert move.path(0.5)[1] == pytest.approx(1000.0)
    assert move.path(0.7)[1] == pytest.approx(200.0)
    assert move.path(move.end_s)[0] == pytest.approx(1000.0)
    assert len(move.times_s(0).tolist()) == 1000


def test_a_higher_speed_in_flight_shortens_the_move() -> None:
    move = train(1000)
    before = move.end_s
    move.change(0.5, speed=2000.0, acceleration=10_000.0)
    assert move.end_s < before
    assert move.total == 1000


def test_an_acceleration_too_low_to_stop_in_time_is_raised_to_what_stops_in_time() -> None:
    move = train(1000)
    move.change(1.0, speed=1000.0, acceleration=10.0)
    place, speed = move.path(math.inf)
    assert (place, speed) == (1000.0, 0.0)
    assert len(move.times_s(0).tolist()) == 1000


@given(
    left=st.floats(0.1, 1e5),
    initial_speed=st.floats(0.0, 1e4),
    speed=st.floats(1.0, 1e4),
    acceleration=st.floats(10.0, 1e6),
)
def test_segments_join_in_place_speed_and_time(
    left: float, initial_speed: float, speed: float, acceleration: float
) -> None:
    segments = trapezoid(
        start_s=1.0,
        place=3.0,
        target=3.0 + left,
        initial_speed=initial_speed,
        speed=speed,
        acceleration=acceleration,
    )
    for before, after in itertools.pairwise(segments):
        assert after.start_s == pytest.approx(before.end_s)
        assert after.place == pytest.approx(before.end_place, rel=1e-9, abs=1e-6)
        assert after.speed == pytest.approx(before.end_speed, rel=1e-6, abs=1e-6)
    assert segments[0].speed == initial_speed
    assert segments[-1].end_place == pytest.approx(3.0 + left, rel=1e-9, abs=1e-6)
    assert segments[-1].end_speed == pytest.approx(0.0, abs=1e-6 * (speed + initial_speed))
