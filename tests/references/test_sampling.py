"""Sampling tables, operating characteristics and binomial bounds against published numbers."""

from __future__ import annotations

import csv
import json

import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology import binomial
from stepwitness.metrology import operating_characteristic as oc
from stepwitness.metrology import sampling_tables as tables
from stepwitness.metrology.sampling import acceptance_one_step_tighter, code_letter, single_plan

DATA = REFERENCES / "sampling"
COLUMNS = {"S1": "S-1", "S2": "S-2", "S3": "S-3", "S4": "S-4", "I": "I", "II": "II", "III": "III"}


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def case(name: str) -> dict[str, list[dict[str, str]]]:
    return json.loads((DATA / name).read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def test_every_code_letter() -> None:
    for row in rows("code-letters.csv"):
        for column, level in COLUMNS.items():
            assert code_letter(int(row["lot_min"]), level=level) == row[column]  # type: ignore[arg-type]
            if row["lot_max"]:
                assert code_letter(int(row["lot_max"]), level=level) == row[column]  # type: ignore[arg-type]
    assert code_letter(10**8, level="III") == "R"


@pytest.mark.parametrize("severity", ["normal", "tightened", "reduced"])
def test_every_cell(severity: tables.Severity) -> None:
    expected = rows(f"mil-std-105e-{severity}.csv")
    ours = [line.split() for line in tables.TABLES[severity].strip().splitlines()]

    assert len(ours) == len(expected) == (17 if severity == "tightened" else 16)
    for line, row in zip(ours, expected, strict=True):
        cells = [row[f"AQL_{name}"] for name in ("0.010", "0.015", "0.025", "0.040", "0.065", "0.10", "0.15", "0.25")]
        cells += [row[f"AQL_{name}"] for name in ("0.40", "0.65", "1.0", "1.5", "2.5", "4.0", "6.5", "10", "15")]
        assert line == [row["code_letter"], row["sample_size"], *(cell or "." for cell in cells)]


@pytest.mark.parametrize(
    ("lot", "aql", "severity", "due"),
    [
        # read off the tables by hand, arrows followed: letter, sample, Ac, Re
        (1000, 1.0, "normal", ("J", 80, 2, 3)),
        (1000, 0.10, "normal", ("K", 125, 0, 1)),
        (1000, 0.25, "normal", ("H", 50, 0, 1)),
        (1000, 0.40, "normal", ("K", 125, 1, 2)),
        (1000, 0.25, "tightened", ("J", 80, 0, 1)),
        (1000, 0.65, "tightened", ("K", 125, 1, 2)),
        (1000, 1.0, "reduced", ("J", 32, 1, 3)),
        (600_000, 0.025, "tightened", ("S", 3150, 1, 2)),
        (5, 0.010, "normal", ("Q", 1250, 0, 1)),
    ],
)
def test_arrows(lot: int, aql: float, severity: tables.Severity, due: tuple[str, int, int, int]) -> None:
    plan = single_plan(lot, aql_percent=aql, edition="MIL-STD-105E", severity=severity)

    assert (plan.letter, plan.ac, plan.re) == (due[0], due[2], due[3])
    assert plan.sample == min(due[1], lot)
    assert plan.whole_lot == (due[1] >= lot)


def test_one_step_tighter() -> None:
    plan = single_plan(1000, aql_percent=1.5, edition="ISO 2859-1:1999")

    assert (plan.sample, plan.ac) == (80, 3)
    assert acceptance_one_step_tighter(plan) == 2


def test_operating_characteristics() -> None:
    for plan in json.loads((DATA / "oc-checkpoints.json").read_text(encoding="utf-8"))["plans"]:
        for fraction, expected in plan["Pa_binomial"].items():
            ours = float(oc.accept_binomial(plan["n"], plan["Ac"], [float(fraction)])[0])
            assert ours == pytest.approx(float(expected), rel=1e-11)
        for chance, expected in plan["p_at_Pa"].items():
            ours = oc.quality_accepted(plan["n"], plan["Ac"], probability_of_acceptance=float(chance))
            # ten digits are given
            assert ours == pytest.approx(float(expected), rel=6e-10)


def test_a_plan_in_the_code_of_federal_regulations() -> None:
    """7 CFR 42.140: n = 500, Ac = 3 accepts about 26 % at 1.0 defects per hundred and about 99 % at 0.10."""
    plan = json.loads((DATA / "oc-checkpoints.json").read_text(encoding="utf-8"))["cfr_plan"]
    at_one, at_tenth = oc.accept_poisson(plan["n"], plan["Ac"], [0.01, 0.001])

    assert at_one == pytest.approx(float(plan["Pa_poisson_at_1.0_per_hundred"]), rel=1e-13)
    assert at_tenth == pytest.approx(float(plan["Pa_poisson_at_0.10_per_hundred"]), rel=1e-13)
    assert 100 * at_one == pytest.approx(plan["published_percent"]["1.0"], abs=1.0)
    assert 100 * at_tenth == pytest.approx(plan["published_percent"]["0.10"], abs=1.0)


def test_success_runs() -> None:
    """n = 2995 for 0.999 at 0.95 is published in a library's documentation; the rest is of the closed form."""
    for row in case("success-run.json")["success_run"]:
        reliability, confidence = float(row["R"]), float(row["C"])
        n = binomial.demonstration_size(reliability=reliability, confidence=confidence)
        assert n == int(row["n_zero_failures"])
        shown = binomial.demonstrated_reliability(n=n, confidence=confidence)
        assert shown == pytest.approx(float(row["R_shown_lower_bound"]), rel=1e-13)


def test_sizes_with_failures_allowed() -> None:
    for row in case("success-run.json")["with_failures_allowed"]:
        n = binomial.demonstration_size(
            reliability=float(row["R"]), confidence=float(row["C"]), failures=int(row["failures_allowed"])
        )
        assert n == int(row["n"])


def test_clopper_pearson_bounds() -> None:
    for row in case("success-run.json")["clopper_pearson"]:
        x, n = int(row["successes"]), int(row["n"])
        two_sided = binomial.clopper_pearson(x, n)
        low, high = (float(end) for end in row["two_sided_95"])
        assert two_sided.low == pytest.approx(low, rel=1e-12)
        assert two_sided.high == pytest.approx(high, rel=1e-12)
        one_sided = binomial.clopper_pearson(x, n, side="lower")
        assert one_sided.low == pytest.approx(float(row["lower_one_sided_95"]), rel=1e-12)
