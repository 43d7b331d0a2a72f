"""One sweep over the witnesses, each value with its own interval, all referred to one instant.

1. The drive's claim is read before and after the counter, so the claim at the counter's instant lies between the
   two (a move runs one way). The following error is an interval, and no delay of the host can turn a healthy axis
   into an alarm.
2. A counter that latches is read after its instant: the interval is that of the latch alone.
3. A witness that has no reading (overrange) ends the sweep with `Incomplete`, which holds what the others saw: no
   procedure goes on as if the bench lacked it.
4. Travel is the load's, zeroed where the axis was referenced (`Coordinates`); positive along the stroke.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cached_property

from stepwitness.axis import Axis
from stepwitness.devices.errors import OutOfRange
from stepwitness.devices.interfaces import Clock, Drive, EncoderCounter, Gauge, LatchesCounts, Meter


@dataclass(frozen=True)
class Coordinates:
    """What turns claims, counts and gauge readings into travel.

    `counts_at_zero` is the exact count at zero travel, `gauge_at_zero_m` the gauge's reading there. The claim needs
    no offset: referencing sets the drive's position.
    """

    axis: Axis
    counts_at_zero: float = 0.0
    gauge_at_zero_m: float = 0.0
    gauge_sense: int = 1

    def claimed(self, microsteps: int) -> float:
        travel = self._microstep_travel
        # the nearest float to the exact travel, as a quotient of whole numbers: this is asked at every reading
        return microsteps * travel.numerator / travel.denominator

    def counted(self, counts: int) -> float:
        return (counts - self.counts_at_zero) * self._count_m

    def counts_at(self, travel_m: float) -> float:
        """The count at `travel_m`, with its fraction."""
        encoder = self.axis.encoder
        assert encoder is not None
        return self.counts_at_zero + travel_m / float(self.axis.count_travel) * encoder.sign

    def gauged(self, reading_m: float) -> float:
        return (reading_m - self.gauge_at_zero_m) * self.gauge_sense

    @cached_property
    def _microstep_travel(self) -> Fraction:
        return self.axis.microstep_travel

    @cached_property
    def _count_m(self) -> float:
        encoder = self.axis.encoder
        assert encoder is not None
        return float(self.axis.count_travel) * encoder.sign


@dataclass(frozen=True)
class Sweep:
    """Travel in metres by each witness, at `t_s` on the bench's clock.

    `claim_low_m` and `claim_high_m` bracket the claim at `t_s`; `claim_m` is its interpolation. `skew_s` is half the
    interval in which the counter (or, without one, the gauge) was asked and had answered. A witness that the bench
    lacks, or that wasn't asked, is None; `missing` says, by field, why one that was asked has no reading.
    """

    t_s: float
    skew_s: float
    claim_m: float
    claim_low_m: float
    claim_high_m: float
    counted_m: float | None = None
    gauge_m: float | None = None
    current_a: float | None = None
    missing: Mapping[str, str] = field(default_factory=dict)

    @property
    def following_error_m(self) -> float | None:
        """Commanded minus counted position at `t_s` (IEC 61800-7-201, 60F4h)."""
        return None if self.counted_m is None else self.claim_m - self.counted_m

    @property
    def sure_following_error_m(self) -> float:
        """The part of the following error that holds wherever in its bracket the claim was; 0 without a counter."""
        if self.counted_m is None:
            return 0.0
        low, high = self.claim_low_m - self.counted_m, self.claim_high_m - self.counted_m
        return low if low > 0 else min(high, 0.0)


class Incomplete(OutOfRange):
    """A sweep in which a witness had no reading; `sweep` holds the others', and the reasons."""

    def __init__(self, sweep: Sweep) -> None:
        self.sweep = sweep
        super().__init__("; ".join(sweep.missing.values()))


@dataclass
class Sampler:
    """Reads the witnesses one after the other: the order is claim, counts, claim, gauge, current."""

    clock: Clock
    drive: Drive
    counter: EncoderCounter | None
    gauge: Gauge | None
    meter: Meter | None
    coordinates: Coordinates

    def __post_init__(self) -> None:
        self._latching = self.counter if isinstance(self.counter, LatchesCounts) else None

    def sweep(self, *, gauge: bool = True, current: bool = False) -> Sweep:
        """One sweep; `gauge` and `current` say whether those witnesses are asked too.

        Raises
        ------
        Incomplete : where an instrument reports overrange. DeviceError : where one can't be read at all.
        """
        first, first_s = self._claim()
        counts, asked_s, answered_s = self._counts()
        second, second_s = self._claim() if self.counter else (first, first_s)
        t_s = (asked_s + answered_s) / 2
        share = (t_s - first_s) / (second_s - first_s) if second_s > first_s else 0.0
        missing: dict[str, str] = {}
        gauge_m = self._read("gauge_m", self.gauge.travel_m, missing) if self.gauge and gauge else None
        current_a = self._read("current_a", self.meter.current_a, missing) if self.meter and current else None
        sweep = Sweep(
            t_s=t_s,
            skew_s=(answered_s - asked_s) / 2,
            claim_m=first + (second - first) * share,
            claim_low_m=min(first, second),
            claim_high_m=max(first, second),
            counted_m=None if counts is None else self.coordinates.counted(counts),
            gauge_m=None if gauge_m is None else self.coordinates.gauged(gauge_m),
            current_a=current_a,
            missing=missing,
        )
        if missing:
            raise Incomplete(sweep)
        return sweep

    @staticmethod
    def _read(field: str, instrument: Callable[[], float], missing: dict[str, str]) -> float | None:
        try:
            return instrument()
        except OutOfRange as error:
            missing[field] = str(error)
            return None

    def _counts(self) -> tuple[int | None, float, float]:
        """Counts, and the interval in which they were taken."""
        asked_s = self.clock.now()
        if self._latching is not None:
            self._latching.latch()
            answered_s = self.clock.now()
            return self._latching.latched_counts(), asked_s, answered_s
        return self.counter.counts() if self.counter else None, asked_s, self.clock.now()

    def _claim(self) -> tuple[float, float]:
        """Claimed travel and the middle of the interval in which it was asked."""
        asked_s = self.clock.now()
        claim_m = self.coordinates.claimed(self.drive.position())
        return claim_m, (asked_s + self.clock.now()) / 2
