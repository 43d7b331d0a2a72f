"""The noncentral t against a second library, in the tails where the first gives nothing too."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, special, stats

from stepwitness.metrology import noncentral_t
from stepwitness.metrology.noncentral_t import _integrated
from stepwitness.metrology.variables_sampling import accept_one_limit

GRID = [
    (df, delta, t)
    for df in (1, 2, 4, 9, 19, 99, 1998)
    for delta in (-60.0, -20.0, -5.0, 0.0, 3.0, 5.0, 10.0, 40.0)
    for t in (-60.0, -20.0, -5.0, -2.0, 0.0, 2.0, 5.0, 20.0, 60.0)
]
LOST = [(df, delta, t) for df, delta, t in GRID if math.isnan(special.nctdtr(df, delta, t))]


def test_the_grid_holds_places_where_scipys_own_function_gives_nothing() -> None:
    assert len(LOST) > 10, "this scipy has no such places any more; the integration can go"


def by_adaptive_quadrature(t: float, df: float, delta: float) -> float:
    """The mean of Φ(t s − δ) over s itself, by QUADPACK: another variable and another rule."""
    spread = stats.chi(df, scale=1 / math.sqrt(df))
    edges = [float(spread.ppf(p)) for p in (1e-18, 1e-12, 1e-6, 0.01, 0.5, 0.99, 1 - 1e-6, 1 - 1e-12)]
    edges.append(float(spread.isf(1e-18)))
    pieces = [
        integrate.quad(lambda s: spread.pdf(s) * special.ndtr(t * s - delta), low, high, epsabs=1e-13, limit=200)[0]
        for low, high in itertools.pairwise(edges)
    ]
    return math.fsum(pieces)


@pytest.mark.parametrize(("df", "delta", "t"), LOST)
def test_where_scipy_gives_nothing_against_another_quadrature(df: int, delta: float, t: float) -> None:
    expected = by_adaptive_quadrature(t, df, delta)
    assert noncentral_t.cdf(t, df=df, noncentrality=delta) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize(("df", "delta", "t"), [place for place in GRID if place not in LOST])
def test_where_scipy_gives_a_number_the_integration_gives_the_same(df: int, delta: float, t: float) -> None:
    assert _integrated(t, df=df, noncentrality=delta) == pytest.approx(special.nctdtr(df, delta, t), abs=1e-9)


def test_a_published_tolerance_factor() -> None:
    """One-sided factor for 95 % of a normal population at 95 % confidence, n = 10: 2.911 (Natrella, Experimental
    Statistics, table A-7; from memory)."""
    root = math.sqrt(10)
    found = _integrated(2.911 * root, df=9, noncentrality=float(special.ndtri(0.95)) * root)
    assert found == pytest.approx(0.95, abs=1e-4)


def test_the_integration_against_its_definition_by_simulation() -> None:
    draw = np.random.default_rng(7)
    drawn = (draw.standard_normal(400_000) + 1.5) / np.sqrt(draw.chisquare(6, 400_000) / 6)

    for t in (0.0, 1.5, 4.0):
        assert _integrated(t, df=6, noncentrality=1.5) == pytest.approx(np.mean(drawn <= t), abs=3e-3)


def test_the_integration_at_the_centre_is_students_t() -> None:
    """Table value: t at 4 degrees of freedom, 97.5 %, is 2.776 (any table of t)."""
    assert _integrated(2.776445, df=4, noncentrality=0.0) == pytest.approx(0.975, abs=1e-7)


@given(df=st.integers(1, 3000), delta=st.floats(-80, 80), t=st.floats(-1e4, 1e4))
def test_it_is_always_a_probability(df: int, delta: float, t: float) -> None:
    assert 0.0 <= noncentral_t.cdf(t, df=df, noncentrality=delta) <= 1.0


def test_a_sampling_plan_in_the_thin_tail_has_an_answer() -> None:
    """Where half of all units are bad, a plan that asks for a great index accepts almost never, and says so."""
    risks = [accept_one_limit(n, k, fraction) for n in (3, 20, 100) for k in (1.0, 6.0) for fraction in (1e-9, 0.5)]

    assert all(0.0 <= risk <= 1.0 for risk in risks)
