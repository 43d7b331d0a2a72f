"""Test duration and bounds with a supposed shape: closed forms, duality, simulation, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.metrology.life_demonstration import (
    duration_for_units,
    reliability_bound,
    scale_bound,
    units_for_duration,
)
from stepwitness.metrology.statistics import BadReadings


def test_without_failure_it_is_the_closed_form() -> None:
    test = duration_for_units(mission=1000.0, reliability=0.9, units=10, shape=2.0, confidence=0.95)

    assert test.duration == pytest.approx(1000.0 * math.sqrt(math.log(0.05) / (10 * math.log(0.9))), rel=1e-12)
    assert test.missions == pytest.approx(test.duration / 1000.0)


def test_one_mission_each_is_the_success_run() -> None:
    """22 units for 0.90 at 0.90, 38 with one failure (success-run tables)."""
    assert units_for_duration(mission=5.0, duration=5.0, reliability=0.9, shape=3.0, confidence=0.9).units == 22
    one = units_for_duration(mission=5.0, duration=5.0, reliability=0.9, shape=3.0, confidence=0.9, failures=1)
    assert one.units == 38


@settings(max_examples=60)
@given(st.integers(3, 60), st.floats(0.7, 4.0), st.floats(0.6, 0.99), st.integers(0, 2))
def test_units_and_duration_are_dual(units: int, shape: float, reliability: float, failures: int) -> None:
    test = duration_for_units(mission=100.0, reliability=reliability, units=units, shape=shape, failures=failures)
    back = units_for_duration(
        mission=100.0, duration=test.duration * (1 + 1e-9), reliability=reliability, shape=shape, failures=failures
    )

    assert back.units == units
    fewer = (
        duration_for_units(mission=100.0, reliability=reliability, units=units - 1, shape=shape, failures=failures)
        if units - 1 > failures
        else None
    )
    assert fewer is None or fewer.duration > test.duration


def test_the_bound_of_the_scale_agrees_with_the_duration() -> None:
    test = duration_for_units(mission=1000.0, reliability=0.9, units=7, shape=1.7)
    shown = reliability_bound(np.full(7, test.duration), mission=1000.0, failures=0, shape=1.7)

    assert shown == pytest.approx(0.9, rel=1e-10)


@pytest.mark.parametrize("confidence", [0.8, 0.95])
def test_the_bound_holds_by_simulation(confidence: float) -> None:
    """Tests of 12 units stopped at one time, shape known: the bound lies below the true scale often enough."""
    draw = np.random.default_rng(6)
    held = 0
    for _ in range(1500):
        lives = draw.weibull(2.0, 12)
        failed = int(np.sum(lives < 0.6))
        held += scale_bound(np.minimum(lives, 0.6), failures=failed, shape=2.0, confidence=confidence) <= 1.0

    assert confidence - 0.025 < held / 1500


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="2 failures allowed of 2"):
        duration_for_units(mission=1.0, reliability=0.9, units=2, shape=2.0, failures=2)
    with pytest.raises(BadReadings, match="the shape"):
        duration_for_units(mission=1.0, reliability=0.9, units=2, shape=0.0)
    with pytest.raises(BadReadings, match="leaves nothing to count"):
        units_for_duration(mission=1.0, duration=1e9, reliability=0.5, shape=5.0)
    with pytest.raises(BadReadings, match="lives are above 0"):
        scale_bound([0.0], failures=0, shape=2.0)
    with pytest.raises(BadReadings, match="no more than 1 of them"):
        scale_bound([1.0], failures=2, shape=2.0)
