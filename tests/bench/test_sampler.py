"""A sweep brackets the claim at the counter's instant, so that no delay makes a healthy axis look stalled."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.sampler import Coordinates, Sampler, Sweep
from stepwitness.devices.clock import VirtualClock

AXIS = Axis(
    "doser",
    200,
    16,
    Fraction(2, 1000),
    Fraction(60, 1000),
    Orientation.HORIZONTAL,
    Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)
STEP_M, COUNT_M, MICROSTEP_M = 1e-5, 1e-6, 6.25e-7


class Moving:
    """Drive and counter of one axis: every exchange takes its value somewhere inside an interval of any length."""

    def __init__(
        self,
        clock: VirtualClock,
        delays_s: Sequence[float],
        commanded_m: Callable[[float], float],
        counted_m: Callable[[float], float],
        sign: int = 1,
    ) -> None:
        self._clock, self._commanded_m, self._counted_m, self._sign = clock, commanded_m, counted_m, sign
        self._delays: Iterator[float] = iter(delays_s)

    def _exchange(self, value: Callable[[float], float]) -> float:
        self._clock.sleep(next(self._delays, 0.0))
        found = value(self._clock.now())
        self._clock.sleep(next(self._delays, 0.0))
        return found

    def position(self) -> int:
        return math.floor(self._exchange(self._commanded_m) / MICROSTEP_M)

    def counts(self) -> int:
        return self._sign * math.floor(self._exchange(self._counted_m) / COUNT_M)


def swept(axis: Axis, part: Moving, clock: VirtualClock) -> Sweep:
    drive: Any = part
    counter: Any = part
    return Sampler(clock, drive, counter, None, None, Coordinates(axis)).sweep()


delays = st.lists(st.floats(0.0, 3.0), min_size=6, max_size=6)
speeds = st.floats(-0.05, 0.05)


@given(
    delays_s=delays, speed=speeds, lag_m=st.floats(0.0, 2 * STEP_M), ends_m=st.floats(0.0, 0.1), backwards=st.booleans()
)
def test_no_delay_makes_a_healthy_axis_stray(
    delays_s: list[float], speed: float, lag_m: float, ends_m: float, backwards: bool
) -> None:
    """However slow the exchanges, what is sure of the following error is no more than the lag and the rounding."""
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR, reversed=backwards)

    def commanded_m(t_s: float) -> float:
        return max(-ends_m, min(ends_m, speed * t_s))

    def counted_m(t_s: float) -> float:
        return commanded_m(t_s) - math.copysign(lag_m, speed)

    clock = VirtualClock()
    sweep = swept(replace(AXIS, encoder=encoder), Moving(clock, delays_s, commanded_m, counted_m, encoder.sign), clock)
    assert abs(sweep.sure_following_error_m) <= lag_m + COUNT_M + MICROSTEP_M
    assert sweep.claim_low_m <= sweep.claim_m <= sweep.claim_high_m


@given(delays_s=delays, speed=speeds, since_s=st.floats(0.0, 1.0))
def test_no_delay_hides_a_stalled_axis(delays_s: list[float], speed: float, since_s: float) -> None:
    """The whole distance that was commanded before the sweep began is sure, however slow its exchanges."""
    clock = VirtualClock()
    clock.sleep(since_s)
    sweep = swept(AXIS, Moving(clock, delays_s, lambda t_s: speed * t_s, lambda _: 0.0), clock)
    assert sweep.sure_following_error_m * math.copysign(1, speed) >= abs(speed) * since_s - MICROSTEP_M


def test_slow_exchanges_on_a_healthy_stand_in(rigged: Any, doser: BenchDescription) -> None:
    """At 30 mm/s and 50 ms an exchange the axis runs 150 steps while one value is fetched: no alarm at 2 steps."""
    rig = rigged(doser, exchange_s=0.05)
    bench = rig.bench
    motion.prepare(bench, speed_m_per_s=0.03)
    brackets_m = []

    def keep(sweep: Sweep) -> bool:
        brackets_m.append(sweep.claim_high_m - sweep.claim_low_m)
        return True

    watch = motion.Watch(motion.default_window_m(doser))
    assert motion.move_to(bench, 0.05, watch, speed_m_per_s=0.03, on_sweep=keep)
    assert max(brackets_m) > 200 * STEP_M, "the exchanges were too fast to show anything"


def test_interpolates_the_claim_to_the_middle_of_the_counters_interval() -> None:
    """Claim asked 0 to 2 ms and 12 to 14 ms, counts 2 to 12 ms: 20 mm/s is 1/2 of the way between at 7 ms."""
    clock = VirtualClock()
    delays_s = [0.001, 0.001, 0.004, 0.006, 0.001, 0.001]
    sweep = swept(AXIS, Moving(clock, delays_s, lambda t_s: 0.02 * t_s, lambda t_s: 0.02 * t_s), clock)
    assert sweep.t_s == pytest.approx(0.007)
    assert sweep.skew_s == pytest.approx(0.005)
    assert sweep.claim_m == pytest.approx(0.02 * 0.007, abs=MICROSTEP_M)
    assert sweep.following_error_m == pytest.approx(0.02 * 0.001, abs=MICROSTEP_M + COUNT_M)


def test_what_isnt_asked_is_none(rigged: Any, doser: BenchDescription) -> None:
    bench = rigged(replace(doser, meter=None)).bench
    assert bench.sweep(gauge=False).gauge_m is None
    assert bench.sweep(current=True).current_a is None
    assert bench.sweep().gauge_m is not None


def test_without_a_counter_nothing_is_sure(rigged: Any, doser: BenchDescription) -> None:
    bare = replace(doser, counter=None, axis=replace(doser.axis, encoder=None))
    sweep = rigged(bare).bench.sweep()
    assert sweep.counted_m is None
    assert sweep.following_error_m is None
    assert sweep.sure_following_error_m == 0.0
    assert sweep.claim_low_m == sweep.claim_high_m


@pytest.mark.parametrize("backwards", [False, True])
@given(counts=st.integers(-(10**7), 10**7), at_zero=st.integers(-(10**6), 10**6))
def test_counts_and_travel_there_and_back(backwards: bool, counts: int, at_zero: int) -> None:
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR, reversed=backwards)
    coordinates = Coordinates(replace(AXIS, encoder=encoder), counts_at_zero=at_zero + 0.25)
    assert coordinates.counts_at(coordinates.counted(counts)) == pytest.approx(counts, abs=1e-6)


def test_a_reversed_counter_falls_while_travel_grows() -> None:
    encoder = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR, reversed=True)
    coordinates = Coordinates(replace(AXIS, encoder=encoder), counts_at_zero=100)
    assert coordinates.counted(100) == 0.0
    assert coordinates.counted(-1900) == pytest.approx(0.002)


def test_a_gauge_of_either_sense() -> None:
    assert Coordinates(AXIS, gauge_at_zero_m=0.0025).gauged(0.0125) == pytest.approx(0.01)
    assert Coordinates(AXIS, gauge_at_zero_m=0.05, gauge_sense=-1).gauged(0.04) == pytest.approx(0.01)


@pytest.mark.parametrize(("backwards", "sense"), [(False, 1), (True, 1), (False, -1), (True, -1)])
def test_every_witness_grows_with_travel_whatever_its_own_sense(
    rigged: Any, doser: BenchDescription, backwards: bool, sense: int
) -> None:
    """Referenced and driven to 12 mm, all three say 12 mm, and so does the load."""
    assert doser.axis.encoder is not None
    assert doser.gauge is not None
    turned = replace(
        doser,
        axis=replace(doser.axis, encoder=replace(doser.axis.encoder, reversed=backwards)),
        gauge=replace(doser.gauge, sense=sense),
    )
    rig = rigged(turned, start_m=0.004)
    motion.prepare(rig.bench, speed_m_per_s=0.02)
    motion.move_to(rig.bench, 0.012, motion.Watch(motion.default_window_m(turned)), speed_m_per_s=0.02)
    rig.clock.sleep(0.3)
    sweep = rig.bench.sweep()
    assert sweep.claim_m == pytest.approx(0.012, abs=MICROSTEP_M)
    assert sweep.counted_m == pytest.approx(0.012, abs=3e-6)
    assert sweep.gauge_m == pytest.approx(0.012, abs=15e-6)  # 10 µm of play after a reference from above
    assert rig.load_m() == pytest.approx(0.012, abs=20e-6)
