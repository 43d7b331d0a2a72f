"""Binomial bounds: exact coverage, duality, sizes, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology import binomial
from stepwitness.metrology.statistics import BadReadings


@pytest.mark.parametrize("n", [1, 5, 20, 60])
def test_clopper_pearson_never_holds_less_than_it_says(n: int) -> None:
    """Exact coverage by summing the binomial, at 500 fractions."""
    fractions = np.linspace(0.001, 0.999, 500)
    held, mid = np.zeros(500), np.zeros(500)
    for x in range(n + 1):
        chance = stats.binom.pmf(x, n, fractions)
        exact, middle = binomial.clopper_pearson(x, n), binomial.mid_p(x, n)
        held += chance * ((exact.low <= fractions) & (fractions <= exact.high))
        mid += chance * ((middle.low <= fractions) & (fractions <= middle.high))

    assert held.min() >= 0.95 - 1e-12
    if n >= 20:
        # the other kind holds about what it says, sometimes less
        assert 0.945 < mid.mean() < 0.965
        assert mid.min() < 0.95


@given(st.integers(1, 200), st.data())
def test_failures_mirror_successes(n: int, data: st.DataObject) -> None:
    x = data.draw(st.integers(0, n))
    for method in (binomial.clopper_pearson, binomial.mid_p):
        plain, mirrored = method(x, n), method(n - x, n)
        assert mirrored.low == pytest.approx(1.0 - plain.high, abs=1e-12)
        assert plain.low <= x / n <= plain.high
    assert binomial.mid_p(x, n).low >= binomial.clopper_pearson(x, n).low


@given(st.floats(0.5, 0.999), st.floats(0.5, 0.99), st.integers(0, 4))
def test_sizes_are_the_least(reliability: float, confidence: float, failures: int) -> None:
    n = binomial.demonstration_size(reliability=reliability, confidence=confidence, failures=failures)

    assert stats.binom.cdf(failures, n, 1.0 - reliability) <= (1.0 - confidence) * (1.0 + 1e-9)
    assert n == failures + 1 or stats.binom.cdf(failures, n - 1, 1.0 - reliability) > (1.0 - confidence) * (1.0 - 1e-9)
    assert binomial.demonstrated_reliability(n=n, failures=failures, confidence=confidence) >= reliability - 1e-9


def test_a_tie_is_not_rounded_up() -> None:
    """0.9² = 0.81 exactly: two units suffice for 19 % confidence, whatever the logarithms round to."""
    assert binomial.demonstration_size(reliability=0.9, confidence=0.19) == 2


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="3 of 2"):
        binomial.clopper_pearson(3, 2)
    with pytest.raises(BadReadings, match="the count is -1"):
        binomial.mid_p(-1, 2)
    with pytest.raises(BadReadings, match="number of units"):
        binomial.clopper_pearson(0, 0)
    with pytest.raises(BadReadings, match="the reliability"):
        binomial.demonstration_size(reliability=1.0, confidence=0.9)
    with pytest.raises(BadReadings, match=r"whole number"):
        binomial.clopper_pearson(1.5, 2)  # type: ignore[arg-type]
