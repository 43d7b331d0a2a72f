"""What a plan has an axis do before its first readings: strokes that run in a new unit or warm it up, and the rest that
each reading needs.

Strokes are motion like any other: guarded, watched, and written to the journal of the procedure that they precede.
"""

from __future__ import annotations

from dataclasses import dataclass

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench
from stepwitness.procedures.common import witnesses
from stepwitness.procedures.procedure import Forecast, Journal

RUN_IN, WARM_UP = "run_in", "warm_up"
"""Tables of the journal: a row for each end of a stroke."""


@dataclass(frozen=True)
class Strokes:
    """Strokes over the envelope, there and back, by number or by time; the other is 0."""

    strokes: int = 0
    time_s: float = 0.0

    def due(self, strokes: int, elapsed_s: float) -> bool:
        """Whether another stroke is due after so many, which took so long."""
        return strokes < self.strokes or elapsed_s < self.time_s


@dataclass(frozen=True)
class Preparation:
    """`run_in` and `warm_up` are None where there is none, or it is done; `settling_s` is the least rest before a
    reading."""

    run_in: Strokes | None = None
    warm_up: Strokes | None = None
    settling_s: float = 0.0


UNPREPARED = Preparation()


def forecast(bench: BenchDescription, strokes: Strokes) -> Forecast:
    """What such strokes will do."""
    envelope = bench.envelope
    stroke_s = 2 * motion.duration_s(
        distance_m=envelope.high_m - envelope.low_m,
        speed_m_per_s=envelope.speed_m_per_s,
        acceleration_m_per_s2=envelope.acceleration_m_per_s2,
    )
    return Forecast(
        phrase=f"{strokes.strokes} strokes" if strokes.strokes else "strokes for a time",
        duration_s=max(strokes.strokes * stroke_s, strokes.time_s),
        lowest_m=envelope.low_m,
        highest_m=envelope.high_m,
    )


def prepare(bench: Bench, preparation: Preparation, journal: Journal) -> None:
    """Set the bench's settling; run in and warm up where that is due."""
    bench.settling_s = preparation.settling_s
    for table, strokes in ((RUN_IN, preparation.run_in), (WARM_UP, preparation.warm_up)):
        if strokes is not None:
            _stroke(bench, strokes, journal, table)


def _stroke(bench: Bench, strokes: Strokes, journal: Journal, table: str) -> None:
    envelope = bench.description.envelope
    speed_m_per_s = envelope.speed_m_per_s
    motion.prepare(bench, speed_m_per_s=speed_m_per_s)
    watch = motion.healthy_watch(bench, speed_m_per_s=speed_m_per_s)
    started_s, stroke = bench.clock.now(), 0
    while strokes.due(stroke, bench.clock.now() - started_s):
        for end_m in (envelope.high_m, envelope.low_m):
            motion.move_to(bench, end_m, watch, speed_m_per_s=speed_m_per_s)
            journal.write(table, {"stroke": stroke, "end_m": end_m, **witnesses(bench.sweep())})
        stroke += 1
    journal.commit()
