"""From units to the sentence of their lot; pure.

1. A unit is nonconforming once any finding is FAIL, whatever else its record lacks. One that was aborted, or of which
   a limit couldn't be seen, is open. INCONCLUSIVE counts as the lot file says.
2. A lot is not accepted once as many units are nonconforming as the plan turns down. It is accepted only when every
   drawn unit is decided. Else its sample is incomplete, and it has no sentence.
3. By variables, each figure is judged by mean and standard deviation over the whole sample, and no other limit may be
   broken by any unit of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

from stepwitness.findings import Verdict
from stepwitness.inspection.description import Counting, Sampling
from stepwitness.inspection.sampling import SamplePlan, bounds
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.variables_sampling import Judged, judge
from stepwitness.plan.description import Measured


class Outcome(Enum):
    """What a unit is, by one record of it."""

    CONFORMING = "conforming"
    NONCONFORMING = "nonconforming"
    OPEN = "open"


class Sentence(Enum):
    ACCEPTED = "accepted"
    NOT_ACCEPTED = "not accepted"
    INCOMPLETE = "sample incomplete"


def outcome_of(verdicts: Sequence[Verdict], *, partial: bool, counting: Counting) -> Outcome:
    """What a unit is by the verdicts of its limits; `partial` where limits of its plan weren't judged."""
    found = set(verdicts)
    if Verdict.FAIL in found:
        return Outcome.NONCONFORMING
    if partial or not found or Verdict.ABORTED in found:
        return Outcome.OPEN
    if Verdict.INCONCLUSIVE in found and counting is Counting.NONCONFORMING:
        return Outcome.NONCONFORMING
    if Verdict.NOT_OBSERVABLE in found or (Verdict.INCONCLUSIVE in found and counting is Counting.OPEN):
        return Outcome.OPEN
    return Outcome.CONFORMING


@dataclass(frozen=True)
class Unit:
    """A drawn unit that was decided: what it is, what it is by the limits that aren't judged by variables, and the
    values of those that are, SI, by their names; None where there is no value."""

    serial: str
    outcome: Outcome
    otherwise: Outcome
    values: Mapping[str, float | None]


@dataclass(frozen=True)
class Criterion:
    """A figure judged by variables, over the whole sample; `problem` says why it couldn't be, and is empty else."""

    name: str
    judged: Judged | None
    problem: str = ""


@dataclass(frozen=True)
class LotJudgement:
    """The sentence and what it rests on.

    `nonconforming` : units of the sample that count against the plan. `undecided` : drawn units without an outcome.
    """

    sentence: Sentence
    nonconforming: int
    undecided: int
    criteria: tuple[Criterion, ...] = ()

    @property
    def decided(self) -> bool:
        """Whether no further unit can change the sentence."""
        return self.sentence is not Sentence.INCOMPLETE


def judged_lot(plan: SamplePlan, sampling: Sampling, units: Sequence[Unit]) -> LotJudgement:
    """The lot by the units of its sample that were decided so far, each by the record that counts."""
    undecided = plan.sample - len(units)
    if plan.variables is None:
        nonconforming = sum(unit.outcome is Outcome.NONCONFORMING for unit in units)
        if not plan.attributes.accepts(nonconforming):
            return LotJudgement(Sentence.NOT_ACCEPTED, nonconforming, undecided)
        return LotJudgement(Sentence.INCOMPLETE if undecided else Sentence.ACCEPTED, nonconforming, undecided)
    broken = sum(unit.otherwise is Outcome.NONCONFORMING for unit in units)
    if broken:
        return LotJudgement(Sentence.NOT_ACCEPTED, broken, undecided)
    if undecided:
        return LotJudgement(Sentence.INCOMPLETE, broken, undecided)
    criteria = tuple(_criterion(plan.variables.k, measured, units) for measured in sampling.measured)
    if any(one.judged is None for one in criteria):
        sentence = Sentence.INCOMPLETE
    else:
        accepted = all(one.judged is not None and one.judged.accepted for one in criteria)
        sentence = Sentence.ACCEPTED if accepted else Sentence.NOT_ACCEPTED
    return LotJudgement(sentence, broken, undecided, criteria)


def _criterion(k: float, measured: Measured, units: Sequence[Unit]) -> Criterion:
    low, high = bounds(measured.limit)
    values = [unit.values[measured.name] for unit in units]
    known = [value for value in values if value is not None]
    if len(known) < len(values):
        return Criterion(measured.name, None, f"{len(values) - len(known)} units have no value")
    try:
        judged = judge(
            known,
            k=k,
            figure=measured.limit.characteristic.figure.value,  # type: ignore[arg-type]
            lower=low if math.isfinite(low) else None,
            upper=high if math.isfinite(high) else None,
        )
    except BadReadings as error:
        return Criterion(measured.name, None, str(error))
    return Criterion(measured.name, judged)
