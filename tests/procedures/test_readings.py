"""What each evaluation makes of readings that are shifted, mixed up, mirrored, doubled, missing or no numbers."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st

from stepwitness.bench.description import BenchDescription
from stepwitness.findings import Estimate
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings
from stepwitness.procedures import backlash, repeatability
from stepwitness.procedures.procedure import Procedure

Rows = list[dict[str, Any]]

TARGETS, RUNS = 4, 5


def positions(seed: int) -> Rows:
    """Five runs of four targets, as repeatability reads them."""
    draw = random.Random(seed)
    return [
        {
            "target_index": index,
            "target_m": 0.01 * (index + 1),
            "run": run,
            "up": up,
            "claim_m": 0.01 * (index + 1),
            "counted_m": 0.01 * (index + 1) + draw.gauss(0, 5e-7),
            "gauge_m": 0.01 * (index + 1) + draw.gauss(2e-6 * index + (-4e-6 if up else 3e-6), 8e-7),
        }
        for run in range(RUNS)
        for up in (True, False)
        for index in (range(TARGETS) if up else reversed(range(TARGETS)))
    ]


def reversals(seed: int) -> Rows:
    """Five reversals at three places and two drags, as backlash reads them."""
    draw = random.Random(seed)
    return [
        {
            "place_index": place,
            "place_m": 0.015 * (place + 1),
            "drag_n": drag,
            "repeat": repeat,
            "up": up,
            "claim_m": 0.015 * (place + 1),
            "counted_m": 0.015 * (place + 1) + draw.gauss(0, 5e-7),
            "gauge_m": 0.015 * (place + 1) + draw.gauss((-1 if up else 1) * (5e-6 + drag * 1e-7), 8e-7),
        }
        for place in range(3)
        for drag in (0.0, 30.0)
        for repeat in range(RUNS)
        for up in (True, False)
    ]


KINDS = [
    pytest.param(repeatability.PROCEDURE, "positions", positions, id="repeatability"),
    pytest.param(backlash.PROCEDURE, "reversals", reversals, id="backlash"),
]
each = pytest.mark.parametrize(("procedure", "table", "rows"), KINDS)

Evaluate = Callable[[Procedure, str, Rows], dict[str, Estimate]]


@pytest.fixture(scope="module")
def evaluate(kept: Any, doser: BenchDescription, estimated: Any) -> Evaluate:
    def run(procedure: Procedure, table: str, rows: Rows) -> dict[str, Estimate]:
        journal = kept()
        journal.tables[table] = rows
        for at in range(2):  # repeatability also reads the start again
            journal.write("closure", {"run": at, "claim_m": 0.001, "counted_m": 0.001, "gauge_m": 0.001})
        found: dict[str, Estimate] = estimated(procedure, journal, doser, procedure.settings())
        return found

    return run


def same(one: dict[str, Estimate], other: dict[str, Estimate], *, but: tuple[str, ...] = (), sign: int = 1) -> None:
    for name in set(one) - set(but):
        if one[name].value is None:
            assert other[name].value is None, name
            continue
        assert other[name].value == pytest.approx(sign * one[name].value, rel=1e-6, abs=1e-12), name  # type: ignore[operator]
        assert other[name].standard_uncertainty == pytest.approx(one[name].standard_uncertainty, rel=1e-5), name


@each
@profile(max_examples=15)
@given(shift=st.floats(-1e-3, 1e-3), seed=st.integers(0, 99))
def test_another_zero_of_the_gauge_changes_no_figure(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows], shift: float, seed: int
) -> None:
    moved = [{**row, "gauge_m": row["gauge_m"] + shift} for row in rows(seed)]
    same(evaluate(procedure, table, rows(seed)), evaluate(procedure, table, moved))


@each
@profile(max_examples=15)
@given(seed=st.integers(0, 99), order=st.randoms(use_true_random=False))
def test_the_order_of_runs_changes_no_figure(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows], seed: int, order: Any
) -> None:
    mixed = rows(seed)
    order.shuffle(mixed)
    same(evaluate(procedure, table, rows(seed)), evaluate(procedure, table, mixed))


@each
def test_mirrored_directions_swap_up_and_down_and_the_sign_of_reversal(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows]
) -> None:
    plain = evaluate(procedure, table, rows(1))
    mirrored = evaluate(procedure, table, [{**row, "up": not row["up"]} for row in rows(1)])
    signed = {"mean_reversal", "motor_side_mean_reversal", "clearance", "wind_up"}
    swapped = {"repeatability_up": "repeatability_down", "repeatability_down": "repeatability_up"}
    for name, estimate in plain.items():
        if name == "lost_motion":  # the greatest is sought with its sign, so another place may have it
            continue
        other, sign = mirrored[swapped.get(name, name)], -1 if name in signed else 1
        assert other.value == pytest.approx(sign * estimate.value, rel=1e-6, abs=1e-12), name  # type: ignore[operator]


@each
@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_no_number_is_refused(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows], bad: float
) -> None:
    taken = rows(1)
    taken[3]["gauge_m"] = bad
    with pytest.raises(BadReadings, match=r"nan|inf"):
        evaluate(procedure, table, taken)


@each
@pytest.mark.parametrize("least", [0, 1])
def test_one_run_has_no_scatter_and_none_no_figure(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows], least: int
) -> None:
    count = "run" if table == "positions" else "repeat"
    with pytest.raises(NotEnoughReadings):
        evaluate(procedure, table, [row for row in rows(1) if row[count] < least])


@each
def test_a_direction_that_is_missing_is_named(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows]
) -> None:
    with pytest.raises(BadReadings, match=r"(target|place) 0 .*has 0 (runs|readings of the \w+) down"):
        evaluate(procedure, table, [row for row in rows(1) if row["up"]])


def test_a_reading_that_stands_twice_makes_runs_unequal_and_is_refused(evaluate: Evaluate) -> None:
    taken = positions(1)
    with pytest.raises(BadReadings, match=r"target [01] has 5 runs up, others have 6"):
        evaluate(repeatability.PROCEDURE, "positions", [*taken, taken[2]])


@each
def test_readings_without_any_spread_leave_what_the_witnesses_can_tell(
    evaluate: Evaluate, procedure: Procedure, table: str, rows: Callable[[int], Rows]
) -> None:
    place = "target_m" if table == "positions" else "place_m"
    found = evaluate(procedure, table, [{**row, "gauge_m": row[place], "counted_m": row[place]} for row in rows(1)])
    for name, estimate in found.items():
        if estimate.value is not None and name not in ("count_closure", "start_drift"):
            assert estimate.value == pytest.approx(0.0, abs=1e-12), name
            assert estimate.standard_uncertainty > 0, name
            assert estimate.coverage_factor == 2.0, name


def test_a_single_target_has_a_meaning_and_a_single_place_too(evaluate: Evaluate) -> None:
    found = evaluate(repeatability.PROCEDURE, "positions", [row for row in positions(1) if row["target_index"] == 0])
    assert found["bidirectional_repeatability"].value is not None
    assert found["scale_difference"].reason == "scale takes two targets or more"
    alone = [row for row in reversals(1) if row["place_index"] == 1]
    assert evaluate(backlash.PROCEDURE, "reversals", alone)["reversal_value"].value == pytest.approx(1e-5, rel=0.3)
