"""Switching between normal, tightened and reduced inspection, and when inspection stops: a pure state machine.

1. `after(state, lot)` is the only thing that makes a new state; nothing is remembered elsewhere. Only original
   inspections are lots here: one that comes again after sorting isn't fed in.
2. Rules, both editions: start normal. Normal to tightened when 2 of 5 or fewer consecutive lots weren't accepted;
   tightened to normal after 5 consecutive lots accepted; discontinued when 5 lots in all weren't accepted since
   tightened inspection began; after the supplier has acted, `resumed` goes on tightened. Reduced to normal after one
   lot not accepted, one accepted between Ac and Re, or unsteady production.
3. Normal to reduced differs. MIL-STD-105E: 10 lots on normal all accepted, and no more nonconforming in their samples
   than the limit number of its table VIII, which isn't at hand and is given by the caller. ISO 2859-1:1999: a switching
   score of 30; a lot adds 3 where Ac is 2 or more and it would be accepted at an AQL one step tighter, 2 where Ac is
   0 or 1 and it is accepted, and any other lot sets it to 0. Both ask steady production and that reduction is wanted.

Rules of MIL-STD-105E 4.7 and 4.8 and the numbers 2 of 5, 5, 30 and 5 of ISO 2859-1 clause 9 were seen in public
summaries; how the score grows is from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum

from stepwitness.metrology.inputs import count
from stepwitness.metrology.sampling import Edition, SinglePlan, acceptance_one_step_tighter
from stepwitness.metrology.statistics import BadReadings

WINDOW = 5
NOT_ACCEPTED_TO_TIGHTEN = 2
ACCEPTED_TO_NORMAL = 5
NOT_ACCEPTED_TO_STOP = 5
LOTS_TO_REDUCE = 10
SCORE_TO_REDUCE = 30


class Stage(Enum):
    """How lots are inspected now."""

    NORMAL = "normal"
    TIGHTENED = "tightened"
    REDUCED = "reduced"
    DISCONTINUED = "discontinued"


@dataclass(frozen=True)
class Inspected:
    """What came of one lot.

    `steady` : production runs at a steady rate. `reduction_wanted` : whoever is responsible would have reduced
    inspection. `limit_number` : of MIL-STD-105E table VIII for the sample of the last ten lots; None where unknown, and
    inspection is then never reduced under that edition. `accepted` : where the lot was judged otherwise than by
    counting nonconforming units, as by variables.
    """

    plan: SinglePlan
    nonconforming: int
    steady: bool = True
    reduction_wanted: bool = False
    limit_number: int | None = None
    accepted: bool | None = None

    @property
    def passed(self) -> bool:
        """Whether the lot was accepted."""
        return self.plan.accepts(self.nonconforming) if self.accepted is None else self.accepted


@dataclass(frozen=True)
class State:
    """Where inspection stands, and all that it remembers.

    `recent` : whether each of the last lots on normal was accepted, the newest last, four at most. `run` : lots
    accepted in a row at this stage. `found` : nonconforming in the samples of the last lots on normal, ten at most.
    `failed` : lots not accepted since tightened inspection began. `score` : the switching score.
    """

    edition: Edition
    stage: Stage = Stage.NORMAL
    recent: tuple[bool, ...] = ()
    run: int = 0
    found: tuple[int, ...] = ()
    failed: int = 0
    score: int = 0


def after(state: State, lot: Inspected) -> State:
    """The state after a lot.

    Raises
    ------
    BadReadings : a lot while inspection is discontinued, one inspected by a plan of another edition or severity.
    """
    if state.stage is Stage.DISCONTINUED:
        raise BadReadings("inspection is discontinued; the supplier acts first, then it resumes")
    if lot.plan.edition != state.edition or lot.plan.severity != state.stage.value:
        raise BadReadings(
            f"the lot was inspected by a {lot.plan.severity} plan of {lot.plan.edition}, "
            f"where {state.stage.value} inspection of {state.edition} is due"
        )
    count(lot.nonconforming, "the nonconforming units", least=0)
    if lot.nonconforming > lot.plan.sample:
        raise BadReadings(f"{lot.nonconforming} nonconforming in a sample of {lot.plan.sample}")
    return _STEPS[state.stage](state, lot)


def resumed(state: State) -> State:
    """Tightened inspection, after the supplier has acted.

    Raises
    ------
    BadReadings : inspection isn't discontinued.
    """
    if state.stage is not Stage.DISCONTINUED:
        raise BadReadings(f"inspection is {state.stage.value}, so there is nothing to resume")
    return State(state.edition, Stage.TIGHTENED)


def _normal(state: State, lot: Inspected) -> State:
    accepted = lot.passed
    recent = (*state.recent, accepted)[-WINDOW:]
    if recent.count(False) >= NOT_ACCEPTED_TO_TIGHTEN:
        return State(state.edition, Stage.TIGHTENED)
    grown = replace(
        state,
        recent=recent[-(WINDOW - 1) :],
        run=state.run + 1 if accepted else 0,
        found=(*state.found, lot.nonconforming)[-LOTS_TO_REDUCE:],
        score=_score(state.score, lot, accepted),
    )
    if accepted and lot.steady and lot.reduction_wanted and _may_reduce(grown, lot):
        return State(state.edition, Stage.REDUCED)
    return grown


def _may_reduce(state: State, lot: Inspected) -> bool:
    if state.edition == "MIL-STD-105E":
        known = lot.limit_number is not None
        return known and state.run >= LOTS_TO_REDUCE and sum(state.found) <= (lot.limit_number or 0)
    return state.score >= SCORE_TO_REDUCE


def _score(score: int, lot: Inspected, accepted: bool) -> int:
    if lot.plan.ac >= 2:
        tighter = acceptance_one_step_tighter(lot.plan)
        return score + 3 if tighter is not None and lot.nonconforming <= tighter else 0
    return score + 2 if accepted else 0


def _tightened(state: State, lot: Inspected) -> State:
    if not lot.passed:
        failed = state.failed + 1
        if failed >= NOT_ACCEPTED_TO_STOP:
            return State(state.edition, Stage.DISCONTINUED)
        return replace(state, run=0, failed=failed)
    if state.run + 1 >= ACCEPTED_TO_NORMAL:
        return State(state.edition)
    return replace(state, run=state.run + 1)


def _reduced(state: State, lot: Inspected) -> State:
    between = lot.plan.ac < lot.nonconforming < lot.plan.re
    if between or not lot.passed or not lot.steady:
        return State(state.edition)
    return replace(state, run=state.run + 1)


_STEPS = {Stage.NORMAL: _normal, Stage.TIGHTENED: _tightened, Stage.REDUCED: _reduced}
