"""The sentences of a lot, the same on the terminal, in its document and on its sheet."""

from __future__ import annotations

import math

from stepwitness.display import THIN, counted, number, with_unit
from stepwitness.inspection.description import LotDescription, Sampling
from stepwitness.inspection.sampling import SamplePlan
from stepwitness.inspection.sentence import Criterion, LotJudgement, Sentence
from stepwitness.inspection.standing import Standing
from stepwitness.plan.description import Measured

_MOST_NAMED = 4


def percent(value: float) -> str:
    return with_unit(f"{value:g}", "%")


def plan_text(plan: SamplePlan, sampling: Sampling) -> str:
    """The sampling plan in one line: where it comes from, and what it asks."""
    one = plan.attributes
    source = f"{one.edition}, level {one.level}, AQL {percent(one.aql_percent)}, {one.severity}, letter {one.letter}"
    if plan.variables is None:
        whole = "the whole lot" if one.whole_lot else _is("n", one.sample)
        return f"{source}: {whole}, {_is('Ac', one.ac)}, {_is('Re', one.re)}"
    figures = ", ".join(measured.limit.characteristic.heading for measured in sampling.measured)
    return (
        f"s-method computed to match {source} ({_is('n', one.sample)}, {_is('Ac', one.ac)}): "
        f"{_is('n', plan.variables.n)}, {_is('k', number(plan.variables.k, 3))} for {figures}; no other limit may be "
        "broken"
    )


def _is(symbol: str, value: object) -> str:
    """``n = 13``, which no line break comes into."""
    return f"{symbol}{THIN}={THIN}{value}"


def statement(lot: LotDescription, plan: SamplePlan, judgement: LotJudgement, standing: Standing) -> str:
    """The lot's sentence, and its reason in another."""
    head = f"{lot.title}: {judgement.sentence.value.upper()}"
    if judgement.sentence is Sentence.INCOMPLETE:
        return f"{head}, which sentences nothing. {_incomplete(plan, judgement, standing)}"
    if plan.variables is None or judgement.nonconforming:
        return f"{head}. {_by_counting(plan, judgement)}"
    told = (
        criterion_text(one, measured_named(lot.sampling, one.name), k=plan.variables.k) for one in judgement.criteria
    )
    return f"{head}. {' '.join(told)}"


def _by_counting(plan: SamplePlan, judgement: LotJudgement) -> str:
    count, seen = judgement.nonconforming, counted(plan.sample - judgement.undecided, "unit")
    rest = f"; {counted(judgement.undecided, 'unit')} undecided" if judgement.undecided else ""
    if plan.variables is not None:
        breaks = "breaks" if count == 1 else "break"
        return f"{count} of {seen} {breaks} a limit that isn't judged by variables; none may{rest}."
    one = plan.attributes
    allowed = f"the plan accepts up to {one.ac}"
    if judgement.sentence is Sentence.ACCEPTED and count > one.ac:
        allowed = f"the plan accepts up to {one.re - 1}, and inspection goes back to normal above {one.ac}"
    return f"{count} of {seen} {'is' if count == 1 else 'are'} nonconforming; {allowed}{rest}."


def _incomplete(plan: SamplePlan, judgement: LotJudgement, standing: Standing) -> str:
    problems = [f"{one.name}: {one.problem}" for one in judgement.criteria if one.problem]
    if problems:
        return f"{'; '.join(problems)}."
    seen = plan.sample - judgement.undecided
    told = f"{seen} of {counted(plan.sample, 'unit')} decided, {judgement.nonconforming} nonconforming so far"
    tried = [serial for serial in standing.due if standing.of(serial)]
    if not tried:
        return f"{told}."
    named = ", ".join(tried[:_MOST_NAMED]) + (" and more" if len(tried) > _MOST_NAMED else "")
    return f"{told}; tested and still open: {named}."


def measured_named(sampling: Sampling, name: str) -> Measured:
    """The figure of that name among those that are judged by variables."""
    return next(one for one in sampling.measured if one.name == name)


def criterion_text(criterion: Criterion, measured: Measured, *, k: float) -> str:
    """A figure judged by variables, as a sentence."""
    heading = measured.limit.characteristic.heading
    heading = heading[:1].upper() + heading[1:]
    judged = criterion.judged
    if judged is None:
        return f"{heading} couldn't be judged: {criterion.problem}."
    index = min(judged.index_lower, judged.index_upper)
    if math.isinf(judged.index_lower) or math.isinf(judged.index_upper):
        return f"{heading}: the quality index is {number(index, 3)}, at least {number(k, 3)} is due (n = {judged.n})."
    beyond, allowed = (percent(float(f"{100 * share:.3g}")) for share in (judged.estimated, judged.allowed))
    return f"{heading}: an estimated {beyond} lie beyond the limits, at most {allowed} may (n = {judged.n})."
