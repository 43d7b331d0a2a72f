"""Tolerance intervals: agreement with other formulas, monotony, the distribution-free kind and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, special, stats

from stepwitness.metrology import tolerance as tol
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


@pytest.mark.parametrize(
    ("n", "content", "confidence"), [(2, 0.9, 0.9), (7, 0.99, 0.95), (50, 0.5, 0.99), (400, 0.9, 0.6)]
)
def test_two_sided_factor_reaches_its_confidence(n: int, content: float, confidence: float) -> None:
    """The definition by another road: over s, then the mean's reach by root finding, with an adaptive quadrature."""
    k = tol.two_sided_factor(n, content=content, confidence=confidence)

    def held_given(w: float) -> float:
        half = k * math.sqrt(w / (n - 1))
        if special.ndtr(half) - special.ndtr(-half) <= content:
            return 0.0
        low, high = 0.0, half + 10.0
        for _ in range(80):
            middle = (low + high) / 2
            inside = special.ndtr(middle + half) - special.ndtr(middle - half)
            low, high = (middle, high) if inside >= content else (low, middle)
        return float(2.0 * special.ndtr(low * math.sqrt(n)) - 1.0)

    least = (n - 1) * (stats.norm.ppf((1 + content) / 2) / k) ** 2
    reached, _ = integrate.quad(
        lambda w: held_given(w) * stats.chi2.pdf(w, n - 1), least, stats.chi2.isf(1e-13, n - 1), epsabs=1e-7, limit=200
    )
    assert reached == pytest.approx(confidence, abs=2e-6)


@settings(max_examples=15)
@given(st.integers(2, 60), st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_factors_are_ordered(n: int, content: float, confidence: float) -> None:
    one = tol.one_sided_factor(n, content=content, confidence=confidence)
    two = tol.two_sided_factor(n, content=content, confidence=confidence)

    assert two > one
    assert tol.one_sided_factor(n + 5, content=content, confidence=max(confidence, 0.6)) <= tol.one_sided_factor(
        n, content=content, confidence=max(confidence, 0.6)
    )
    assert tol.two_sided_factor(n, content=content, confidence=min(confidence + 0.005, 0.995)) > two
    assert tol.two_sided_factor(n, content=min(content + 0.005, 0.995), confidence=confidence) > two


def test_large_samples_come_down_to_the_normal_quantile() -> None:
    assert tol.two_sided_factor(1_000_000, content=0.95) == pytest.approx(1.96, abs=0.005)
    assert tol.one_sided_factor(1_000_000, content=0.95) == pytest.approx(1.645, abs=0.005)


def test_known_sd() -> None:
    """One-sided z_p + z_γ/√n; two-sided the shift at the edge of the mean's interval holds the content exactly."""
    assert tol.known_sd_factor(4, content=0.95, side="upper") == pytest.approx(1.6448536 * 1.5, abs=1e-6)
    k = tol.known_sd_factor(9, content=0.9)
    edge = stats.norm.ppf(0.975) / 3.0
    assert stats.norm.cdf(edge + k) - stats.norm.cdf(edge - k) == pytest.approx(0.9, abs=1e-12)
    known = tol.normal_tolerance([1.0, 3.0], content=0.9, known_sd=2.0)
    assert (known.low + known.high) / 2 == pytest.approx(2.0)
    assert known.high - known.low == pytest.approx(2.0 * 2.0 * known.k)


@settings(max_examples=40)
@given(st.lists(st.integers(-40, 40), min_size=3, max_size=10).filter(lambda v: len(set(v)) > 1), st.integers(-99, 99))
def test_shift_and_unit(values: list[int], shift: int) -> None:
    plain = tol.normal_tolerance(values, content=0.9)
    moved = tol.normal_tolerance([0.125 * (value + shift) for value in values], content=0.9)

    assert moved.low == pytest.approx(0.125 * (plain.low + shift), abs=1e-9)
    assert moved.high == pytest.approx(0.125 * (plain.high + shift), abs=1e-9)


def test_one_sided_intervals_are_open_on_the_other_side() -> None:
    values = [0.0, 1.0, 2.0, 3.0]

    assert tol.normal_tolerance(values, content=0.9, side="lower").high == math.inf
    assert tol.normal_tolerance(values, content=0.9, side="upper").low == -math.inf
    many = np.arange(100.0)
    assert tol.distribution_free_tolerance(many, content=0.9, side="lower").high == math.inf
    assert tol.distribution_free_tolerance(many, content=0.9, side="upper").low == -math.inf


@pytest.mark.parametrize("side", ["both", "lower", "upper"])
@pytest.mark.parametrize("n", [93, 94, 200, 1000])
def test_distribution_free_interval_is_the_narrowest_that_holds(n: int, side: tol.Side) -> None:
    held = tol.distribution_free_tolerance(np.arange(float(n)), content=0.95, side=side)
    # readings 0 … n − 1 count themselves: how many lie beyond, ends included
    low = -1.0 if side == "upper" else held.low
    high = float(n) if side == "lower" else held.high
    left = int((low + 1.0) + (n - high))

    assert held.confidence >= 0.95
    assert held.confidence == pytest.approx(float(stats.binom.cdf(n - left, n, 0.95)), abs=1e-12)
    assert float(stats.binom.cdf(n - left - 1, n, 0.95)) < 0.95


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="takes 93, found 92"):
        tol.distribution_free_tolerance(np.arange(92.0), content=0.95)
    with pytest.raises(NotEnoughReadings, match="no spread"):
        tol.normal_tolerance([1.0, 1.0], content=0.9)
    with pytest.raises(BadReadings, match="content"):
        tol.two_sided_factor(5, content=1.0)
    with pytest.raises(BadReadings, match="number of readings"):
        tol.one_sided_factor(1, content=0.9)
    with pytest.raises(BadReadings, match="reading 0 is inf"):
        tol.distribution_free_tolerance([math.inf], content=0.5)
    with pytest.raises(BadReadings, match="known standard deviation"):
        tol.normal_tolerance([1.0, 2.0], content=0.9, known_sd=0.0)
