"""From journals to findings: what is evaluated, what is ABORTED, and the sentence of a run."""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.display import THIN
from stepwitness.findings import (
    Characteristic,
    DecisionRule,
    Estimate,
    Finding,
    Limit,
    Range,
    Sense,
    Verdict,
    judge,
)
from stepwitness.plan.description import Plan, PlannedProcedure
from stepwitness.procedures.procedure import Procedure
from stepwitness.quantities import Kind
from stepwitness.records.journal import JournalReadings
from stepwitness.records.judgement import (
    UNFINISHED,
    finding_sentence,
    findings_of,
    judgement_of,
    run_statement,
    worst_first,
)

Acquired = Callable[..., Path]


def plain(text: str) -> str:
    return text.replace(THIN, " ")


def test_every_limit_is_judged_and_estimates_without_one_are_kept(
    plan: Plan, bench: BenchDescription, acquired: Acquired
) -> None:
    planned = plan.procedures[1]
    judgement = judgement_of(plan, planned, bench, JournalReadings(acquired("play-at-end")))

    assert [(f.characteristic.name, f.verdict) for f in judgement.findings] == [
        ("clearance", Verdict.NOT_OBSERVABLE),
        ("mean_offset", Verdict.PASS),
    ]
    assert judgement.findings[0].reason == "no gauge on the load"
    assert judgement.findings[1].procedure == "play-at-end"
    assert [estimate.name for estimate in judgement.estimates] == ["mean_offset", "alarms", "clearance", "least"]


def test_the_same_readings_give_the_same_findings(plan: Plan, bench: BenchDescription, acquired: Acquired) -> None:
    path = acquired("offset")
    first, second = (findings_of(plan, plan.procedures[0], bench, JournalReadings(path)) for _ in range(2))

    assert first == second
    assert first[0].estimate.value == pytest.approx(10.1e-6)


@pytest.mark.parametrize(
    ("outcome", "cause", "said"),
    [("aborted", "the stop circuit opened", "the stop circuit opened"), (None, "", UNFINISHED)],
)
def test_a_journal_that_didnt_end_in_order_aborts_every_limit(
    plan: Plan, bench: BenchDescription, acquired: Acquired, outcome: str | None, cause: str, said: str
) -> None:
    path = acquired("offset", outcome=outcome, cause=cause)
    judgement = judgement_of(plan, plan.procedures[0], bench, JournalReadings(path))

    assert [(f.verdict, f.reason) for f in judgement.findings] == [(Verdict.ABORTED, said)] * 2
    assert judgement.estimates == ()


def failing(_readings: Any, _bench: Any, _settings: Any) -> tuple[Estimate, ...]:
    raise KeyError("gauge_m")


def giving(*estimates: Estimate) -> Callable[..., tuple[Estimate, ...]]:
    return lambda _readings, _bench, _settings: estimates


@pytest.mark.parametrize(
    ("evaluate", "said"),
    [
        (failing, "KeyError: 'gauge_m'"),
        (giving(Estimate("mean_offset", math.nan)), "the estimate of 'mean_offset' is nan"),
        (giving(Estimate("mean_offset", 0.0, math.inf)), "u = inf"),
        (giving(Estimate("of_its_own", 1.0)), "'of_its_own' is estimated but not declared"),
        (giving(Estimate("alarms", 1.0), Estimate("alarms", 2.0)), "'alarms' is estimated twice"),
    ],
)
def test_an_evaluation_that_fails_is_a_cause_and_is_logged(
    plan: Plan,
    bench: BenchDescription,
    acquired: Acquired,
    procedure: Callable[..., Procedure],
    caplog: pytest.LogCaptureFixture,
    evaluate: Any,
    said: str,
) -> None:
    planned = replace(plan.procedures[0], procedure=procedure("offset", evaluate=evaluate))
    with caplog.at_level(logging.ERROR):
        findings = findings_of(plan, planned, bench, JournalReadings(acquired("offset")))

    assert [finding.verdict for finding in findings] == [Verdict.ABORTED] * 2
    assert "the evaluation failed" in findings[0].reason
    assert said in findings[0].reason
    assert "the evaluation of 'offset' failed" in caplog.text


def test_a_limit_that_the_evaluation_passed_over_is_aborted(
    plan: Plan, bench: BenchDescription, acquired: Acquired, procedure: Callable[..., Procedure]
) -> None:
    planned = replace(plan.procedures[0], procedure=procedure("offset", evaluate=giving(Estimate("alarms", 0.0))))
    offset, alarms = findings_of(plan, planned, bench, JournalReadings(acquired("offset")))

    assert (offset.verdict, offset.reason) == (Verdict.ABORTED, "the evaluation gave no mean_offset")
    assert alarms.verdict is Verdict.PASS


# -- sentences -----------------------------------------------------------------------------------------------

REVERSAL = Characteristic("reversal_value", "reversal value", Kind.TRAVEL, "um", "", "", "B")
STIFFNESS = Characteristic("stiffness", "stiffness", Kind.STIFFNESS, "N/um", "", "", "k", sense=Sense.AT_LEAST)


