"""How many runs a plan needs: for an uncertainty that is wanted, or for a shift that is to be seen; and their time.

The scatter of the axis has to be known, from an earlier record or from a guess that the record then replaces. Time on
the bench is the procedure's own forecast, from the axis' speed and dwells.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.findings import Characteristic
from stepwitness.metrology.design import Runs, runs_for_shift, runs_for_uncertainty
from stepwitness.metrology.positioning import PositioningAccumulator
from stepwitness.metrology.statistics import BadReadings
from stepwitness.plan.description import Plan, PlannedProcedure
from stepwitness.procedures import repeatability
from stepwitness.procedures.common import calibration_of, load_witness, resolution_of
from stepwitness.procedures.procedure import Readings


@dataclass(frozen=True)
class Scatter:
    """Of one approach (standard deviation, pooled over targets and directions), and the mean reversal, in metres."""

    sd_m: float
    reversal_m: float = 0.0


@dataclass(frozen=True)
class RunsWanted:
    """`needed` each way, `time_s` on the axis for them (None where no number is enough), and what the plan asks for."""

    characteristic: Characteristic
    needed: Runs
    time_s: float | None
    planned: int
    planned_time_s: float


def scatter_of(readings: Readings, bench: BenchDescription) -> Scatter:
    """What the readings of an earlier repeatability test say of the axis' load, or of its motor without a gauge.

    Raises
    ------
    BadInput : where nothing witnessed the axis. BadReadings : too few readings.
    """
    witness = load_witness(bench) or "counted_m"
    if witness == "counted_m" and bench.counter is None:
        raise BadInput("nothing witnessed the axis, so its scatter isn't known", place=Place(bench.path))
    found = PositioningAccumulator()
    for row in readings.rows("positions"):
        found.add(int(row["target_index"]), bool(row["up"]), float(row[witness]) - float(row["target_m"]))
    figures = found.result()
    squares = np.concatenate((figures.s_up, figures.s_down)) ** 2
    return Scatter(float(np.sqrt(np.mean(squares))), figures.B_mean)


def runs_within(plan: Plan, bench: BenchDescription, name: str, *, within_m: float, scatter: Scatter) -> RunsWanted:
    """Runs with which the expanded uncertainty (k = 2) of a figure is at most `within_m`.

    Raises
    ------
    BadInput : a plan without repeatability, a figure that it hasn't got, an uncertainty that isn't positive.
    """
    planned = _repeatability(plan)
    characteristic = _figure(planned, name)
    witness = "counted_m" if name.startswith("motor_side") else load_witness(bench) or "counted_m"
    return _answer(
        planned,
        bench,
        characteristic,
        lambda: runs_for_uncertainty(
            repeatability.ATTRIBUTES[name],
            within_m,
            scatter=scatter.sd_m,
            targets=planned.settings.targets,
            resolution=resolution_of(bench, witness),
            calibration_u=calibration_of(bench, witness),
            reversal=scatter.reversal_m,
        ),
    )


def runs_to_see(
    plan: Plan, bench: BenchDescription, *, shift_m: float, scatter: Scatter, power: float, false_alarm: float
) -> RunsWanted:
    """Runs with which a shift of the mean position at one target between two tests is seen with `power`.

    Raises
    ------
    BadInput : a plan without repeatability, a shift of nothing, a probability that isn't between 0 and 1.
    """
    planned = _repeatability(plan)
    return _answer(
        planned,
        bench,
        _figure(planned, "mean_reversal"),
        lambda: runs_for_shift(shift_m, scatter=scatter.sd_m, power=power, false_alarm=false_alarm),
    )


def _repeatability(plan: Plan) -> PlannedProcedure:
    found = next((item for item in plan.procedures if item.procedure.name == repeatability.PROCEDURE.name), None)
    if found is None:
        raise BadInput(
            "the plan has no repeatability, whose runs could be reckoned", place=Place(plan.path, key="procedures")
        )
    return found


def _figure(planned: PlannedProcedure, name: str) -> Characteristic:
    found = planned.procedure.characteristic(name)
    if found is None or name not in repeatability.ATTRIBUTES:
        known = tuple(repeatability.ATTRIBUTES)
        raise BadInput(
            "no figure of repeatability", found=f"'{name}'", allowed=", ".join(known), cure=near_miss(name, known)
        )
    return found


def _answer(
    planned: PlannedProcedure, bench: BenchDescription, characteristic: Characteristic, reckon: Callable[[], Runs]
) -> RunsWanted:
    def time_s(runs: int) -> float:
        return planned.procedure.check(bench, replace(planned.settings, runs=runs)).duration_s

    try:
        needed = reckon()
    except BadReadings as error:
        raise BadInput(str(error)) from None
    return RunsWanted(
        characteristic=characteristic,
        needed=needed,
        time_s=None if needed.runs is None else time_s(needed.runs),
        planned=planned.settings.runs,
        planned_time_s=time_s(planned.settings.runs),
    )
