"""Counters of 16 or 32 bits that start anew at their end, counted on.

1. Between two readings the axis may have gone at most `limit` counts either way; which way and how far is then plain.
2. A greater change could as well have come the other way round, and is an error: after it the counts are unknown until
   `start_over`, after which the axis has to be referenced again.
3. Where a greatest speed is known, a pause between two readings in which the axis could have gone round is the same
   error, even if the counts look as if it hadn't.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

from stepwitness.devices.errors import BadReply, OutOfRange
from stepwitness.devices.interfaces import Clock
from stepwitness.devices.part_options import Options, whole_option
from stepwitness.errors import BadInput, Place

WRAP_OPTIONS = ("wraps_at", "most_counts_per_reading", "most_counts_per_s")


@dataclass(frozen=True)
class Wrap:
    """How a counter wraps.

    Attributes
    ----------
    bits : after which it starts anew; 0 for one that doesn't.
    limit : counts that the axis may go between two readings; less than half the counter's span.
    per_s : counts that it may go in a second; 0 where that isn't known.
    """

    bits: int = 0
    limit: int = 0
    per_s: float = 0.0

    @property
    def span(self) -> int:
        return 1 << self.bits

    def step(self, before: int, after: int) -> int:
        """Counts from one raw reading to the next.

        Raises
        ------
        OutOfRange : where they can't be told.
        """
        change = (after - before + self.span // 2) % self.span - self.span // 2
        if abs(change) > self.limit:
            raise OutOfRange(
                f"the counter went from {before} to {after} between two readings: {change} counts, or {self.bits} bits "
                f"wrapped the other way; allowed: {self.limit} either way, so that neither can be told"
            )
        return change


class Unwrapper:
    """Counts on where a counter wraps. Safe for several threads.

    Parameters
    ----------
    wrap : how; without one the counter doesn't. now : the bench's clock, for the pauses between readings.
    """

    def __init__(self, wrap: Wrap | None = None, now: Callable[[], float] = lambda: 0.0) -> None:
        self._wrap, self._now = wrap or Wrap(), now
        self._lock = threading.Lock()
        self._raw: int | None = None
        self._counts, self._read_s = 0, 0.0
        self._lost = ""

    def start_over(self) -> None:
        """Begin anew with the next reading: whoever calls it references the axis again."""
        with self._lock:
            self._raw, self._lost = None, ""

    def doubt(self, why: str) -> None:
        """The counter may have wrapped unseen: its counts are unknown until `start_over`."""
        with self._lock:
            self._lost = f"{why}; reference the axis again"

    def counts(self, raw: int) -> int:
        """The counts at a raw reading: a whole number that goes on where the counter starts anew.

        Raises
        ------
        OutOfRange : where they can't be told, now and until `start_over`. BadReply : for what the counter can't hold.
        """
        if not self._wrap.bits:
            return raw
        half = self._wrap.span // 2
        if not -half <= raw < self._wrap.span:
            raise BadReply(f"a counter of {self._wrap.bits} bits can't read {raw}")
        now_s = self._now()
        with self._lock:
            if self._lost:
                raise OutOfRange(self._lost)
            if self._raw is None:
                # A counter that tells 65535 for -1 begins below zero, as one that tells -1 does.
                self._counts = raw - self._wrap.span if raw >= half else raw
            else:
                self._counts += self._step(raw, now_s - self._read_s)
            self._raw, self._read_s = raw, now_s
            return self._counts

    def _step(self, raw: int, pause_s: float) -> int:
        wrap = self._wrap
        assert self._raw is not None
        try:
            if wrap.per_s * pause_s >= wrap.span - wrap.limit:
                raise OutOfRange(
                    f"{pause_s:.3g} s between two readings, time for {wrap.per_s * pause_s:.0f} counts, in which a "
                    f"counter of {wrap.bits} bits wraps"
                )
            return wrap.step(self._raw, raw)
        except OutOfRange as error:
            self._lost = f"{error}; reference the axis again"
            raise OutOfRange(self._lost) from None


def unwrapper_from(options: Options, place: Place, clock: Clock) -> Unwrapper:
    """From the options ``wraps_at`` (16 or 32 bits, 0 for never), ``most_counts_per_reading``, ``most_counts_per_s``.

    Without ``most_counts_per_reading`` a quarter of the span is allowed between two readings.
    """
    text = options.get("wraps_at", "0")
    if (number := text.removesuffix("bit").strip()) not in ("0", "16", "32"):
        raise BadInput(
            "no such counter", place=place.below("wraps_at"), found=f"'{text}'", allowed="0, 16 bit or 32 bit"
        )
    bits = int(number)
    if not bits:
        for key in WRAP_OPTIONS[1:]:
            if key in options:
                raise BadInput(f"'{key}' without 'wraps_at'", place=place.below(key))
        return Unwrapper()
    span = 1 << bits
    limit = whole_option(options, "most_counts_per_reading", span // 4, place, at_least=1, at_most=span // 2 - 1)
    per_s = whole_option(options, "most_counts_per_s", 0, place, at_most=1 << 40)
    return Unwrapper(Wrap(bits, limit, float(per_s)), clock.now)
