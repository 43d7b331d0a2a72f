"""Chart constants: closed forms, large subgroups and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stepwitness.metrology.control_constants import LARGEST, constants
from stepwitness.metrology.statistics import BadReadings


def test_closed_forms() -> None:
    """d2 and d3 at n = 2 and 3, c4 at n = 2 and 3 (textbook results)."""
    root_pi = math.sqrt(math.pi)
    assert constants(2).d2 == pytest.approx(2.0 / root_pi, rel=1e-13)
    assert constants(2).d3 == pytest.approx(math.sqrt(2.0 - 4.0 / math.pi), rel=1e-12)
    assert constants(3).d2 == pytest.approx(3.0 / root_pi, rel=1e-13)
    assert constants(3).d3 == pytest.approx(math.sqrt(2.0 + 3.0 * math.sqrt(3.0) / math.pi - 9.0 / math.pi), rel=1e-12)
    assert constants(2).c4 == pytest.approx(math.sqrt(2.0 / math.pi), rel=1e-14)
    assert constants(3).c4 == pytest.approx(root_pi / 2.0, rel=1e-14)


def test_constants_run_on_to_a_hundred() -> None:
    every = [constants(n) for n in range(2, LARGEST + 1)]

    assert np.all(np.diff([item.d2 for item in every]) > 0.0)
    assert np.all(np.diff([item.d3 for item in every[1:]]) < 0.0)
    assert np.all(np.diff([item.c4 for item in every]) > 0.0)
    assert every[-1].c4 == pytest.approx(1.0 - 1.0 / (4.0 * 99.0), abs=2e-5)
    assert np.all(np.diff([item.b3 for item in every]) >= 0.0)


def test_a_hundred_by_simulation() -> None:
    ranges = np.ptp(np.random.default_rng(6).standard_normal((20_000, 100)), axis=1)

    assert ranges.mean() == pytest.approx(constants(100).d2, abs=0.02)
    assert ranges.std() == pytest.approx(constants(100).d3, abs=0.015)


@pytest.mark.parametrize("n", [1, 0, 101, 2.5])
def test_refusals(n: int) -> None:
    with pytest.raises(BadReadings, match="size of a subgroup"):
        constants(n)
