"""Pitch error and hysteresis along the travel: by hand, invariances, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.screw_errors import hysteresis, pitch_error
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def test_hysteresis_by_hand() -> None:
    figures = positioning([[0.0, 2.0], [1.0, 1.0]], [[4.0, 4.0], [2.0, 2.0]])
    curve = hysteresis([10.0, 20.0], figures)

    assert curve.values.tolist() == [-3.0, -1.0]
    assert curve.uncertainties.tolist() == [1.0, 0.0]  # s = √2 up, nothing down: √(2/2)
    assert (curve.worst, curve.span) == (0, 2.0)
    with pytest.raises(BadReadings, match="3 places for 2 targets"):
        hysteresis([1.0, 2.0, 3.0], figures)


def test_a_lead_that_is_a_thousandth_too_long() -> None:
    x = np.arange(0.0, 60.0, 0.5)
    found = pitch_error(x, 1e-3 * x + 7.0, lead=2.0)

    assert found.mean_lead_error == pytest.approx(1e-3, rel=1e-9)
    assert found.single.values == pytest.approx(np.full(len(x) - 4, 2e-3))
    assert found.cumulative == pytest.approx(0.0, abs=1e-9)


def test_one_bad_turn() -> None:
    x = np.arange(0.0, 20.0, 1.0)
    step = np.where(x >= 10.0, 5.0, 0.0)
    found = pitch_error(x, step, lead=2.0, u_deviation=0.5)

    assert found.single.places[found.single.worst] in (8.0, 9.0)
    assert np.count_nonzero(found.single.values) == 2
    assert found.single.uncertainties[0] == pytest.approx(0.5 * math.sqrt(2))


@given(shift=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3))
def test_a_shift_of_deviations_changes_nothing_and_order_neither(shift: float, scale: float) -> None:
    rng = np.random.default_rng(1)
    x, y = np.arange(0.0, 20.0, 0.5), rng.standard_normal(40)
    order = rng.permutation(40)
    plain, other = (
        pitch_error(x, y, lead=2.0),
        pitch_error(scale * x[order], scale * (y[order] + shift), lead=2.0 * scale),
    )

    assert other.mean_lead_error == pytest.approx(plain.mean_lead_error, abs=1e-9)
    assert other.cumulative == pytest.approx(scale * plain.cumulative, rel=1e-6)
    assert other.single.values == pytest.approx(scale * plain.single.values, rel=1e-6, abs=1e-8)


@pytest.mark.parametrize(
    ("x", "y", "lead", "error", "said"),
    [
        ([0.0, 0.3, 0.7], [0.0, 0.0, 0.0], 2.0, NotEnoughReadings, "one lead apart"),
        ([0.0, 2.0], [0.0, 0.0], 2.0, NotEnoughReadings, "2 found, 3 is the least"),
        ([0.0, 2.0, 4.0], [0.0, 0.0], 2.0, BadReadings, "3 places and 2"),
        ([0.0, 2.0, 4.0], [0.0, 0.0, math.inf], 2.0, BadReadings, "reading 2 is inf"),
        ([0.0, 2.0, 4.0], [0.0, 0.0, 0.0], 0.0, BadReadings, "the lead is 0"),
    ],
)
def test_refusals(x: list[float], y: list[float], lead: float, error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        pitch_error(x, y, lead=lead)
