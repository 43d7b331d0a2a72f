"""The law of propagation: by hand, invariants, correlations, and inputs that are no inputs."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.budget import (
    Distribution,
    Input,
    Measurement,
    coverage_factor,
    propagate,
    second_order_uncertainty,
    summed,
    welch_satterthwaite,
    within,
)
from stepwitness.metrology.statistics import BadReadings


def test_half_widths() -> None:
    # JCGM 100, 4.3.7 and 4.3.9; JCGM 101, 6.4.6
    assert within("x", 3.0).standard_uncertainty == pytest.approx(3 / math.sqrt(3))
    assert within("x", 3.0, Distribution.TRIANGULAR).standard_uncertainty == pytest.approx(3 / math.sqrt(6))
    assert within("x", 3.0, Distribution.ARCSINE).standard_uncertainty == pytest.approx(3 / math.sqrt(2))
    with pytest.raises(BadReadings, match="no half-width"):
        within("x", 3.0, Distribution.NORMAL)


def test_sensitivities_of_a_polynomial_are_exact() -> None:
    measurement = Measurement((Input("a", 2.0, 0.1), Input("b", -1.0, 0.2)), lambda a, b: a**3 * b + b**4)
    budget = propagate(measurement)

    assert [line.sensitivity for line in budget.lines] == pytest.approx([-12.0, 4.0], rel=1e-10)
    assert budget.value == -7.0
    assert sum(budget.shares) == pytest.approx(1.0)


def test_an_input_without_uncertainty_has_a_sensitivity_and_no_share() -> None:
    budget = propagate(Measurement((Input("a", 3.0), Input("b", 2.0, 1.0)), lambda a, b: a * b))

    assert budget.lines[0].sensitivity == pytest.approx(2.0)
    assert budget.shares == (0.0, pytest.approx(1.0))


@given(r=st.floats(-1.0, 1.0), u=st.floats(0.01, 10.0), v=st.floats(0.01, 10.0))
def test_correlation_of_a_difference(r: float, u: float, v: float) -> None:
    inputs = (Input("a", 1.0, u), Input("b", 1.0, v))
    budget = propagate(Measurement(inputs, lambda a, b: a - b, {("a", "b"): r}))

    assert budget.standard_uncertainty**2 == pytest.approx(u**2 + v**2 - 2 * r * u * v, rel=1e-6, abs=1e-9)
    assert budget.correlated_variance == pytest.approx(-2 * r * u * v, rel=1e-6, abs=1e-9)


def test_fully_correlated_inputs_add_up_as_one() -> None:
    # as the ten resistors of JCGM 100, 5.2.2: all calibrated against one standard
    names = [f"R{index}" for index in range(10)]
    pairs = {(a, b): 1.0 for i, a in enumerate(names) for b in names[i + 1 :]}
    budget = propagate(summed([Input(name, 1000.0, 0.1) for name in names], pairs))

    assert budget.value == pytest.approx(10_000.0)
    assert budget.standard_uncertainty == pytest.approx(1.0)


def test_correlated_inputs_have_the_least_degrees_of_freedom_of_them() -> None:
    inputs = [Input("a", 0.0, 1.0, degrees_of_freedom=4), Input("b", 0.0, 1.0, degrees_of_freedom=9)]

    assert propagate(summed(inputs, {("a", "b"): 1.0})).degrees_of_freedom == pytest.approx(4.0)
    assert propagate(summed(inputs)).degrees_of_freedom == pytest.approx(4 / (1 / 4 + 1 / 9))


@given(st.lists(st.tuples(st.floats(0.01, 10.0), st.integers(1, 50)), min_size=1, max_size=6))
def test_welch_satterthwaite_lies_between_the_least_and_the_sum(parts: list[tuple[float, int]]) -> None:
    dof = welch_satterthwaite(parts)

    assert min(dof for _, dof in parts) <= dof * (1 + 1e-12)
    assert dof <= sum(dof for _, dof in parts) * (1 + 1e-12)
    assert welch_satterthwaite([(u * 1e-6, v) for u, v in parts]) == pytest.approx(dof)


@given(scale=st.floats(1e-6, 1e6), shift=st.floats(-1e3, 1e3))
def test_a_change_of_unit_scales_and_a_shift_leaves_the_uncertainty(scale: float, shift: float) -> None:
    plain = [Input("a", 1.0, 0.5, degrees_of_freedom=7), within("b", 2.0)]
    scaled = [
        Input("a", scale, 0.5 * scale, degrees_of_freedom=7),
        within("b", 2.0 * scale, value=shift * scale),
    ]
    one, other = propagate(summed(plain)), propagate(summed(scaled))

    assert other.standard_uncertainty == pytest.approx(scale * one.standard_uncertainty, rel=1e-6)
    assert other.degrees_of_freedom == pytest.approx(one.degrees_of_freedom, rel=1e-5)


def test_second_order_of_a_square_is_exact() -> None:
    # y = x² at 0: Var = 2 u⁴, and the first order sees nothing
    square = Measurement((Input("x", 0.0, 0.3),), lambda x: x**2)

    assert propagate(square).standard_uncertainty == pytest.approx(0.0, abs=1e-12)
    assert second_order_uncertainty(square) == pytest.approx(math.sqrt(2) * 0.09)


def test_the_factor_is_that_of_t_with_truncated_degrees() -> None:
    assert coverage_factor(math.inf, 0.9545) == pytest.approx(2.0, abs=1e-4)
    assert coverage_factor(4.99) == coverage_factor(4.0)
    assert coverage_factor(0.3) == coverage_factor(1.0)
    with pytest.raises(BadReadings, match="probability"):
        coverage_factor(3.0, 1.0)


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: Input("x", math.nan), "the value of 'x' is nan"),
        (lambda: Input("x", 0.0, -1.0), "standard uncertainty"),
        (lambda: Input("x", 0.0, math.inf), "standard uncertainty"),
        (lambda: Input("x", 0.0, 1.0, degrees_of_freedom=0), "degrees of freedom"),
        (lambda: Input("x", kind="C"), "type 'C'"),
        (lambda: Measurement((), lambda: 0.0), "without inputs"),
        (lambda: summed([Input("x"), Input("x")]), "same name"),
        (lambda: summed([Input("x"), Input("y")], {("x", "z"): 0.5}), "aren't two of the inputs"),
        (lambda: summed([Input("x"), Input("y")], {("x", "y"): 1.5}), "between -1 and 1"),
        (
            lambda: summed(
                [Input(name, 0.0, 1.0) for name in "xyz"], {("x", "y"): 0.9, ("y", "z"): 0.9, ("x", "z"): -0.9}
            ),
            "contradict each other",
        ),
        (lambda: propagate(Measurement((Input("x", 0.0, 1.0),), lambda x: np.log(x * 0 - 1))), "is nan"),
        (
            lambda: second_order_uncertainty(summed([Input("x", 0.0, 1.0), Input("y", 0.0, 1.0)], {("x", "y"): 0.5})),
            "independent",
        ),
    ],
)
@pytest.mark.filterwarnings("ignore:invalid value")
def test_what_is_no_budget_says_why(make: Any, said: str) -> None:
    with pytest.raises(BadReadings, match=said):
        make()
