from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from stepwitness.findings import Verdict
from stepwitness.inspection.description import Counting, Sampling
from stepwitness.inspection.model import load_lot
from stepwitness.inspection.sampling import sample_plan
from stepwitness.inspection.sentence import Outcome, Sentence, Unit, judged_lot, outcome_of
from stepwitness.metrology.sampling import single_plan
from stepwitness.metrology.switching import Stage
from stepwitness.metrology.variables_sampling import accept_one_limit, judge

PASS, FAIL, INCONCLUSIVE = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
ABORTED, UNSEEN = Verdict.ABORTED, Verdict.NOT_OBSERVABLE


@pytest.mark.parametrize(
    ("verdicts", "partial", "counting", "outcome"),
    [
        ([PASS, PASS], False, "nonconforming", "conforming"),
        ([PASS, FAIL], False, "conforming", "nonconforming"),
        ([PASS, INCONCLUSIVE], False, "nonconforming", "nonconforming"),
        ([PASS, INCONCLUSIVE], False, "conforming", "conforming"),
        ([PASS, INCONCLUSIVE], False, "open", "open"),
        ([PASS, UNSEEN], False, "conforming", "open"),
        ([INCONCLUSIVE, UNSEEN], False, "nonconforming", "nonconforming"),
        ([INCONCLUSIVE, UNSEEN], False, "conforming", "open"),
        ([PASS, ABORTED], False, "conforming", "open"),
        ([INCONCLUSIVE, ABORTED], False, "nonconforming", "open"),
        ([PASS], True, "conforming", "open"),
        ([FAIL, ABORTED], True, "conforming", "nonconforming"),
        ([], False, "conforming", "open"),
    ],
)
def test_what_a_unit_is(verdicts: list[Verdict], partial: bool, counting: str, outcome: str) -> None:
    assert outcome_of(verdicts, partial=partial, counting=Counting(counting)) is Outcome(outcome)


SAMPLING = Sampling("ISO 2859-1:1999", "II", 4.0)


def units(*outcomes: Outcome) -> list[Unit]:
    return [Unit(f"FS-{at}", outcome, outcome, {}) for at, outcome in enumerate(outcomes)]


def test_a_lot_by_counting_at_every_number_of_units_and_nonconforming_ones() -> None:
    """n = 13, Ac = 1, Re = 2 (ISO 2859-1 normal, letter E, AQL 4 %; table II-A of MIL-STD-105E)."""
    plan = sample_plan(SAMPLING, 60, Stage.NORMAL)
    assert (plan.attributes.sample, plan.attributes.ac, plan.attributes.re) == (13, 1, 2)
    for tested, bad in product(range(14), repeat=2):
        if bad > tested:
            continue
        outcomes = [Outcome.NONCONFORMING] * bad + [Outcome.CONFORMING] * (tested - bad)
        judged = judged_lot(plan, SAMPLING, units(*outcomes))
        due = Sentence.NOT_ACCEPTED if bad >= 2 else Sentence.ACCEPTED if tested == 13 else Sentence.INCOMPLETE
        assert judged.sentence is due
        assert (judged.nonconforming, judged.undecided) == (bad, 13 - tested)


def test_between_ac_and_re_a_reduced_lot_is_accepted() -> None:
    """MIL-STD-105E reduced, letter E, AQL 4 %: n = 5, Ac = 0, Re = 2."""
    sampling = replace(SAMPLING, edition="MIL-STD-105E")
    plan = sample_plan(sampling, 60, Stage.REDUCED)
    assert (plan.attributes.sample, plan.attributes.ac, plan.attributes.re) == (5, 0, 2)
    one = units(Outcome.NONCONFORMING, *[Outcome.CONFORMING] * 4)
    assert judged_lot(plan, sampling, one).sentence is Sentence.ACCEPTED
    two = units(Outcome.NONCONFORMING, Outcome.NONCONFORMING)
    assert judged_lot(plan, sampling, two).sentence is Sentence.NOT_ACCEPTED


class TestByVariables:
    @pytest.fixture
    def sampling(self, inward) -> Sampling:
        described, _, _ = load_lot(
            inward.lot(
                quantity="200",
                serials="FS-001 to FS-200",
                sampling='{by: variables, edition: "ISO 2859-1:1999", aql: 4 %, figures: [sway.offset]}',
            )
        )
        return described.sampling

    def sample(self, offsets_um: list[float], **changed: object) -> list[Unit]:
        made = [
            Unit(f"FS-{at}", Outcome.CONFORMING, Outcome.CONFORMING, {"sway.offset": offset * 1e-6})
            for at, offset in enumerate(offsets_um)
        ]
        made[0] = replace(made[0], **changed)
        return made

    def test_the_plan_is_as_good_as_the_tables_at_both_of_its_points(self, sampling: Sampling) -> None:
        plan = sample_plan(sampling, 200, Stage.NORMAL)
        assert plan.variables is not None
        table = single_plan(200, aql_percent=4.0, edition="ISO 2859-1:1999")
        assert (table.sample, table.ac) == (32, 3)
        assert plan.sample == plan.variables.n < table.sample
        # the fractions that 32/3 accepts with 95 % and 10 %, binomial, computed apart from it by bisection
        assert accept_one_limit(plan.variables.n, plan.variables.k, 0.0437) >= 0.949
        assert accept_one_limit(plan.variables.n, plan.variables.k, 0.197) <= 0.101

    def test_mean_and_standard_deviation_decide(self, sampling: Sampling) -> None:
        plan = sample_plan(sampling, 200, Stage.NORMAL)
        near = [10.0 + 0.5 * (at % 5) for at in range(plan.sample)]
        judged = judged_lot(plan, sampling, self.sample(near))
        assert judged.sentence is Sentence.ACCEPTED
        far = [24.0 * (at % 2) for at in range(plan.sample)]
        judged = judged_lot(plan, sampling, self.sample(far))
        assert judged.sentence is Sentence.NOT_ACCEPTED
        assert plan.variables is not None
        # the same by the statistics alone: the limit is a magnitude, so it has two sides
        alone = judge([x * 1e-6 for x in far], k=plan.variables.k, figure="mean", lower=-25e-6, upper=25e-6)
        assert judged.criteria[0].judged == alone
        assert max(far) < 25.0, "no unit is beyond its limit"

    def test_no_other_limit_may_be_broken(self, sampling: Sampling) -> None:
        plan = sample_plan(sampling, 200, Stage.NORMAL)
        near = [10.0 + 0.5 * (at % 5) for at in range(plan.sample)]
        broken = self.sample(near, otherwise=Outcome.NONCONFORMING)
        assert judged_lot(plan, sampling, broken[:2]).sentence is Sentence.NOT_ACCEPTED
        beyond = self.sample(near, outcome=Outcome.NONCONFORMING)
        assert judged_lot(plan, sampling, beyond).sentence is Sentence.ACCEPTED

    @pytest.mark.parametrize("problem", ["short", "no value", "no spread"])
    def test_without_a_whole_sample_there_is_no_sentence(self, sampling: Sampling, problem: str) -> None:
        plan = sample_plan(sampling, 200, Stage.NORMAL)
        near = [10.0 + (0.0 if problem == "no spread" else at % 5) for at in range(plan.sample)]
        sample = self.sample(near)
        if problem == "short":
            sample = sample[1:]
        if problem == "no value":
            sample[0] = replace(sample[0], values={"sway.offset": None})
        judged = judged_lot(plan, sampling, sample)
        assert judged.sentence is Sentence.INCOMPLETE
        assert [bool(one.problem) for one in judged.criteria] == ([] if problem == "short" else [True])
