"""The likeliest step of a history: found, judged and refused."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.metrology.change_point import change_point
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def test_a_plain_step() -> None:
    found = change_point([0.0, 0.1, -0.1, 0.0, 0.1, 5.0, 5.1, 4.9, 5.0])

    assert (found.index, found.first, found.last) == (5, 5, 5)
    assert found.before == pytest.approx(0.02)
    assert found.shift == pytest.approx(4.98)
    # nine readings have 126 ways to part five from four, so shuffles can't say less than about 1/63
    assert found.p < 0.03


def test_a_step_without_noise() -> None:
    found = change_point([0.0] * 10 + [1.0] * 10)

    assert (found.index, found.first, found.last, found.shift) == (10, 10, 10, 1.0)
    assert found.p < 0.005


def test_the_statistic_is_the_two_sample_t() -> None:
    values = np.array([1.0, 2.0, 3.0, 6.0, 8.0, 7.0])
    found = change_point(values)
    first, second = values[: found.index], values[found.index :]
    pooled = (np.sum((first - first.mean()) ** 2) + np.sum((second - second.mean()) ** 2)) / 4
    t = abs(second.mean() - first.mean()) / np.sqrt(pooled * (1 / len(first) + 1 / len(second)))

    assert found.t == pytest.approx(t, rel=1e-12)


def test_without_a_step_p_is_uniform() -> None:
    draw = np.random.default_rng(3)
    ps = [change_point(draw.standard_normal(15), seed=seed).p for seed in range(150)]

    assert np.mean(np.array(ps) < 0.2) == pytest.approx(0.2, abs=0.13)
    assert np.mean(ps) == pytest.approx(0.5, abs=0.1)


def test_the_set_of_places_holds_the_step() -> None:
    draw = np.random.default_rng(5)
    held = 0
    for seed in range(150):
        values = draw.standard_normal(40)
        values[20:] += 1.0
        found = change_point(values, seed=seed)
        held += found.first <= 20 <= found.last

    assert held / 150 > 0.86


@settings(max_examples=25)
@given(
    st.lists(st.integers(-9, 9), min_size=6, max_size=15).filter(lambda v: len(set(v)) > 1),
    st.integers(-99, 99),
    st.sampled_from([0.5, 16.0]),
)
def test_shift_and_unit(values: list[int], shift: int, unit: float) -> None:
    plain = change_point(values)
    moved = change_point([(value + shift) * unit for value in values])

    assert moved.shift == pytest.approx(plain.shift * unit, abs=1e-9) or moved.t == pytest.approx(plain.t, rel=1e-9)
    assert moved.p == pytest.approx(plain.p, abs=1e-12)


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="5 is the least"):
        change_point([1.0, 2.0, 3.0, 4.0])
    with pytest.raises(NotEnoughReadings, match="no spread"):
        change_point([1.0] * 6)
    with pytest.raises(NotEnoughReadings, match="no split"):
        change_point([1.0, 2.0, 3.0, 4.0, 5.0], margin=3)
    with pytest.raises(BadReadings, match="reading 2 is inf"):
        change_point([1.0, 2.0, float("inf"), 4.0, 5.0])
