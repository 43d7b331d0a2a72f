"""From journals to what the pictures need: one pass over a table, in memory that doesn't grow with its rows.

Travel comes in metres and goes out in the pictures' units (mm, µm, full steps).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from stepwitness.display import number, with_unit
from stepwitness.metrology.statistics import BadReadings, Running
from stepwitness.procedures.procedure import Readings
from stepwitness.procedures.screw_errors import stretches_of
from stepwitness_reports.plots import Band, Reversal, TargetDeviations
from stepwitness_reports.series import Line
from stepwitness_reports.svg import Point

MOST_MARKS = 1200
"""Single readings that a picture shows; beyond, only the extremes of each target and direction are drawn."""

WITNESS_COLUMNS = {"gauge": "gauge_m", "counter": "counted_m"}

_MICRO = 1e6
_MILLI = 1e3


@dataclass
class _Approaches:
    """Deviations at one target in one direction, in µm."""

    moments: Running = field(default_factory=Running)
    values: list[float] = field(default_factory=list)
    low: float = math.inf
    high: float = -math.inf

    def add(self, value: float, *, keep: bool) -> None:
        self.moments.add(value)
        self.low, self.high = min(self.low, value), max(self.high, value)
        if keep:
            self.values.append(value)

    @property
    def mean(self) -> float | None:
        return self.moments.mean if self.moments.n else None

    @property
    def spread(self) -> float | None:
        """Two sample standard deviations."""
        return 2 * self.moments.sd if self.moments.n > 1 else None


@dataclass(frozen=True)
class Deviations:
    """What the picture of deviations shows; `crowded` where single readings gave way to extremes."""

    targets: tuple[TargetDeviations, ...]
    worst: Band | None
    readings: int
    crowded: bool


def deviations(rows: Iterable[Mapping[str, Any]], *, column: str, words: str, expansion: float = 0.0) -> Deviations:
    """Deviations of the witness in `column`, and the band of R_i at the target where it is greatest.

    The band is what the formula of ISO 230-2 spans: 2 s beyond both means, or ± 2 s about the mean of the direction
    that scatters more. `words` stand beside it. `expansion` is the axis' since 20 °C, as in the evaluation.
    """
    cells: dict[tuple[int, bool], _Approaches] = defaultdict(_Approaches)
    targets_mm: dict[int, float] = {}
    readings = 0
    for row in rows:
        if row[column] is None:
            continue
        index, up = int(row["target_index"]), bool(row["up"])
        targets_mm[index] = float(row["target_m"]) * _MILLI
        readings += 1
        deviation = (float(row[column]) - float(row["target_m"]) * (1 + expansion)) * _MICRO
        cells[index, up].add(deviation, keep=readings <= MOST_MARKS)
    crowded = readings > MOST_MARKS
    targets = []
    for index in sorted(targets_mm, key=targets_mm.__getitem__):
        above, below = cells[index, True], cells[index, False]
        targets.append(
            TargetDeviations(targets_mm[index], _marks(above, crowded), _marks(below, crowded), above.mean, below.mean)
        )
    bands = [
        band for index, at in targets_mm.items() if (band := _band(at, cells[index, True], cells[index, False], words))
    ]
    worst = max(bands, key=lambda band: band.high_um - band.low_um, default=None)
    return Deviations(tuple(targets), worst, readings, crowded)


def _marks(approaches: _Approaches, crowded: bool) -> tuple[float, ...]:
    if crowded and approaches.moments.n:
        return (approaches.low, approaches.high)
    return tuple(approaches.values)


def _band(at_mm: float, up: _Approaches, down: _Approaches, words: str) -> Band | None:
    if up.mean is None or down.mean is None or up.spread is None or down.spread is None:
        return None
    low, high = sorted(((up.mean, up.spread), (down.mean, down.spread)))
    candidates = (
        (low[0] - low[1], high[0] + high[1]),
        (up.mean - up.spread, up.mean + up.spread),
        (down.mean - down.spread, down.mean + down.spread),
    )
    widest = max(candidates, key=lambda ends: ends[1] - ends[0])
    return Band(at_mm, *widest, words)


@dataclass
class _Cell:
    """Reversals at one place and drag by one witness, in µm: up less down, of each pair and of the means."""

    up: Running = field(default_factory=Running)
    down: Running = field(default_factory=Running)
    pending: dict[bool, float] = field(default_factory=dict)
    pairs: list[float] = field(default_factory=lambda: [math.inf, -math.inf])

    def add(self, value: float, *, up: bool) -> None:
        (self.up if up else self.down).add(value)
        self.pending[up] = value
        if len(self.pending) == 2:
            difference = self.pending[True] - self.pending[False]
            self.pairs = [min(self.pairs[0], difference), max(self.pairs[1], difference)]
            self.pending.clear()

    def reversal(self, place_mm: float) -> Reversal | None:
        """Amounts, whichever way the load lags."""
        if not self.up.n or not self.down.n:
            return None
        mean = self.up.mean - self.down.mean
        sign = -1 if mean < 0 else 1
        ends = sorted(sign * value for value in self.pairs)
        return Reversal(place_mm, sign * mean, ends[0], ends[1])


def reversals(rows: Iterable[Mapping[str, Any]]) -> dict[tuple[str, float], tuple[Reversal, ...]]:
    """Reversals along the axis by witness and added drag in N, gauge first and the least drag first."""
    cells: dict[tuple[str, float, float], _Cell] = defaultdict(_Cell)
    for row in rows:
        place_m = float(row["place_m"])
        for witness, column in WITNESS_COLUMNS.items():
            if row[column] is not None:
                value = (float(row[column]) - place_m) * _MICRO
                cells[witness, float(row["drag_n"]), place_m * _MILLI].add(value, up=bool(row["up"]))
    order = list(WITNESS_COLUMNS)
    lines: dict[tuple[str, float], list[Reversal]] = defaultdict(list)
    for witness, drag, place_mm in sorted(cells, key=lambda key: (order.index(key[0]), *key[1:])):
        reversal = cells[witness, drag, place_mm].reversal(place_mm)
        if reversal is not None:
            lines[witness, drag].append(reversal)
    return {key: tuple(held) for key, held in lines.items()}


def differences(
    rows: Iterable[Mapping[str, Any]], *, expansion: float = 0.0
) -> dict[bool, tuple[tuple[float, float], ...]]:
    """Counted less gauged travel in µm, means against target in mm, by direction: up first."""
    cells: dict[tuple[bool, float], Running] = defaultdict(Running)
    for row in rows:
        if row["counted_m"] is not None and row["gauge_m"] is not None:
            away_um = (float(row["counted_m"]) - float(row["gauge_m"]) * (1 - expansion)) * _MICRO
            cells[bool(row["up"]), float(row["target_m"]) * _MILLI].add(away_um)
    return {
        way: tuple((at, cells[up, at].mean) for up, at in sorted(cells, key=lambda key: key[1]) if up is way)
        for way in (True, False)
    }


def closures(rows: Iterable[Mapping[str, Any]]) -> dict[str, tuple[tuple[float, float], ...]]:
    """By witness, the change in µm of claimed less witnessed travel since the first return, against its number."""
    found: dict[str, list[float]] = defaultdict(list)
    for row in rows:
        for witness, column in WITNESS_COLUMNS.items():
            if row[column] is not None:
                found[witness].append((float(row["claim_m"]) - float(row[column])) * _MICRO)
    return {
        witness: tuple((float(index), value - values[0]) for index, value in enumerate(values))
        for witness, values in found.items()
    }


def currents(
    rows: Iterable[Mapping[str, Any]],
) -> tuple[tuple[tuple[float, float], ...], tuple[tuple[float, float], ...]]:
    """Metered and set current in mA against ms since the first reading."""
    held = [(float(row["t_s"]), float(row["metered_a"]), float(row["set_a"])) for row in rows]
    if not held:
        return (), ()
    first_s = held[0][0]
    at = [(t - first_s) * _MILLI for t, _, _ in held]
    metered = tuple((t, value * _MILLI) for t, (_, value, _) in zip(at, held, strict=True))
    return metered, tuple((t, value * _MILLI) for t, (_, _, value) in zip(at, held, strict=True))


@dataclass(frozen=True)
class StretchCurves:
    """One stretch in fine steps: mean deviation and reversal in µm against travel in mm."""

    words: str
    mean: tuple[tuple[float, float], ...]
    reversal: tuple[tuple[float, float], ...]


def stretches(readings: Readings, column: str, *, expansion: float = 0.0) -> tuple[StretchCurves, ...]:
    """Every stretch that was read in both directions as often, by the witness in `column`."""
    found = []
    for one in stretches_of(readings, expansion):
        try:
            figures = one.figures[column].result()
        except BadReadings:  # the run ended within it
            continue
        at = [place * _MILLI for place in one.places]
        mean, reversal = figures.mean * _MICRO, figures.B_i * _MICRO
        found.append(
            StretchCurves(
                f"from {with_unit(number(at[0], 1), 'mm')}",
                tuple(zip(at, mean.tolist(), strict=True)),
                tuple(zip(at, reversal.tolist(), strict=True)),
            )
        )
    return tuple(found)


@dataclass
class Motion:
    """A stretch of a run in the pictures' units: seconds from its own start, mm by witness, full steps of error."""

    origin_s: float | None = None
    lines: dict[str, Line] = field(default_factory=dict)
    error: Line = field(default_factory=Line)

    def add(self, row: Mapping[str, Any], step_m: float) -> None:
        t_s = float(row["t_s"])
        if self.origin_s is None:
            self.origin_s = t_s
        t = t_s - self.origin_s
        for witness, column in (("drive", "claim_m"), *WITNESS_COLUMNS.items()):
            value = row[column]
            self.lines.setdefault(witness, Line()).add(t, None if value is None else float(value) * _MILLI)
        counted = row["counted_m"]
        self.error.add(t, None if counted is None else (float(row["claim_m"]) - float(counted)) / step_m)

    @property
    def travel(self) -> dict[str, list[Point]]:
        """By witness; without the witnesses that this bench hasn't."""
        return {witness: line.points for witness, line in self.lines.items() if line.values}

    @property
    def errors(self) -> list[Point]:
        return self.error.points if self.error.values else []


def motion(
    rows: Iterable[Mapping[str, Any]],
    *,
    phase: str,
    step_m: float,
    from_s: float = -math.inf,
    to_s: float = math.inf,
) -> Motion:
    """The sweeps of one phase between two instants of the bench's clock."""
    found = Motion()
    for row in rows:
        if row["phase"] == phase and from_s <= float(row["t_s"]) <= to_s:
            found.add(row, step_m)
    return found


def standstill(rows: Iterable[Mapping[str, Any]], *, step_m: float) -> dict[tuple[str, float], Line]:
    """Error at standstill in full steps against seconds, by scenario and position window in full steps."""
    lines: dict[tuple[str, float], Line] = {}
    for row in rows:
        line = lines.setdefault((str(row["scenario"]), float(row["window_m"]) / step_m), Line())
        line.add(float(row["t_s"]), float(row["error_m"]) / step_m)
    return lines
