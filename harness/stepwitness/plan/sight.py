"""What a bench can see, limit by limit, from its budgets alone and before a part is mounted.

1. A procedure foresees the budget that its witnesses would leave, were the axis perfect and without scatter. U of that
   budget is the least that the bench can tell from nothing; a real axis adds its scatter.
2. A limit below it could never be shown to hold, so a plan with such a limit isn't run, unless it only informs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from stepwitness.bench.description import BenchDescription
from stepwitness.findings import COVERAGE_FACTOR, Contribution, Limit, Sense
from stepwitness.metrology.design import smallest_defect
from stepwitness.plan.description import Plan, PlannedProcedure


@dataclass(frozen=True)
class Sight:
    """One limit, and the smallest value in SI that its bench can tell from none, with the budget that says so."""

    planned: PlannedProcedure
    limit: Limit
    budget: tuple[Contribution, ...]

    @property
    def least(self) -> float:
        return smallest_defect([line.standard_uncertainty for line in self.budget], k=COVERAGE_FACTOR)

    @property
    def too_fine(self) -> bool:
        """Whether even a perfect axis couldn't be shown to keep the limit."""
        return self.limit.characteristic.sense is Sense.AT_MOST and self.limit.bound < self.least

    @property
    def reason(self) -> str:
        """The largest contribution."""
        worst = max(self.budget, key=lambda line: line.standard_uncertainty)
        return f"U = {COVERAGE_FACTOR:g} u, most of it {worst.source}"


def sights(plan: Plan, bench: BenchDescription) -> Iterator[Sight]:
    """Every limit of the plan whose procedure foresees a budget on this bench, in the plan's order."""
    for planned in plan.procedures:
        foresee = planned.procedure.foresee
        budgets = foresee(bench, planned.settings) if foresee else {}
        for limit in planned.limits:
            budget = budgets.get(limit.characteristic.name, ())
            if sum(line.standard_uncertainty for line in budget) > 0:
                yield Sight(planned, limit, tuple(budget))
