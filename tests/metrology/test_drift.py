"""Drift of the start: by hand, against a fit of its own, false alarms, and too little to tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology.drift import drift
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def test_against_a_line_fitted_elsewhere() -> None:
    starts = [0.0, 1.2, 1.9, 3.3, 3.8]
    found, due = drift(starts), stats.linregress(range(5), starts)

    assert (found.total, found.spread) == (3.8, 3.8)
    assert found.per_reading == pytest.approx(due.slope)
    assert found.u_per_reading == pytest.approx(due.stderr)
    assert found.probability == pytest.approx(due.pvalue)


@given(
    st.lists(st.integers(-1000, 1000), min_size=3, max_size=10),
    st.integers(-1000, 1000),
    st.sampled_from([0.001, 0.5, 1000.0]),
)
def test_a_shift_changes_nothing_and_a_unit_scales(starts: list[int], shift: int, scale: float) -> None:
    plain, moved = drift(starts), drift([shift + value for value in starts])
    scaled = drift([scale * value for value in starts])

    assert (plain.total, plain.spread) == (moved.total, moved.spread)
    assert scaled.total == pytest.approx(scale * plain.total)
    assert moved.per_reading == pytest.approx(plain.per_reading, abs=1e-9)


def test_scatter_alone_is_called_drift_in_one_of_twenty() -> None:
    rng = np.random.default_rng(1)
    called = [drift(rng.normal(size=6)).probability for _ in range(2000)]

    assert np.mean([p is not None and p < 0.05 for p in called]) == pytest.approx(0.05, abs=0.015)


def test_readings_without_scatter() -> None:
    assert drift([1.0, 1.0, 1.0]).probability == 1.0
    assert drift([1.0, 2.0, 3.0]).probability == 0.0
    assert drift([1.0, 2.0]).per_reading is None


def test_too_little() -> None:
    with pytest.raises(NotEnoughReadings):
        drift([1.0])
    with pytest.raises(BadReadings, match="start 1"):
        drift([1.0, math.nan])
