"""ISO 230-2 figures: invariants, streaming against batch, and readings that have no answer."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from stepwitness.metrology.positioning import Positioning, PositioningAccumulator, positioning
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

SCALARS = ("B", "B_mean", "R_up", "R_down", "R", "E_up", "E_down", "E", "M", "A_up", "A_down", "A")
ROWS = ("mean_up", "mean_down", "s_up", "s_down", "mean", "B_i", "R_i_up", "R_i_down", "R_i")


@st.composite
def deviations_of_an_axis(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    shape = (draw(st.integers(1, 6)), draw(st.integers(2, 6)))
    deviations = arrays(np.float64, shape, elements=st.floats(-100.0, 100.0).map(lambda value: round(value, 3)))
    return draw(deviations), draw(deviations)


def near(ours: Any, due: Any) -> bool:
    return bool(np.allclose(ours, due, rtol=1e-12, atol=1e-10))


def streamed(up: np.ndarray, down: np.ndarray, order: list[int] | None = None) -> PositioningAccumulator:
    accumulator = PositioningAccumulator()
    stops = [
        (index, direction, float(values[index, run]))
        for direction, values in ((True, up), (False, down))
        for index in range(up.shape[0])
        for run in range(up.shape[1])
    ]
    for at in order if order is not None else range(len(stops)):
        accumulator.add(*stops[at])
    return accumulator


@given(deviations_of_an_axis(), st.randoms(use_true_random=False))
def test_streaming_in_any_order_gives_what_the_batch_gives(axis: Any, random: Any) -> None:
    up, down = axis
    order = list(range(2 * up.size))
    random.shuffle(order)
    result, due = streamed(up, down, order).result(), positioning(up, down)

    assert (result.m, result.n) == (due.m, due.n)
    for figure in SCALARS + ROWS:
        assert near(getattr(result, figure), getattr(due, figure)), figure


@given(deviations_of_an_axis())
def test_two_accumulators_merge_into_one(axis: Any) -> None:
    up, down = axis
    first, second = PositioningAccumulator(), PositioningAccumulator()
    for index in range(up.shape[0]):
        for run in range(up.shape[1]):
            part = first if run % 2 else second
            part.add(index, True, float(up[index, run]))
            part.add(index, False, float(down[index, run]))
    first.merge(second)
    result, due = first.result(), positioning(up, down)

    for figure in SCALARS:
        assert near(getattr(result, figure), getattr(due, figure)), figure


@given(deviations_of_an_axis(), st.floats(-50.0, 50.0))
def test_a_shift_of_all_readings_changes_no_figure_of_the_axis(axis: Any, shift: float) -> None:
    up, down = axis
    moved, still = positioning(up + shift, down + shift), positioning(up, down)

    for figure in SCALARS:
        assert near(getattr(moved, figure), getattr(still, figure)), figure


@given(deviations_of_an_axis(), st.sampled_from([1e-6, 1e3, 25.4]))
def test_every_figure_scales_with_the_unit(axis: Any, factor: float) -> None:
    up, down = axis
    scaled, plain = positioning(up * factor, down * factor), positioning(up, down)

    for figure in SCALARS + ROWS:
        assert near(np.asarray(getattr(scaled, figure)) / factor, getattr(plain, figure)), figure


@given(deviations_of_an_axis())
def test_swapped_directions_swap_the_arrows_and_the_sign_of_reversal(axis: Any) -> None:
    up, down = axis
    plain, swapped = positioning(up, down), positioning(down, up)

    assert near(swapped.B_mean, -plain.B_mean)
    for one, other in (("R_up", "R_down"), ("E_up", "E_down"), ("A_up", "A_down")):
        assert getattr(swapped, one) == getattr(plain, other)
    for figure in ("B", "R", "E", "M", "A"):
        assert near(getattr(swapped, figure), getattr(plain, figure)), figure


@given(deviations_of_an_axis())
def test_figures_keep_their_order(axis: Any) -> None:
    result = positioning(*axis)

    assert result.R >= max(result.R_up, result.R_down) >= 0
    assert max(result.E_up, result.E_down, result.B) - 1e-12 <= result.E
    assert max(result.A_up, result.A_down) - 1e-12 <= result.A
    assert abs(result.B_mean) <= result.B + 1e-12


def test_by_hand() -> None:
    result = positioning([[0.0, 2.0], [3.0, 3.0]], [[4.0, 4.0], [1.0, 3.0]])

    # means up 1, 3; down 4, 2; s up √2, 0; down 0, √2
    root = math.sqrt(2)
    assert (result.B, result.B_mean, result.M, result.E) == (3.0, -1.0, 0.0, 3.0)
    assert result.B_i.tolist() == [-3.0, 1.0]
    assert pytest.approx(2 * root + 3) == result.R
    assert result.R_up == pytest.approx(4 * root)
    assert result.A_up == pytest.approx(max(1 + 2 * root, 3) - (1 - 2 * root))


def test_a_single_target_has_a_meaning() -> None:
    result = positioning([[1.0, 1.0]], [[3.0, 3.0]])

    assert (result.m, result.M, result.E_up, result.E, result.B) == (1, 0.0, 0.0, 2.0, 2.0)


def test_zero_spread_leaves_the_reversal() -> None:
    result = positioning([[0.1, 0.1, 0.1]], [[0.3, 0.3, 0.3]])

    assert (result.R_up, result.R_down) == (0.0, 0.0)
    assert result.R == result.B


def test_results_cant_be_changed() -> None:
    for result in (
        positioning([[1.0, 2.0]], [[1.0, 2.0]]),
        streamed(np.array([[1.0, 2.0]]), np.array([[1.0, 2.0]])).result(),
    ):
        for name in ("mean_up", "mean_down", "s_up", "s_down"):
            with pytest.raises(ValueError, match="read-only"):
                getattr(result, name)[0] = 5.0
        with pytest.raises(AttributeError):
            result.n = 3  # type: ignore[misc]


# -- readings without an answer ------------------------------------------------------------------------------


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_reading_that_isnt_a_number_is_named_by_its_target(value: float) -> None:
    deviations = np.zeros((4, 3))
    deviations[2, 1] = value

    with pytest.raises(BadReadings, match="target 2 down"):
        positioning(np.zeros((4, 3)), deviations)
    with pytest.raises(BadReadings, match="target 7 up"):
        PositioningAccumulator().add(7, True, value)


def test_one_run_has_no_standard_deviation() -> None:
    with pytest.raises(NotEnoughReadings, match="1 runs each way"):
        positioning([[1.0], [2.0]], [[1.0], [2.0]])
    with pytest.raises(NotEnoughReadings, match="one run each way"):
        streamed(np.zeros((2, 1)), np.zeros((2, 1))).result()


def test_unequal_runs_are_named_by_their_target() -> None:
    accumulator = streamed(np.zeros((3, 2)), np.zeros((3, 2)))
    accumulator.add(1, False, 0.0)

    with pytest.raises(BadReadings, match="target 0 has 2 runs up, others have 3"):
        accumulator.result()


def test_a_missing_direction_is_named() -> None:
    accumulator = PositioningAccumulator()
    for index in range(3):
        for _ in range(2):
            accumulator.add(index, True, 0.0)
            if index != 1:
                accumulator.add(index, False, 0.0)

    with pytest.raises(BadReadings, match="target 1 has 0 runs down, others have 2"):
        accumulator.result()


def test_a_target_that_was_skipped_is_named() -> None:
    accumulator = PositioningAccumulator()
    for index in (0, 2):
        for up in (True, False):
            for _ in range(2):
                accumulator.add(index, up, 0.0)

    with pytest.raises(BadReadings, match="target 1 has 0 runs up"):
        accumulator.result()


def test_nothing_at_all() -> None:
    with pytest.raises(NotEnoughReadings, match="no reading"):
        PositioningAccumulator().result()
    with pytest.raises(NotEnoughReadings):
        positioning(np.empty((0, 5)), np.empty((0, 5)))


@pytest.mark.parametrize(("up", "down"), [((3, 5), (3, 4)), ((3, 5), (2, 5)), ((5,), (5,))])
def test_shapes_that_dont_match(up: tuple[int, ...], down: tuple[int, ...]) -> None:
    with pytest.raises(BadReadings, match="shapes"):
        positioning(np.zeros(up), np.zeros(down))


def test_a_negative_target_is_refused() -> None:
    with pytest.raises(BadReadings, match="index -1"):
        PositioningAccumulator().add(-1, True, 0.0)


# -- least test ----------------------------------------------------------------------------------------------


def of_size(m: int, n: int) -> Positioning:
    return positioning(np.zeros((m, n)), np.zeros((m, n)))


@pytest.mark.parametrize(
    ("m", "n", "travel_m", "conforms"),
    [
        (5, 5, 0.06, True),
        (4, 5, 0.06, False),
        (5, 4, 0.06, False),
        (6, 5, 1.2, True),
        (5, 5, 1.2, False),
        (10, 5, 2.0, True),
        (9, 5, 2.0, False),
        (50, 5, 2.5, False),
    ],
)
def test_least_targets_and_runs(m: int, n: int, travel_m: float, conforms: bool) -> None:
    """5 targets a metre and in all, 5 runs each way, up to 2 m (ISO 230-2, from memory)."""
    assert of_size(m, n).conforms(travel_m) is conforms
