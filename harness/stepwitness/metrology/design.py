"""The test before it runs: how many runs, and what a bench can see.

1. Runs for an uncertainty: the budget of the figure on an axis whose places scatter alike, as runs are added. What
   the instruments leave isn't lessened by runs, so a wish below it is answered with that floor.
2. Runs for a shift: two tests are compared, by Student's t at the false alarm stated; n is the least with the power
   wanted. Held against a known value, one test is enough and n is less.
3. All lengths in one unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from stepwitness.metrology.inputs import count, positive, probability
from stepwitness.metrology.positioning import Floats, Positioning
from stepwitness.metrology.statistics import BadReadings, finite
from stepwitness.metrology.uncertainty import combine, positioning_budgets

MOST_RUNS = 1000


@dataclass(frozen=True)
class Runs:
    """How many runs each way, and what they give.

    Attributes
    ----------
    runs : None where no number of runs up to 1000 is enough.
    reached : expanded uncertainty (k = 2), or power, with so many; the best there is where `runs` is None.
    floor : what remains with endless runs; 0 for a power.
    """

    runs: int | None
    reached: float
    floor: float = 0.0

    def time_s(self, seconds_a_run: float) -> float:
        """Time on the bench; infinite where no number of runs is enough."""
        return math.inf if self.runs is None else self.runs * seconds_a_run


def runs_for_uncertainty(
    figure: str,
    wanted: float,
    *,
    scatter: float,
    targets: int,
    resolution: float = 0.0,
    calibration_u: float = 0.0,
    reversal: float = 0.0,
    least: int = 2,
) -> Runs:
    """Least number of runs each way with which U (k = 2) of a figure is at most `wanted`.

    Parameters
    ----------
    figure : a key of `uncertainty.positioning_budgets`, such as "R" or "B_mean".
    scatter : standard deviation of one approach, from an earlier test. reversal : value expected, for R.
    resolution, calibration_u : of the witness.
    """
    positive(wanted, "the uncertainty wanted")
    for value, what in (
        (scatter, "scatter"),
        (resolution, "resolution"),
        (calibration_u, "calibration's u"),
        (abs(reversal), "reversal"),
    ):
        if not (math.isfinite(value) and value >= 0):
            raise BadReadings(f"a {what} of {value}")
    count(targets, "targets")
    count(least, "least runs", least=2)

    def expanded(n: int) -> float:
        budgets = positioning_budgets(
            even_axis(targets, n, scatter=scatter, reversal=reversal),
            resolution_m=resolution,
            calibration_u_m=calibration_u,
        )
        if figure not in budgets:
            raise BadReadings(f"'{figure}' has no budget; {', '.join(budgets)} have")
        return 2 * combine(budgets[figure])

    floor = expanded(10**12)
    best = expanded(MOST_RUNS)
    if best > wanted:
        return Runs(None, best, floor)
    low, high = least, MOST_RUNS  # U falls with n, so the least number lies where it first is small enough
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if expanded(middle) <= wanted else (middle + 1, high)
    return Runs(low, expanded(low), floor)


def even_axis(targets: int, n: int, *, scatter: float, reversal: float = 0.0) -> Positioning:
    """A test of an axis whose places all scatter alike and reverse alike; its deviation rises along the travel by one
    unit, so that different places govern the two ends of a range, as on any real axis."""
    rising = np.linspace(0.0, 1.0, targets)
    up, down = rising - reversal / 2, rising + reversal / 2
    s: Floats = np.full(targets, float(scatter))
    for values in (up, down, s):
        values.flags.writeable = False
    return Positioning(mean_up=up, mean_down=down, s_up=s, s_down=s, n=n)


def power_of_runs(
    n: int, shift: float, *, scatter: float, false_alarm: float = 0.05, against_known: bool = False
) -> float:
    """Probability that a shift of a mean is seen, two-sided, with n readings in each test (or n in the one)."""
    count(n, "readings", least=2)
    probability(false_alarm, "the false alarm")
    df = n - 1 if against_known else 2 * n - 2
    centre = (
        abs(finite(shift, "the shift")) / positive(scatter, "the scatter") * math.sqrt(n if against_known else n / 2)
    )
    # both cost a third of a second to import, and every plan that is read asks this module what a bench can see
    from scipy import special

    from stepwitness.metrology import noncentral_t

    limit = float(special.stdtrit(df, 1 - false_alarm / 2))
    above, below = (noncentral_t.cdf(t, df=df, noncentrality=centre) for t in (limit, -limit))
    return 1 - above + below


def runs_for_shift(
    shift: float,
    *,
    scatter: float,
    power: float = 0.9,
    false_alarm: float = 0.05,
    against_known: bool = False,
) -> Runs:
    """Least n with which a shift of a mean is seen with at least `power`; scatter is that of one reading of it."""
    positive(abs(shift), "the shift")
    probability(power, "the power")

    def reached(n: int) -> float:
        return power_of_runs(n, shift, scatter=scatter, false_alarm=false_alarm, against_known=against_known)

    if reached(MOST_RUNS) < power:
        return Runs(None, reached(MOST_RUNS))
    low, high = 2, MOST_RUNS
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) >= power else (middle + 1, high)
    return Runs(low, reached(low))


def smallest_defect(standard_uncertainties: Sequence[float], *, k: float = 2.0) -> float:
    """The smallest value that can be told from none, by a budget alone: k times its combined standard uncertainty.

    >>> smallest_defect([3.0, 4.0])
    10.0
    """
    return k * math.hypot(*standard_uncertainties)
