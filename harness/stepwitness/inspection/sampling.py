"""The sampling plan of a lot: how many units, and what their findings must come to."""

from __future__ import annotations

import math
from dataclasses import dataclass

from stepwitness.findings import Limit, Sense
from stepwitness.inspection.description import Sampling
from stepwitness.metrology.operating_characteristic import quality_accepted
from stepwitness.metrology.sampling import SinglePlan, single_plan
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.switching import Stage
from stepwitness.metrology.variables_sampling import (
    LEAST_FOR_TWO_LIMITS,
    VariablesPlan,
    accept_one_limit,
    constant_for,
    matched_plan,
)

LEAST_BY_VARIABLES = 3


@dataclass(frozen=True)
class SamplePlan:
    """The attributes plan of the tables, and for sampling by variables the s-method plan that was computed to match it.

    A match accepts what the attributes plan accepts with 95 % and with 10 % just so; it isn't one of ISO 3951's own.
    """

    attributes: SinglePlan
    variables: VariablesPlan | None = None

    @property
    def sample(self) -> int:
        return self.variables.n if self.variables is not None else self.attributes.sample


def sample_plan(sampling: Sampling, quantity: int, stage: Stage) -> SamplePlan:
    """The plan for a lot of `quantity` units at a stage of inspection.

    Raises
    ------
    BadReadings : what the tables don't have; by variables, a lot that is inspected whole or no bigger than its sample.
    """
    attributes = single_plan(
        quantity,
        aql_percent=sampling.aql_percent,
        edition=sampling.edition,
        level=sampling.level,
        severity=stage.value,  # type: ignore[arg-type]
    )
    if not sampling.measured:
        return SamplePlan(attributes)
    if attributes.whole_lot:
        raise BadReadings("a lot of which every unit is inspected is judged by attributes")
    two_sided = any(math.isfinite(low) and math.isfinite(high) for low, high in map(bounds, _limits(sampling)))
    least = LEAST_FOR_TWO_LIMITS if two_sided else LEAST_BY_VARIABLES
    variables = _at_least(least, matched_plan(attributes.sample, attributes.ac), attributes)
    if variables.n > quantity:
        raise BadReadings(f"a sample of {variables.n} by variables, from a lot of {quantity}; sample by attributes")
    return SamplePlan(attributes, variables)


def _limits(sampling: Sampling) -> list[Limit]:
    return [one.limit for one in sampling.measured]


def _at_least(least: int, plan: VariablesPlan, attributes: SinglePlan) -> VariablesPlan:
    """`plan`, or one of `least` readings that has the same consumer's risk at the same quality."""
    if plan.n >= least:
        return plan
    good, bad = (
        quality_accepted(attributes.sample, attributes.ac, probability_of_acceptance=share) for share in (0.95, 0.10)
    )
    k = constant_for(least, fraction=bad, probability_of_acceptance=0.10)
    return VariablesPlan(least, k, 1.0 - accept_one_limit(least, k, good), 0.10)


def bounds(limit: Limit) -> tuple[float, float]:
    """Between which values a limit holds, SI; infinite where it doesn't."""
    if limit.characteristic.magnitude:
        return -limit.bound, limit.bound
    if limit.characteristic.sense is Sense.AT_LEAST:
        return limit.bound, math.inf
    return -math.inf, limit.bound
