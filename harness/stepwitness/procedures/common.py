"""What procedures share: settings that recur, the sparse trace of a move, and estimates without a number."""

from __future__ import annotations

import math
from collections.abc import Iterable

from stepwitness.axis import Mounting
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.sampler import Sweep
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Contribution, Estimate, coverage_factor
from stepwitness.metrology.budget import welch_satterthwaite
from stepwitness.metrology.contributions import abbe, cosine, expansion_coefficient, thermal_expansion
from stepwitness.procedures.procedure import Journal, Value
from stepwitness.records.journal import Missing

NO_GAUGE = "no displacement gauge on the load: a motor-side encoder can't see what lies behind it"
NO_RETURNS = "the start was never read again"
NO_COUNTER = "no encoder counter: nothing testifies to what the motor did"


def has_gauge(bench: BenchDescription) -> bool:
    return bench.gauge is not None


def counts_on(bench: BenchDescription, mounting: Mounting) -> bool:
    """Whether the bench has a counter whose encoder is mounted there."""
    encoder = bench.axis.encoder
    return bench.counter is not None and encoder is not None and encoder.mounting is mounting


def load_witness(bench: BenchDescription) -> str | None:
    """The column that tells where the load is, independently of motor and screw; None without such a witness."""
    if has_gauge(bench):
        return "gauge_m"
    return "counted_m" if counts_on(bench, Mounting.LOAD) else None


def resolution_of(bench: BenchDescription, column: str) -> float:
    """Least step, in metres, of the witness in a column."""
    if column == "gauge_m" and bench.gauge is not None:
        return bench.gauge.resolution_m
    return float(bench.axis.count_travel)


def calibration_of(bench: BenchDescription, column: str) -> float:
    """Standard uncertainty, in metres, of the calibration of the witness in a column; 0 where none is stated."""
    calibration = bench.gauge.calibration if bench.gauge is not None and column == "gauge_m" else None
    return calibration.standard_uncertainty if calibration is not None else 0.0


def expansion_of(bench: BenchDescription, column: str) -> float:
    """Relative growth of the axis since 20 °C as the witness in a column reads it; a gauge has its own scale."""
    return bench.warmth.expansion if column == "gauge_m" and bench.warmth is not None else 0.0


def of_length(bench: BenchDescription, column: str, length_m: float) -> list[BudgetLine]:
    """What a length that the gauge reads owes to temperature and to how the gauge stands, as far as the bench file says
    it. Cosine error isn't corrected, so its mean is part of its uncertainty (JCGM 100 F.2.4.5)."""
    gauge, warmth = bench.gauge, bench.warmth
    if column != "gauge_m" or gauge is None:
        return []
    found = []
    if warmth is not None:
        found += [
            thermal_expansion(length_m, expansion_per_k=warmth.expansion_per_k, within_k=warmth.within_k),
            expansion_coefficient(
                length_m, from_reference_k=warmth.above_reference_k, within_per_k=warmth.expansion_within_per_k
            ),
        ]
    found += [
        cosine(length_m, within_rad=2 * math.pi * gauge.alignment_turns),
        abbe(gauge.abbe_offset_m, tilt_within_rad=2 * math.pi * gauge.tilt_turns),
    ]
    uncertain = [(item, math.hypot(item.value, item.standard_uncertainty)) for item in found]
    return [(item.source, u, "B", math.inf, item.distribution.value) for item, u in uncertain if u]


def shared(lines: Iterable[BudgetLine], share: float) -> list[BudgetLine]:
    """The same lines, each `share` times as large."""
    return [(line[0], share * line[1], *line[2:]) for line in lines]


def refuse_speed(bench: BenchDescription, speed_m_per_s: float) -> None:
    """Raise `BadInput` where the setting 'speed' lies beyond the envelope."""
    if speed_m_per_s > bench.envelope.speed_m_per_s:
        raise BadInput(
            "a speed beyond the envelope",
            place=Place(key="speed"),
            found=f"{speed_m_per_s * 1e3:g} mm/s",
            allowed=f"at most {bench.envelope.speed_m_per_s * 1e3:g} mm/s",
        )


def not_observable(names: Iterable[str], reason: str) -> tuple[Estimate, ...]:
    """Estimates without a value, all for the same reason."""
    return tuple(Estimate(name, None, reason=reason) for name in names)


def contributions(
    lines: Iterable[BudgetLine],
) -> tuple[Contribution, ...]:
    """Metrology's budget lines as the findings hold them; three fields stand for a normal one that is sure."""
    return tuple(Contribution(*line) for line in lines)


BudgetLine = tuple[str, float, str] | tuple[str, float, str, float, str]
"""A contribution in the making: source, standard uncertainty, type, and where they aren't endless and normal, degrees
of freedom and distribution."""


def one_reading(what: str, least_step: float) -> BudgetLine:
    """Resolution in one reading: evenly spread over a step (JCGM 100 F.2.2.1)."""
    return (f"resolution of {what}", least_step / math.sqrt(12), "B", math.inf, "rectangular")


def both_readings(what: str, least_step: float) -> BudgetLine:
    """Resolution in a difference of two readings."""
    return (f"resolution of {what}, both readings", least_step / math.sqrt(6), "B", math.inf, "triangular")


def combined(budget: Iterable[Contribution]) -> float:
    """Combined standard uncertainty of uncorrelated contributions (JCGM 100 5.1.2)."""
    return float(sum(line.standard_uncertainty**2 for line in budget) ** 0.5)


def expanded(budget: Iterable[Contribution]) -> float:
    """Expanded uncertainty of uncorrelated contributions, with the coverage factor of their degrees of freedom."""
    lines = tuple(budget)
    dof = welch_satterthwaite([(line.standard_uncertainty, line.degrees_of_freedom) for line in lines])
    return coverage_factor(dof) * combined(lines)


def witnesses(sweep: Sweep) -> dict[str, Value]:
    """The columns that every table of sweeps begins with."""
    return {
        "t_s": sweep.t_s,
        "skew_s": sweep.skew_s,
        "claim_m": sweep.claim_m,
        "counted_m": sweep.counted_m,
        "gauge_m": told(sweep, "gauge_m"),
    }


def told(sweep: Sweep, name: str) -> Value:
    """What a witness of a sweep read, or why it has no reading."""
    value: float | None = getattr(sweep, name)
    return Missing(sweep.missing[name]) if name in sweep.missing else value


class Trace:
    """Writes a sweep to the journal's ``motion`` table, no oftener than every `period_s`."""

    def __init__(self, journal: Journal, phase: str, *, period_s: float) -> None:
        self._journal = journal
        self._phase = phase
        self._period_s = period_s
        self._next_s = float("-inf")

    def __call__(self, sweep: Sweep) -> bool:
        """Takes a sweep and says that the move may go on."""
        if sweep.t_s >= self._next_s:
            self.keep(sweep)
        return True

    def keep(self, sweep: Sweep) -> None:
        """Writes a sweep that must not be missing."""
        self._journal.write("motion", {**witnesses(sweep), "phase": self._phase})
        self._next_s = sweep.t_s + self._period_s