def found(value: float | None, u: float, bound: float, *, of: Characteristic = REVERSAL, reason: str = "") -> Finding:
    limit = Limit(of, bound, of.unit, "as written")
    return judge("backlash", limit, Estimate(of.name, value, u, reason=reason), DecisionRule.GUARDED)


@pytest.mark.parametrize(
    ("finding", "said"),
    [
        (found(46.2e-6, 2.05e-6, 25e-6), "Reversal value B is 46.2 µm ± 4.1 µm (k = 2); the limit is 25 µm."),
        (
            found(24e-6, 1e-6, 25e-6),
            "Reversal value B is 24.0 µm ± 2.0 µm (k = 2); the limit is 25 µm, inside the uncertainty.",
        ),
        (
            found(3e6, 0.1e6, 20e6, of=STIFFNESS),
            "Stiffness k is 3.00 N/µm ± 0.20 N/µm (k = 2); the least limit is 20 N/µm.",
        ),
        (found(None, 0.0, 25e-6, reason="no gauge"), "Reversal value B is not observable: no gauge."),
    ],
)
def test_a_finding_is_a_sentence(finding: Finding, said: str) -> None:
    assert plain(finding_sentence(finding)) == said


def test_worst_come_first_and_the_farthest_out_before_the_nearer() -> None:
    near, far = found(30e-6, 0.0, 25e-6), found(90e-6, 0.0, 25e-6)
    good, open_, unseen = found(1e-6, 0.0, 25e-6), found(24e-6, 1e-6, 25e-6), found(None, 0.0, 25e-6)
    over_nothing = found(1e-6, 0.0, 0.0)

    assert worst_first([good, unseen, near, open_, far, over_nothing]) == [
        over_nothing,
        far,
        near,
        open_,
        unseen,
        good,
    ]


def statement(
    plan: Plan, bench: BenchDescription, taken: list[tuple[PlannedProcedure, Path]], partial_reason: str = ""
) -> str:
    findings = [
        finding for planned, path in taken for finding in findings_of(plan, planned, bench, JournalReadings(path))
    ]
    return plain(run_statement(plan, bench, findings, partial_reason=partial_reason))


def test_the_sentence_of_a_run_is_its_worst_finding(plan: Plan, bench: BenchDescription, acquired: Acquired) -> None:
    offset, play = plan.procedures
    bad, good = acquired("offset", (46.0, 47.0), alarms=1), acquired("play-at-end")

    assert statement(plan, bench, [(offset, bad), (play, good)]) == (
        "doser, serial TB-0417: FAIL. Mean offset O is 46.5 µm ± 1.0 µm (k = 2); the limit is 25 µm."
    )
    assert statement(plan, bench, [(play, good)]) == (
        "doser, serial TB-0417: NOT OBSERVABLE. Clearance is not observable: no gauge on the load."
    )


def test_a_run_in_which_all_holds_says_how_it_was_judged(
    plan: Plan, bench: BenchDescription, acquired: Acquired
) -> None:
    said = statement(plan, bench, [(plan.procedures[0], acquired("offset"))])

    assert said == "doser, serial TB-0417: PASS. 2 of 2 limits hold (guarded acceptance, k = 2)."
    bare = replace(bench, axis_serial="")
    assert statement(plan, bare, []) == "doser: NOT OBSERVABLE. Nothing was judged."


def test_an_aborted_run_names_the_procedure_and_the_cause(
    plan: Plan, bench: BenchDescription, acquired: Acquired
) -> None:
    path = acquired("offset", outcome="aborted", cause="interrupted by the operator")

    assert statement(plan, bench, [(plan.procedures[0], path)]) == (
        "doser, serial TB-0417: ABORTED. offset was aborted: interrupted by the operator."
    )


def test_a_partial_run_sentences_nothing_and_says_the_worst(
    plan: Plan, bench: BenchDescription, acquired: Acquired
) -> None:
    taken = [(plan.procedures[0], acquired("offset", (46.0, 47.0)))]

    assert statement(plan, bench, taken, "selected by -k") == (
        "doser, serial TB-0417: PARTIAL, which sentences nothing. 2 of 4 limits were judged (selected by -k); "
        "the worst is FAIL. Mean offset O is 46.5 µm ± 1.0 µm (k = 2); the limit is 25 µm."
    )
    assert statement(plan, bench, [], "selected by -k") == (
        "doser, serial TB-0417: PARTIAL, which sentences nothing. 0 of 4 limits were judged (selected by -k)."
    )


@pytest.mark.parametrize(
    ("bound", "told"),
    [(40e-6, "the limit is 40 µm."), (48e-6, "the limit is 48 µm, inside the interval.")],
)
def test_a_sentence_tells_the_interval_that_decided(bound: float, told: str) -> None:
    reversal = Characteristic("reversal", "reversal value", Kind.TRAVEL, "um", "", "", "B")
    held = Range(42e-6, 50.1e-6, 0.95, "the mean of many tests")
    estimate = Estimate("reversal", 46.2e-6, 2.05e-6, interval=held)
    finding = judge("backlash", Limit(reversal, bound, "um", ""), estimate, DecisionRule.GUARDED)

    said = finding_sentence(finding).replace(THIN, " ")
    assert said == f"Reversal value B is 46.2 µm (95 % interval 42.0 to 50.1 µm); {told}"
