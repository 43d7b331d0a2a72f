"""Pose figures: what they mean, what they don't change with, and what they refuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stepwitness.metrology.pose import greatest_drift, pose
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

POSITIONS = arrays(float, st.tuples(st.integers(2, 12), st.integers(1, 3)), elements=st.floats(-1.0, 1.0, width=32))


@given(POSITIONS, st.floats(-10.0, 10.0))
def test_a_shift_of_command_and_positions_alike_changes_nothing(positions: np.ndarray, shift: float) -> None:
    command = np.zeros(positions.shape[1])
    found, moved = pose(positions, command=command), pose(positions + shift, command=command + shift)
    assert moved.accuracy == pytest.approx(found.accuracy, abs=1e-12)
    assert moved.repeatability == pytest.approx(found.repeatability, abs=1e-12)


@given(POSITIONS, st.permutations(range(12)))
def test_the_order_of_cycles_changes_nothing(positions: np.ndarray, order: list[int]) -> None:
    command = np.zeros(positions.shape[1])
    mixed = positions[[row for row in order if row < len(positions)]]
    assert pose(mixed, command=command).repeatability == pytest.approx(
        pose(positions, command=command).repeatability, abs=1e-12
    )


def test_a_pose_that_never_varies_repeats_perfectly_and_may_be_off() -> None:
    found = pose([[3.0, 4.0]] * 3, command=[0.0, 0.0])
    assert (found.accuracy, found.repeatability) == (5.0, 0.0)


@pytest.mark.parametrize(
    ("attained", "command", "error", "says"),
    [
        ([[0.0]], [0.0], NotEnoughReadings, "2 × 1 is the least"),
        ([[0.0], [float("nan")]], [0.0], BadReadings, "nan"),
        ([[0.0], [1.0]], [0.0, 0.0], BadReadings, "positions of 1 coordinates and a command of 2"),
    ],
)
def test_what_is_refused(attained: list[list[float]], command: list[float], error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        pose(attained, command=command)


def test_one_measurement_has_no_drift() -> None:
    with pytest.raises(BadReadings, match="a drift takes two"):
        greatest_drift([pose([[0.0], [1.0]], command=[0.0])])
