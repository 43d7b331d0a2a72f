"""Running mean, spread and slope: invariants, agreement with numpy and scipy, and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings, Running, SlopeAccumulator

readings = st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=40)


@given(readings, st.integers(0, 40))
def test_merging_any_two_parts_gives_the_whole(values: list[float], cut: int) -> None:
    whole, first, second = Running(values), Running(values[:cut]), Running(values[cut:])
    first.merge(second)

    scale = max(map(abs, values)) or 1.0
    assert first.n == whole.n
    assert math.isclose(first.mean, whole.mean, rel_tol=1e-12, abs_tol=1e-12 * scale)
    assert math.isclose(first.variance, whole.variance, rel_tol=1e-11, abs_tol=1e-12 * scale**2)


@given(readings)
def test_agrees_with_numpy(values: list[float]) -> None:
    running = Running(values)

    assert math.isclose(running.mean, float(np.mean(values)), rel_tol=1e-12, abs_tol=1e-9)
    assert math.isclose(running.sd, float(np.std(values, ddof=1)), rel_tol=1e-9, abs_tol=1e-8)


def test_an_offset_costs_no_digit_of_the_spread() -> None:
    near, far = Running([1.0, 2.0, 4.0]), Running([2.0**40 + 1.0, 2.0**40 + 2.0, 2.0**40 + 4.0])

    assert far.sd == near.sd
    assert far.mean - 2.0**40 == pytest.approx(near.mean, abs=2.0**-12)


def test_equal_readings_have_no_spread() -> None:
    assert Running([0.1] * 7).sd == 0.0


def test_nothing_and_one_are_refused() -> None:
    with pytest.raises(NotEnoughReadings, match="no mean"):
        _ = Running().mean
    with pytest.raises(NotEnoughReadings, match="2 readings at least, found 1"):
        _ = Running([1.0]).sd


def test_merging_nothing_changes_nothing() -> None:
    running = Running([1.0, 3.0])
    running.merge(Running())

    assert (running.n, running.mean, running.variance) == (2, 2.0, 2.0)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_reading_that_isnt_a_number(value: float) -> None:
    running, slope = Running([1.0, 2.0]), SlopeAccumulator()

    with pytest.raises(BadReadings, match="no reading"):
        running.add(value)
    with pytest.raises(BadReadings, match="x is"):
        slope.add(value, 1.0)
    with pytest.raises(BadReadings, match="y is"):
        slope.add(1.0, value)
    assert (running.n, running.mean, slope.n) == (2, 1.5, 0)


def fitted(x: np.ndarray, y: np.ndarray) -> SlopeAccumulator:
    slope = SlopeAccumulator()
    for pair in zip(x.tolist(), y.tolist(), strict=True):
        slope.add(*pair)
    return slope


@pytest.mark.parametrize("true_slope", [1.0002, -3.0, 0.0])
def test_slope_agrees_with_scipy(true_slope: float) -> None:
    draw = np.random.default_rng(4)
    x = np.linspace(0.001, 0.059, 200)
    y = 0.01 + true_slope * x + draw.normal(0.0, 1e-6, x.size)
    ours, theirs = fitted(x, y).result(), stats.linregress(x, y)

    assert ours.slope == pytest.approx(theirs.slope, rel=1e-12, abs=1e-12)
    assert ours.intercept == pytest.approx(theirs.intercept, rel=1e-10)
    assert ours.standard_uncertainty == pytest.approx(theirs.stderr, rel=1e-6)
    assert (ours.span, ours.n) == (pytest.approx(0.058), 200)


def test_an_exact_line_has_no_uncertainty() -> None:
    line = fitted(np.array([0.0, 1.0, 2.0, 4.0]), np.array([1.0, 1.5, 2.0, 3.0])).result()

    assert (line.slope, line.intercept, line.standard_uncertainty, line.residual_sd) == (0.5, 1.0, 0.0, 0.0)


def test_slope_takes_three_pairs_and_two_places() -> None:
    with pytest.raises(NotEnoughReadings, match="3 pairs at least, found 2"):
        fitted(np.array([0.0, 1.0]), np.array([0.0, 1.0])).result()
    with pytest.raises(NotEnoughReadings, match="all x are the same"):
        fitted(np.array([0.1, 0.1, 0.1]), np.array([0.0, 1.0, 2.0])).result()
