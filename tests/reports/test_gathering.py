"""From readings to what the pictures show: the same figures as the evaluation, in one pass."""

from __future__ import annotations

import random
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.positioning import positioning
from stepwitness_reports import gathering

Runs = list[list[float]]

_deviations = st.floats(-50, 50).map(lambda value: round(value, 3))
_runs = st.lists(st.lists(_deviations, min_size=4, max_size=4), min_size=3, max_size=3)


def position_rows(up: Runs, down: Runs) -> list[dict[str, Any]]:
    """Rows at targets 1 mm apart; deviations in µm, by target and run."""
    return [
        {"target_index": index, "target_m": index * 1e-3, "up": way, "gauge_m": index * 1e-3 + value * 1e-6}
        for way, runs in ((True, up), (False, down))
        for index, values in enumerate(runs)
        for value in values
    ]


@given(_runs, _runs)
def test_the_bracket_spans_the_repeatability_of_the_evaluation(up: Runs, down: Runs) -> None:
    found = gathering.deviations(position_rows(up, down), column="gauge_m", words="R")
    evaluated = positioning(up, down)
    assert found.worst is not None
    assert found.worst.high_um - found.worst.low_um == pytest.approx(evaluated.R, abs=1e-6)
    assert [item.up_mean_um for item in found.targets] == pytest.approx(list(evaluated.mean_up), abs=1e-6)
    assert [item.down_mean_um for item in found.targets] == pytest.approx(list(evaluated.mean_down), abs=1e-6)


def test_single_readings_are_shown_until_they_are_too_many() -> None:
    draw = random.Random(1)

    def found(runs: int) -> gathering.Deviations:
        up, down = ([[draw.gauss(0, 1) for _ in range(runs)] for _ in range(5)] for _ in range(2))
        return gathering.deviations(position_rows(up, down), column="gauge_m", words="R")

    few, many = found(10), found(200)
    assert not few.crowded
    assert sum(len(item.up_um) + len(item.down_um) for item in few.targets) == 100
    assert many.crowded
    assert many.readings == 2000
    assert all(len(item.up_um) == 2 and item.up_um[0] < item.up_um[1] for item in many.targets)


def test_a_witness_that_never_spoke_gives_no_targets() -> None:
    rows = [{"target_index": 0, "target_m": 0.0, "up": True, "gauge_m": None}]
    assert gathering.deviations(rows, column="gauge_m", words="R").targets == ()


def test_one_direction_alone_has_no_bracket() -> None:
    found = gathering.deviations(position_rows([[1.0, 2.0]], []), column="gauge_m", words="R")
    assert found.worst is None
    assert found.targets[0].down_mean_um is None


def reversal_rows(pairs: list[tuple[float, float]], drag: float = 0.0) -> list[dict[str, Any]]:
    return [
        {"place_m": 0.01, "drag_n": drag, "up": up, "gauge_m": 0.01 + value * 1e-6, "counted_m": None}
        for pair in pairs
        for up, value in zip((True, False), pair, strict=True)
    ]


def test_reversals_are_amounts_with_the_extremes_of_their_pairs() -> None:
    found = gathering.reversals(reversal_rows([(-5.0, 5.0), (-6.0, 6.0), (-4.0, 4.0)]))
    ((reversal,),) = found.values()
    assert list(found) == [("gauge", 0.0)]
    assert (reversal.place_mm, reversal.mean_um) == pytest.approx((10.0, 10.0))
    assert (reversal.low_um, reversal.high_um) == pytest.approx((8.0, 12.0))


def test_a_place_read_from_one_side_alone_has_no_reversal() -> None:
    assert gathering.reversals(reversal_rows([(-5.0, 5.0)])[:1]) == {}


def test_motion_keeps_one_phase_between_two_instants_from_its_own_start() -> None:
    rows = [
        {"t_s": 5.0 + index, "claim_m": index * 1e-3, "counted_m": 0.0, "gauge_m": None, "phase": phase}
        for index, phase in enumerate(("starved", "starved", "transient 1", "starved", "starved"))
    ]
    found = gathering.motion(rows, phase="starved", step_m=1e-5, from_s=6.0, to_s=8.5)
    assert found.origin_s == 6.0
    assert found.travel == {"drive": [(0.0, 1.0), (2.0, 3.0)], "counter": [(0.0, 0.0), (2.0, 0.0)]}
    assert [value for _, value in found.errors] == pytest.approx([100.0, 300.0])
