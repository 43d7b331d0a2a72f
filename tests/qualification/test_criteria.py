"""Clauses judged across units, against closed forms and figures worked out beside the code."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from scipy import stats

from stepwitness.findings import Limit, Sense, Verdict
from stepwitness.plan.description import Measured
from stepwitness.qualification.criteria import UnitResult, criterion_text, judged, side_of
from stepwitness.qualification.description import By, Clause, Criterion
from stepwitness.qualification.model import load_qualification

VALUES_UM = (9.0, 10.0, 11.0, 10.5, 9.5)
MEAN_UM, SD_UM = 10.0, math.sqrt(2.5 / 4)


@pytest.fixture
def clause(laboratory) -> Clause:
    return load_qualification(laboratory.file).clauses[0]


def measured(clause: Clause, *, bound_um: float = 25.0, **changed: Any) -> Measured:
    limit = clause.plan.procedures[0].limits[0]
    return Measured("sway", Limit(replace(limit.characteristic, **changed), bound_um * 1e-6, "um", f"{bound_um} um"))


def units(values_um=VALUES_UM, verdicts: dict[int, Verdict] | None = None, expanded_um: float = 0.0):
    verdicts = verdicts or {}
    return [
        UnitResult(
            f"U{at}",
            verdicts.get(at, Verdict.PASS),
            {
                "sway.offset": {
                    "value": value * 1e-6,
                    "U": expanded_um * 1e-6,
                    "title": "offset",
                    "symbol": "O",
                    "verdict": verdicts.get(at, Verdict.PASS).value,
                    "shown": {"text": f"{value:g} µm ± 1 µm", "limit": "≤ 25 µm"},
                }
            },
        )
        for at, value in enumerate(values_um)
    ]


def asked(clause: Clause, criterion: Criterion) -> Clause:
    return replace(clause, criterion=criterion)


# -- all pass, reliability -------------------------------------------------------------------------------------------


def test_a_clause_is_open_until_every_unit_is_decided(clause: Clause) -> None:
    found = judged(clause, units()[:4], sample=5)
    assert (found.verdict, found.statement) == (None, "4 of 5\u2009units decided.")
    assert judged(clause, units(), sample=5).verdict is Verdict.PASS


@pytest.mark.parametrize("verdict", [verdict for verdict in Verdict if verdict is not Verdict.PASS])
def test_one_unit_that_doesnt_pass_ends_it_at_once(clause: Clause, verdict: Verdict) -> None:
    found = judged(clause, units(verdicts={1: verdict})[:3], sample=5)
    assert found.verdict is verdict
    assert found.statement == (
        f"1 of 3\u2009units does not pass: U1 {verdict.value}, offset O 10 µm\u00a0±\u00a01 µm, limit ≤ 25 µm."
    )


@pytest.mark.parametrize(("n", "verdict"), [(22, Verdict.PASS), (21, Verdict.FAIL)])
def test_a_success_run_of_22_shows_90_percent_at_90_percent(clause: Clause, n: int, verdict: Verdict) -> None:
    """⌈ln 0.1 / ln 0.9⌉ = 22."""
    criterion = Criterion(By.RELIABILITY, reliability=0.9, confidence=0.9)
    found = judged(asked(clause, criterion), units([1.0] * n), sample=n)
    assert found.verdict is verdict
    assert found.numbers["reliability"] == pytest.approx(0.1 ** (1 / n), rel=1e-12)
    assert found.numbers["n_due"] == 22


def test_no_more_than_a_few_are_named(clause: Clause) -> None:
    found = judged(clause, units(verdicts=dict.fromkeys(range(5), Verdict.FAIL)), sample=5)
    assert "U2 FAIL" in found.statement
    assert "U3" not in found.statement
    assert found.statement.endswith("; and 2 more.")


def test_failures_that_are_allowed_cost_reliability(clause: Clause) -> None:
    """One failure: the least n with 0.9ⁿ + n·0.1·0.9ⁿ⁻¹ ≤ 0.1 is 38."""
    criterion = Criterion(By.RELIABILITY, reliability=0.9, confidence=0.9, failures=1)
    bad = {3: Verdict.FAIL}
    for n, verdict in ((38, Verdict.PASS), (37, Verdict.FAIL)):
        assert judged(asked(clause, criterion), units([1.0] * n, bad), sample=n).verdict is verdict
    worse = judged(asked(clause, criterion), units([1.0] * 38, {3: Verdict.FAIL, 4: Verdict.INCONCLUSIVE}), sample=38)
    assert worse.verdict is Verdict.FAIL
    assert worse.statement.startswith("2 of 38\u2009units do not pass; up to 1 may: U3 FAIL, offset O 1 µm")
    assert "; U4 INCONCLUSIVE, offset O" in worse.statement


# -- tolerance interval ----------------------------------------------------------------------------------------------


def one_sided_k(n: int, content: float, confidence: float) -> float:
    """By the noncentral t of scipy."""
    return float(stats.nct.ppf(confidence, n - 1, stats.norm.ppf(content) * math.sqrt(n))) / math.sqrt(n)


@pytest.mark.parametrize("at_least", [False, True])
def test_a_one_sided_tolerance_limit(clause: Clause, at_least: bool) -> None:
    k = one_sided_k(5, 0.9, 0.95)
    sense = Sense.AT_LEAST if at_least else Sense.AT_MOST
    edge_um = MEAN_UM - k * SD_UM if at_least else MEAN_UM + k * SD_UM
    for beyond, verdict in ((0.999, Verdict.PASS), (1.001, Verdict.FAIL)):
        bound_um = edge_um / beyond if not at_least else edge_um * beyond
        limit = measured(clause, bound_um=bound_um, magnitude=False, sense=sense)
        criterion = Criterion(By.TOLERANCE, limit, content=0.9, confidence=0.95)
        found = judged(asked(clause, criterion), units(), sample=5)
        assert found.verdict is verdict
        assert found.numbers["k"] == pytest.approx(k, rel=1e-8)
        assert found.numbers["low" if at_least else "high"] == pytest.approx(edge_um * 1e-6, rel=1e-9)


def test_the_end_nearest_to_a_magnitudes_limit_is_judged(clause: Clause) -> None:
    """k for n = 5, 90 % content, 95 % confidence, two-sided: 4.275 in the classical table of Wald and Wolfowitz's
    approximation (from memory), a little below the exact factor."""
    limit = measured(clause, bound_um=14.0)
    criterion = Criterion(By.TOLERANCE, limit, content=0.9, confidence=0.95)
    for values in (VALUES_UM, tuple(-value for value in VALUES_UM)):
        found = judged(asked(clause, criterion), units(values), sample=5)
        assert found.numbers["k"] == pytest.approx(4.275, rel=5e-3)
        assert max(abs(found.numbers["low"]), abs(found.numbers["high"])) == pytest.approx(
            (MEAN_UM + found.numbers["k"] * SD_UM) * 1e-6, rel=1e-12
        )
        assert found.verdict is Verdict.PASS


def test_the_uncertainty_of_the_values_guards_the_tolerance_limit(clause: Clause) -> None:
    """The edge lies at 13.38 µm: within 14 µm, but not by more than a U of 1 µm."""
    criterion = Criterion(By.TOLERANCE, measured(clause, bound_um=14.0), content=0.9, confidence=0.95)
    assert judged(asked(clause, criterion), units(expanded_um=0.5), sample=5).verdict is Verdict.PASS
    assert judged(asked(clause, criterion), units(expanded_um=1.0), sample=5).verdict is Verdict.INCONCLUSIVE
    beyond = Criterion(By.TOLERANCE, measured(clause, bound_um=12.0), content=0.9, confidence=0.95)
    assert judged(asked(clause, beyond), units(expanded_um=1.0), sample=5).verdict is Verdict.FAIL


def test_order_statistics_suppose_no_distribution(clause: Clause) -> None:
    """The greatest of 22 lies above 90 % of all units at 1 − 0.9²² = 90.15 %."""
    limit = measured(clause, bound_um=22.5, magnitude=False)
    criterion = Criterion(By.TOLERANCE, limit, content=0.9, confidence=0.9, any_distribution=True)
    found = judged(asked(clause, criterion), units([float(at + 1) for at in range(22)]), sample=22)
    assert found.verdict is Verdict.PASS
    assert found.numbers["high"] == pytest.approx(22e-6)
    assert found.numbers["confidence"] == pytest.approx(1 - 0.9**22, rel=1e-12)
    assert "order statistics" in found.statement


def test_units_without_spread_arent_judged_by_it(clause: Clause) -> None:
    criterion = Criterion(By.TOLERANCE, measured(clause), content=0.9, confidence=0.95)
    found = judged(asked(clause, criterion), units([10.0] * 5), sample=5)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert "no spread" in found.statement or "same" in found.statement


# -- capability ------------------------------------------------------------------------------------------------------


def test_the_bound_of_ppk_is_that_of_the_noncentral_t(clause: Clause) -> None:
    """At the lower bound, as great a value as was seen has the probability 1 − C (one-sided, by scipy)."""
    limit = measured(clause, bound_um=15.0, magnitude=False)
    ppk = (15.0 - MEAN_UM) / (3 * SD_UM)
    criterion = Criterion(By.CAPABILITY, limit, least=1.0, confidence=0.9)
    found = judged(asked(clause, criterion), units(), sample=5)
    assert found.numbers["ppk"] == pytest.approx(ppk, rel=1e-9)
    root = 3 * math.sqrt(5)
    assert stats.nct.sf(root * ppk, 4, root * found.numbers["bound"]) == pytest.approx(0.1, rel=1e-6)
    asked_more = replace(criterion, least=found.numbers["bound"] * 1.01)
    assert judged(asked(clause, asked_more), units(), sample=5).verdict is Verdict.FAIL
    assert judged(asked(clause, replace(criterion, least=0.5)), units(), sample=5).verdict is Verdict.PASS


def test_what_a_criterion_asks_is_a_sentence(clause: Clause) -> None:
    axis, limit = clause.bench.axis, measured(clause)
    told = [
        criterion_text(criterion, axis).replace("\u2009", " ")
        for criterion in (
            Criterion(By.ALL_PASS),
            Criterion(By.RELIABILITY, reliability=0.9, confidence=0.95, failures=2),
            Criterion(By.TOLERANCE, limit, content=0.9, confidence=0.95),
            Criterion(By.CAPABILITY, limit, least=1.33, confidence=0.95),
        )
    ]
    assert told == [
        "every unit passes",
        "a reliability of 90 % is shown at 95 % confidence, though up to 2 units may fail (Clopper-Pearson, one-sided)",
        "every unit passes, and offset O of 90 % of all such units keeps ≤ 25 µm at 95 % confidence, taken as normal "
        "(ISO 16269-6)",
        "every unit passes, and the lower bound of Ppk of offset O against ≤ 25 µm is at least 1.33 at 95 % confidence "
        "(ISO 22514-2)",
    ]


def test_sides(clause: Clause) -> None:
    assert side_of(measured(clause).limit.characteristic) == "both"
    assert side_of(measured(clause, magnitude=False).limit.characteristic) == "upper"
