"""Periodic errors: what was put in comes out, coverage and false alarms by simulation, invariances, refusals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.periodic import periodic_error
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

LEAD, CYCLE = 2.0, 0.04
"""mm: a lead, and four full steps of 200 a turn."""

PLACES = np.sort(np.random.default_rng(3).uniform(0.0, 60.0, 120))


def wave(x: np.ndarray, period: float, amplitude: float, phase: float) -> np.ndarray:
    return amplitude * np.cos(2 * np.pi * x / period - phase)


@given(
    first=st.floats(0.1, 10.0),
    second=st.floats(0.1, 10.0),
    phase=st.floats(-3.1, 3.1),
    slope=st.floats(-0.1, 0.1),
    offset=st.floats(-100, 100),
)
def test_what_was_put_in_comes_out(first: float, second: float, phase: float, slope: float, offset: float) -> None:
    y = offset + slope * PLACES + wave(PLACES, LEAD, first, phase) + wave(PLACES, CYCLE, second, -phase)
    fit = periodic_error(PLACES, y, [LEAD, CYCLE])

    assert [one.amplitude for one in fit.harmonics] == pytest.approx([first, second], rel=1e-7)
    assert [one.phase_rad for one in fit.harmonics] == pytest.approx([phase, -phase], abs=1e-7)
    assert fit.slope == pytest.approx(slope, abs=1e-9)
    assert fit.intercept == pytest.approx(offset, abs=1e-7)


@given(shift=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3), turns=st.integers(-5, 5))
def test_invariances(shift: float, scale: float, turns: int) -> None:
    rng = np.random.default_rng(4)
    y = wave(PLACES, LEAD, 1.0, 0.4) + 0.2 * rng.standard_normal(len(PLACES))
    plain = periodic_error(PLACES, y, [LEAD]).harmonics[0]
    other = periodic_error(PLACES + turns * LEAD, shift + scale * y, [LEAD]).harmonics[0]

    assert other.amplitude == pytest.approx(scale * plain.amplitude, rel=1e-6)
    assert other.u_amplitude == pytest.approx(scale * plain.u_amplitude, rel=1e-6)
    assert other.phase_rad == pytest.approx(plain.phase_rad, abs=1e-6)
    assert other.p_value == pytest.approx(plain.p_value, rel=1e-4, abs=1e-12)


def test_the_order_of_readings_changes_nothing() -> None:
    y = wave(PLACES, LEAD, 1.0, 0.4) + np.random.default_rng(4).standard_normal(len(PLACES))
    order = np.random.default_rng(5).permutation(len(PLACES))

    one, other = periodic_error(PLACES, y, [LEAD]), periodic_error(PLACES[order], y[order], [LEAD])
    assert other.harmonics[0].amplitude == pytest.approx(one.harmonics[0].amplitude, rel=1e-12)


def test_intervals_hold_and_noise_is_called_periodic_in_one_of_twenty() -> None:
    rng = np.random.default_rng(6)
    amplitude = phase = alarms = bounded = 0
    trials = 2000
    for _ in range(trials):
        noise = rng.standard_normal(40)
        x = rng.uniform(0.0, 60.0, 40)
        held = periodic_error(x, wave(x, LEAD, 3.0, 1.0) + noise, [LEAD]).harmonics[0]
        amplitude += abs(held.amplitude - 3.0) <= 2.028 * held.u_amplitude  # t at 36 degrees of freedom
        phase += abs(held.phase_rad - 1.0) <= 2.028 * held.u_phase_rad
        nothing = periodic_error(x, noise, [LEAD]).harmonics[0]
        alarms += nothing.p_value < 0.05
        bounded += nothing.greatest < 0.2
    assert 0.935 <= amplitude / trials <= 0.965
    assert 0.935 <= phase / trials <= 0.965
    assert alarms / trials == pytest.approx(0.05, abs=0.015)
    assert bounded == 0  # noise of 1 at 40 places can't exclude an amplitude of 0.2


def test_without_scatter() -> None:
    fit = periodic_error(PLACES, np.zeros(len(PLACES)), [LEAD])

    assert (fit.residual_sd, fit.harmonics[0].amplitude, fit.harmonics[0].p_value) == (0.0, 0.0, 1.0)


@pytest.mark.parametrize(
    ("places", "deviations", "periods", "error", "said"),
    [
        (PLACES, PLACES[:-1], [LEAD], BadReadings, "120 places and 119"),
        (PLACES, PLACES, [], BadReadings, "periods"),
        (PLACES, PLACES, [LEAD, LEAD], BadReadings, "different positive"),
        (PLACES, PLACES, [-1.0], BadReadings, "different positive"),
        (PLACES[:4], PLACES[:4], [LEAD], NotEnoughReadings, "4 unknowns"),
        (np.full(9, 1.0), np.arange(9.0), [LEAD], BadReadings, "all places are the same"),
        (np.arange(0.0, 60.0, LEAD), np.arange(30.0), [LEAD], BadReadings, "don't tell these periods apart"),
        (np.arange(0.0, 60.0, 0.5), np.arange(120.0), [0.4, 2.0], BadReadings, "don't tell these periods apart"),
        (PLACES, np.where(np.arange(120) == 3, math.nan, 0.0), [LEAD], BadReadings, "reading 3 is nan"),
    ],
)
def test_refusals(places: Any, deviations: Any, periods: Any, error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        periodic_error(places, deviations, periods)


ORDINARY = st.just(0.0) | st.floats(1e-9, 1e3) | st.floats(-1e3, -1e-9)


@given(slope=ORDINARY, offset=ORDINARY, seed=st.integers(0, 1000))
def test_an_exactly_straight_line_has_no_periodic_error(slope: float, offset: float, seed: int) -> None:
    """What rounding leaves of a line isn't found significant against what else rounding leaves of it."""
    places = np.random.default_rng(seed).uniform(0.0, 60.0, 60)
    fit = periodic_error(places, offset + slope * places, [LEAD, CYCLE])

    assert all(one.p_value > 1e-4 for one in fit.harmonics)
    assert all(one.amplitude <= 1e-13 * (abs(offset) + 60 * abs(slope)) for one in fit.harmonics)


def test_nothing_but_zeros_is_no_periodic_error_either() -> None:
    (found,) = periodic_error(PLACES, np.zeros(len(PLACES)), [LEAD]).harmonics
    assert (found.amplitude, found.p_value) == (0.0, 1.0)
