"""Warming up: what was put in comes out, coverage and false alarms by simulation, invariances, refusals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st

from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings
from stepwitness.metrology.warm_up import warm_up

TIMES = np.linspace(0.0, 1800.0, 31)


def approach(t: np.ndarray, growth: float, settle: float, start: float = 0.0) -> np.ndarray:
    return start + growth * -np.expm1(-t / settle)


@profile(max_examples=40)
@given(
    growth=st.floats(0.1, 1e3) | st.floats(-1e3, -0.1),
    settle=st.floats(100.0, 1700.0),
    start=st.floats(-1e3, 1e3),
    began=st.floats(-1e5, 1e5),
)
def test_what_was_put_in_comes_out(growth: float, settle: float, start: float, began: float) -> None:
    found = warm_up(began + TIMES, approach(TIMES, growth, settle, start))

    assert found.settle.value == pytest.approx(settle, rel=1e-3)
    assert found.settled.value == pytest.approx(growth, rel=1e-3)
    assert found.change.value == pytest.approx(growth * -math.expm1(-1800 / settle), rel=1e-4)
    assert found.rate.value == pytest.approx(growth / settle * math.exp(-1800 / settle), rel=1e-2, abs=1e-7)
    assert found.start == pytest.approx(start, abs=1e-4 * abs(growth))
    assert found.at(900.0) == pytest.approx(start + growth * -math.expm1(-900 / settle), abs=1e-4 * abs(growth))
    assert found.found
    assert found.bent


def test_intervals_hold_what_they_claim_and_scatter_is_seldom_a_change() -> None:
    """1000 trials: of 95.45 % intervals 954 ± 13 hold the truth (two standard deviations of a binomial)."""
    rng = np.random.default_rng(1)
    true = {
        "change": 10 * -math.expm1(-3.0),
        "rate": 10 / 600 * math.exp(-3.0),
        "settled": 10.0,
        "settle": 600.0,
    }
    held, alarms = dict.fromkeys(true, 0), 0
    for _ in range(1000):
        scatter = 0.3 * rng.standard_normal(len(TIMES))
        found = warm_up(TIMES, approach(TIMES, 10.0, 600.0) + scatter)
        for name, value in true.items():
            one = getattr(found, name)
            held[name] += abs(one.value - value) <= 2.08 * one.u  # Student's t at 28 degrees of freedom, table G.2
        alarms += warm_up(TIMES, scatter).found
    assert all(935 <= number <= 972 for number in held.values()), held
    assert alarms <= 60, "three coefficients are searched, so more than 10 of 1000, but few"


def test_a_straight_drift_has_a_rate_and_no_end() -> None:
    found = warm_up(TIMES, 5e-3 * TIMES + 0.01 * np.random.default_rng(2).standard_normal(len(TIMES)))

    assert found.found
    assert not found.bent
    assert found.change.value == pytest.approx(9.0, abs=4 * found.change.u)
    assert found.rate.value == pytest.approx(5e-3, abs=4 * found.rate.u)
    assert found.change.u < 0.05


@given(shift=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3), slower=st.floats(0.1, 10.0))
def test_invariances(shift: float, scale: float, slower: float) -> None:
    y = approach(TIMES, 3.0, 500.0) + 0.1 * np.random.default_rng(3).standard_normal(len(TIMES))
    plain, other = warm_up(TIMES, y), warm_up(slower * TIMES, shift + scale * y)

    assert other.change.value == pytest.approx(scale * plain.change.value, rel=1e-4)
    assert other.change.u == pytest.approx(scale * plain.change.u, rel=1e-3)
    assert other.settle.value == pytest.approx(slower * plain.settle.value, rel=1e-3)
    assert other.rate.value == pytest.approx(scale / slower * plain.rate.value, rel=1e-2)


def test_order_changes_nothing() -> None:
    y = approach(TIMES, 3.0, 500.0) + 0.1 * np.random.default_rng(3).standard_normal(len(TIMES))
    order = np.random.default_rng(4).permutation(len(TIMES))
    assert warm_up(TIMES[order], y[order]).change == warm_up(TIMES, y).change


@pytest.mark.parametrize("level", [0.0, 5.0])
def test_a_position_that_never_moves_has_no_change(level: float) -> None:
    found = warm_up(TIMES, np.full(len(TIMES), level))
    assert not found.found
    assert found.change.value == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("times", "positions", "error", "said"),
    [
        (TIMES[:5], TIMES[:5], NotEnoughReadings, "6"),
        (TIMES, TIMES[:-1], BadReadings, "31 times and 30 positions"),
        (np.zeros(8), np.zeros(8), NotEnoughReadings, "four times"),
        (TIMES, np.full(len(TIMES), math.nan), BadReadings, "nan"),
    ],
)
def test_refusals(times: Any, positions: Any, error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        warm_up(times, positions)
