"""Propagation of distributions: against exact results, stability, correlation, refusals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from stepwitness.metrology.budget import Distribution, Input, Measurement, propagate, summed, within
from stepwitness.metrology.montecarlo import disagreement, simulate, tolerance_of
from stepwitness.metrology.statistics import BadReadings


@pytest.mark.parametrize(
    ("item", "quantile"),
    [
        (Input("x", 1.0, 2.0), 1 + 2 * stats.norm.ppf(0.975)),
        (Input("x", 1.0, 2.0, Distribution.STUDENT, 5), 1 + 2 * stats.t.ppf(0.975, 5)),
        (within("x", 2.0, value=1.0), 1 + 2 * 0.95),
        (within("x", 2.0, Distribution.TRIANGULAR, value=1.0), 1 + 2 * (1 - math.sqrt(0.05))),
        (within("x", 2.0, Distribution.ARCSINE, value=1.0), 1 + 2 * math.sin(math.pi * 0.475)),
    ],
    ids=lambda value: value.distribution.value if isinstance(value, Input) else "",
)
def test_one_input_of_each_distribution(item: Input, quantile: float) -> None:
    found = simulate(summed([item]), digits=1, most=200_000)

    assert found.value == pytest.approx(1.0, abs=0.05)
    assert found.high == pytest.approx(quantile, abs=0.12)
    assert found.low == pytest.approx(2 - quantile, abs=0.12)


def test_it_stops_when_stable_and_says_when_it_isnt() -> None:
    measurement = summed([Input("a", 0.0, 1.0), within("b", 1.0)])
    loose, tight = simulate(measurement, digits=1), simulate(measurement, digits=2, most=20_000)

    assert loose.stable
    assert loose.trials % 10_000 == 0
    assert loose.tolerance == 0.5  # u = 1.15: one digit is 1
    assert not tight.stable
    assert tight.trials == 20_000
    assert tight.tolerance == 0.05


def test_block_grows_with_the_probability() -> None:
    # JCGM 101, 7.9.4a: at least 100/(1 − p) trials a block
    assert simulate(summed([Input("a", 0.0, 1.0)]), probability=0.999, digits=1).trials % 100_000 == 0


def test_the_shortest_interval_of_a_skewed_result() -> None:
    found = simulate(Measurement((Input("x", 0.0, 1.0),), lambda x: x**2), digits=1, most=200_000)

    # χ² with one degree of freedom is densest at 0
    assert found.shortest[0] == pytest.approx(0.0, abs=0.001)
    assert found.shortest[1] == pytest.approx(stats.chi2.ppf(0.95, 1), rel=0.05)
    assert found.shortest[1] - found.shortest[0] < found.high - found.low


def test_correlated_inputs_are_drawn_together() -> None:
    inputs = [Input("a", 0.0, 3.0), Input("b", 0.0, 3.0), within("c", 0.3)]
    measurement = Measurement(tuple(inputs), lambda a, b, c: a - b + c, {("a", "b"): 1.0})
    found = simulate(measurement, digits=1)

    assert found.standard_uncertainty == pytest.approx(0.3 / math.sqrt(3), rel=0.02)
    assert disagreement(propagate(measurement), found).uncertainty_ratio == pytest.approx(1.0, rel=0.02)


def test_a_disagreement_says_which_to_use() -> None:
    square = Measurement((Input("x", 0.0, 1.0),), lambda x: x**2)
    apart = disagreement(propagate(square), simulate(square, digits=1, most=100_000))

    assert not apart.validated
    assert "the simulated interval is the one to use" in apart.sentence()
    line = summed([Input("x", 0.0, 1.0)])
    agreed = disagreement(propagate(line), simulate(line, digits=1))
    assert agreed.validated
    assert "validated" in agreed.sentence()


def test_the_same_seed_gives_the_same() -> None:
    measurement = summed([Input("a", 0.0, 1.0)])

    assert simulate(measurement, digits=1) == simulate(measurement, digits=1)
    assert simulate(measurement, digits=1) != simulate(measurement, digits=1, seed=2)


@pytest.mark.parametrize(("u", "digits", "due"), [(0.00035, 2, 5e-6), (32.0, 2, 0.5), (32.0, 1, 5.0), (0.0, 2, 0.0)])
def test_tolerance(u: float, digits: int, due: float) -> None:
    # JCGM 101, 7.9.2: example 1 has u = 0.00035 and δ = 0.000005
    assert tolerance_of(u, digits) == pytest.approx(due, rel=1e-12)


def test_inputs_without_uncertainty_are_certain() -> None:
    found = simulate(summed([Input("a", 2.0)]))

    assert (found.value, found.standard_uncertainty, found.low, found.high) == (2.0, 0.0, 2.0, 2.0)
    assert found.stable


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: simulate(summed([Input("a")]), probability=1.0), "probability"),
        (
            lambda: simulate(summed([within("a", 1.0), Input("b", 0.0, 1.0)], {("a", "b"): 0.5})),
            "only normal inputs may be",
        ),
        (lambda: simulate(Measurement((Input("a", 0.0, 1.0),), np.log)), "finite number for every draw"),
    ],
)
@pytest.mark.filterwarnings("ignore:invalid value", "ignore:divide by zero")
def test_refusals(make: Any, said: str) -> None:
    with pytest.raises(BadReadings, match=said):
        make()
