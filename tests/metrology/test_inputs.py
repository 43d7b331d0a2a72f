"""What is refused before any arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stepwitness.metrology import inputs
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_no_reading_is_named(value: float) -> None:
    with pytest.raises(BadReadings, match="gap: reading 1 is"):
        inputs.readings([0.0, value], "gap")
    with pytest.raises(BadReadings, match=r"grid: reading \(1, 0\) is"):
        inputs.table([[0.0, 1.0], [value, 1.0]], "grid", least=(1, 1))


def test_shapes_and_numbers() -> None:
    with pytest.raises(BadReadings, match=r"shape \(1, 2\), where 1 axes"):
        inputs.readings([[1.0, 2.0]], "gap")
    with pytest.raises(BadReadings, match="unequal length"):
        inputs.table([[1.0, 2.0], [1.0]], "grid", least=(1, 1))
    with pytest.raises(BadReadings, match="not numbers"):
        inputs.readings(["one", "two"], "gap")
    with pytest.raises(NotEnoughReadings, match="1 found, 2 is the least"):
        inputs.readings([1.0], "gap", least=2)
    with pytest.raises(NotEnoughReadings, match="1 × 2 found, 2 × 2 is the least"):
        inputs.table([[1.0, 2.0]], "grid", least=(2, 2))


def test_no_spread() -> None:
    with pytest.raises(NotEnoughReadings, match=r"all 3 readings are 0.1"):
        inputs.spread(np.array([0.1, 0.1, 0.1]), "gap")


@pytest.mark.parametrize("value", [0.0, 1.0, -0.1, 1.1, math.nan])
def test_probabilities(value: float) -> None:
    with pytest.raises(BadReadings, match="the confidence is"):
        inputs.probability(value, "the confidence")


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf])
def test_positive_numbers(value: float) -> None:
    with pytest.raises(BadReadings, match="the mission is"):
        inputs.positive(value, "the mission")


@pytest.mark.parametrize("value", [0, -3, 1.5, True])
def test_counts(value: int) -> None:
    with pytest.raises(BadReadings, match="whole number"):
        inputs.count(value, "the units")


def test_limits() -> None:
    assert inputs.limits(None, 2.0) == (-math.inf, 2.0)
    assert inputs.limits(1.0, None) == (1.0, math.inf)
    with pytest.raises(BadReadings, match="neither"):
        inputs.limits(None, None)
    with pytest.raises(BadReadings, match="isn't below"):
        inputs.limits(2.0, 2.0)
    with pytest.raises(BadReadings, match="isn't below"):
        inputs.limits(math.nan, 2.0)


def test_results_are_read_only() -> None:
    kept = inputs.frozen(np.zeros(2))

    with pytest.raises(ValueError, match="read-only"):
        kept[0] = 1.0


def test_interval_holds_its_ends() -> None:
    interval = inputs.Interval(1.0, 2.0, 0.95)

    assert 1.0 in interval
    assert 2.0 in interval
    assert 2.1 not in interval
