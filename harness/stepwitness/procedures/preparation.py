"""What a plan has an axis do before its first readings: strokes that warm it up, and the rest that each reading needs.

Warming up is motion like any other: guarded, watched, and written to the journal of the procedure that it precedes.
"""

from __future__ import annotations

from dataclasses import dataclass

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.procedures.common import witnesses
from stepwitness.procedures.procedure import Forecast, Journal

TABLE = "warm_up"


@dataclass(frozen=True)
class WarmUp:
    """Strokes over the envelope, there and back, by number or by time; the other is 0."""

    strokes: int = 0
    time_s: float = 0.0

    def due(self, strokes: int, elapsed_s: float) -> bool:
        """Whether another stroke is due after so many, which took so long."""
        return strokes < self.strokes or elapsed_s < self.time_s


@dataclass(frozen=True)
class Preparation:
    """`warm_up` is None where there is none, or it is done; `settling_s` is the least rest before a reading."""

    warm_up: WarmUp | None = None
    settling_s: float = 0.0


UNPREPARED = Preparation()


def forecast(bench: BenchDescription, warm_up: WarmUp) -> Forecast:
    """What a warm-up will do."""
    envelope = bench.envelope
    stroke_s = 2 * motion.duration_s(
        distance_m=envelope.high_m - envelope.low_m,
        speed_m_per_s=envelope.speed_m_per_s,
        acceleration_m_per_s2=envelope.acceleration_m_per_s2,
    )
    return Forecast(
        phrase=f"{warm_up.strokes} strokes" if warm_up.strokes else "strokes for a time",
        duration_s=max(warm_up.strokes * stroke_s, warm_up.time_s),
        lowest_m=envelope.low_m,
        highest_m=envelope.high_m,
    )


def prepare(bench: Bench, preparation: Preparation, journal: Journal) -> None:
    """Set the bench's settling, and warm up where that is due: one row of the table ``warm_up`` an end of a stroke."""
    bench.settling_s = preparation.settling_s
    warm_up = preparation.warm_up
    if warm_up is None:
        return
    envelope = bench.description.envelope
    speed_m_per_s = envelope.speed_m_per_s
    motion.prepare(bench, speed_m_per_s=speed_m_per_s)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed_m_per_s)
    started_s, stroke = bench.clock.now(), 0
    while warm_up.due(stroke, bench.clock.now() - started_s):
        for end_m in (envelope.high_m, envelope.low_m):
            motion.move_to(bench, end_m, watch, speed_m_per_s=speed_m_per_s)
            journal.write(TABLE, {"stroke": stroke, "end_m": end_m, **witnesses(bench.sweep())})
        stroke += 1
    journal.commit()
