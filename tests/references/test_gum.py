"""Budgets and decision rules against JCGM 100 example H.1, JCGM 101 9.2 and JCGM 106.

Sources: README.md beside the check values. H.1's inputs and results are published; the digits beyond were computed
independently. The simulation examples of JCGM 101 9.2.2 to 9.2.4 are from memory. Conformance probabilities were
computed independently.
"""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology.budget import (
    Budget,
    Distribution,
    Input,
    Measurement,
    coverage_factor,
    propagate,
    second_order_uncertainty,
    summed,
    within,
)
from stepwitness.metrology.decision import Bell, Decision, Rule, conformity, decide, guard_factor
from stepwitness.metrology.montecarlo import disagreement, simulate

DATA = REFERENCES / "gum"
H1: dict[str, Any] = json.loads((DATA / "h1-end-gauge.json").read_text())
CONFORMITY: dict[str, Any] = json.loads((DATA / "conformity.json").read_text())
NAMES = ("l_S", "d", "alpha_S", "theta", "delta_alpha", "delta_theta")


def quantity(text: str | float) -> float:
    return float(str(text).split(" ")[0])


def end_gauge() -> Measurement:
    """l = l_S + d − l_S (δα·θ + α_S·δθ), in nm and K."""
    inputs = tuple(
        Input(
            name,
            quantity(H1["inputs"][name]["x"]),
            quantity(H1["inputs"][name]["u"]),
            degrees_of_freedom=float(H1["inputs"][name]["nu"]),
        )
        for name in NAMES
    )
    return Measurement(inputs, lambda l, d, a, theta, da, dtheta: l + d - l * (da * theta + a * dtheta))  # noqa: E741


@pytest.fixture(scope="module")
def budget() -> Budget:
    return propagate(end_gauge())


def test_h1_value_and_uncertainty_to_the_digits_computed(budget: Budget) -> None:
    due = H1["computed"]

    assert budget.value == pytest.approx(float(due["l_nm"]), rel=1e-15)
    # 5e7 nm carries 7e-9 nm of rounding, of which sensitivities amplify some
    assert budget.standard_uncertainty == pytest.approx(float(due["u_c_nm"]), rel=1e-8)
    assert budget.degrees_of_freedom == pytest.approx(float(due["nu_eff"]), rel=1e-8)


def test_h1_every_contribution(budget: Budget) -> None:
    for line in budget.lines:
        due = float(H1["computed"]["contributions_nm"][line.input.source])
        assert abs(line.contribution) == pytest.approx(due, rel=1e-7, abs=1e-6), line.input.source
        assert abs(line.contribution) == pytest.approx(H1["published"]["contributions_nm"][line.input.source], abs=0.1)


def test_h1_as_published(budget: Budget) -> None:
    published = H1["published"]

    assert f"{budget.value / 1e6:.6f}" == published["l_mm"]
    assert round(budget.standard_uncertainty) == published["u_c_nm"]
    assert math.floor(budget.degrees_of_freedom) == published["nu_eff"]
    assert round(budget.coverage_factor(0.99), 2) == published["k99"]
    assert round(budget.expanded_uncertainty(0.99)) == published["U99_nm"]


def test_h1_with_second_order_terms() -> None:
    assert second_order_uncertainty(end_gauge()) == pytest.approx(
        float(H1["computed"]["u_c_with_second_order_nm"]), rel=1e-6
    )
    assert round(second_order_uncertainty(end_gauge())) == H1["published"]["u_c_with_second_order_nm_from_memory"]


def test_h1_simulated_sees_what_the_first_order_misses(budget: Budget) -> None:
    simulated = simulate(end_gauge(), seed=1, most=400_000)
    apart = disagreement(budget, simulated)

    # normal inputs, so the exact standard deviation is that with the second-order terms
    assert simulated.standard_uncertainty == pytest.approx(float(H1["computed"]["u_c_with_second_order_nm"]), rel=0.01)
    assert apart.uncertainty_ratio == pytest.approx(33.911 / 31.711, rel=0.01)
    assert not apart.validated


@pytest.mark.parametrize(("key", "due"), H1["t_table_G2_seen"].items())
def test_factors_of_the_t_table(key: str, due: float) -> None:
    dof, probability = map(float, key.split(","))
    assert coverage_factor(dof, probability) == pytest.approx(due, abs=0.0051)


@pytest.mark.parametrize(
    ("inputs", "low_to_high", "validated"),
    [
        # 9.2.2: four normal inputs of u = 1; 9.2.3: four rectangular ones; 9.2.4: one of them ten times as wide
        ([Input(f"x{i}", 0.0, 1.0) for i in range(4)], 3.92, True),
        ([within(f"x{i}", math.sqrt(3)) for i in range(4)], 3.88, True),
        ([within(f"x{i}", math.sqrt(3) * (10 if i == 3 else 1)) for i in range(4)], 17.0, False),
    ],
)
def test_simulation_examples(inputs: list[Input], low_to_high: float, validated: bool) -> None:
    measurement = summed(inputs)
    simulated = simulate(measurement, digits=1 if validated else 2, most=1_000_000)

    assert simulated.stable
    assert simulated.high == pytest.approx(low_to_high, abs=0.06)
    assert simulated.low == pytest.approx(-low_to_high, abs=0.06)
    assert disagreement(propagate(measurement), simulated).validated is validated


@pytest.mark.parametrize("case", CONFORMITY["conformance_probability"], ids=lambda case: case["case"])
def test_probability_of_conformity(case: dict[str, Any]) -> None:
    lower, upper = (None if case[key] is None else float(case[key]) for key in ("TL", "TU"))
    found = conformity(Bell(float(case["y"]), float(case["u"])), lower=lower, upper=upper)

    assert found == pytest.approx(float(case["p_conform"]), rel=1e-12)


def test_guard_band_and_the_verdicts_of_a_stated_risk() -> None:
    due = CONFORMITY["guard_band"]
    example = due["example"]
    limit, u = float(example["TU"]), float(example["U_k2"]) / 2

    assert guard_factor(0.05) == pytest.approx(float(due["g_over_u"]), rel=1e-12)
    assert limit - guard_factor(0.05) * u == pytest.approx(float(example["acceptance_limit_upper"]), rel=1e-14)
    assert limit + guard_factor(0.05) * u == pytest.approx(float(example["rejection_limit_upper"]), rel=1e-14)
    words = {"conform": Decision.ACCEPTED, "not conform": Decision.REJECTED, "neither": Decision.NEITHER}
    for value, word in example["verdicts"].items():
        p = conformity(Bell(float(value), u), upper=limit)
        found = decide(Rule.STATED_RISK, limit - float(value), 2 * u, probability=p, maximum_risk=0.05)
        assert found is words[word], value


def test_combined_parts_of_the_comparator() -> None:
    parts = H1["inputs"]["d"]["parts"]
    budget = propagate(
        summed([Input(n, 0.0, quantity(p["u"]), Distribution.STUDENT, p["nu"], "A") for n, p in parts.items()])
    )

    assert budget.standard_uncertainty == pytest.approx(float(H1["computed"]["u_d_from_parts_nm"]), rel=1e-9)
    assert budget.degrees_of_freedom == pytest.approx(H1["inputs"]["d"]["nu"], abs=0.3)
