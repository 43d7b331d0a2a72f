"""A counter that latches is read after its instant; the sweep's skew is that of the latch alone."""

from __future__ import annotations

from fractions import Fraction

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.bench.sampler import Coordinates, Sampler
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.interfaces import Identity

AXIS = Axis(
    "doser",
    200,
    16,
    Fraction(1, 500),
    Fraction(3, 50),
    Orientation.HORIZONTAL,
    Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)


class Slow:
    """A drive and a counter on a slow line; the axis goes at 1000 counts a second."""

    def __init__(self, clock: VirtualClock) -> None:
        self._clock, self._kept = clock, 0

    def identity(self) -> Identity:
        return Identity()

    def position(self) -> int:
        self._clock.sleep(0.001)
        return round(self._clock.now() * 1600)

    def counts(self) -> int:
        self._clock.sleep(0.05)
        return round(self._clock.now() * 1000)

    def faults(self) -> int:
        return 0


class Latching(Slow):
    def latch(self) -> None:
        self._clock.sleep(0.001)
        self._kept = round(self._clock.now() * 1000)

    def latched_counts(self) -> int:
        self._clock.sleep(0.05)
        return self._kept


def test_the_time_of_the_reading_does_not_count() -> None:
    skews = []
    for kind in (Slow, Latching):
        clock = VirtualClock()
        part = kind(clock)
        sweep = Sampler(clock, part, part, None, None, Coordinates(AXIS)).sweep()  # type: ignore[arg-type]
        assert sweep.counted_m is not None
        skews.append(sweep.skew_s)
        assert abs(sweep.counted_m - sweep.t_s * 1e-3) <= sweep.skew_s * 1e-3 + 1e-6
    assert skews[0] > 0.02
    assert skews[1] < 0.001
