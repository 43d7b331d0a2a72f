"""Budgets of positioning figures: by hand, and by simulation of axes whose truth is known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings
from stepwitness.metrology.uncertainty import (
    Line,
    combine,
    hidden_spread,
    of_mean,
    of_resolution,
    of_sd,
    positioning_budgets,
)

RUNS = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
"""s = √2.5, so s/√n = √0.5 and s/√(2(n − 1)) = √(2.5/8)."""

U_MEAN, U_SD = math.sqrt(0.5), math.sqrt(2.5 / 8)
UP, DOWN = [0.0, 3.0, 5.0, 4.0, 1.0], [6.0, 8.0, 12.0, 9.0, 5.0]
FIGURES = positioning([c + RUNS for c in UP], [c + RUNS for c in DOWN])


def type_a(budget: tuple[Line, ...]) -> float:
    return combine(line for line in budget if line.kind == "A")


def sources(budget: tuple[Line, ...]) -> list[str]:
    return [line.source for line in budget]


def test_type_a_by_hand() -> None:
    budgets = positioning_budgets(FIGURES, resolution_m=0.0)

    assert combine(budgets["B"]) == pytest.approx(math.hypot(U_MEAN, U_MEAN))
    assert combine(budgets["B_mean"]) == pytest.approx(math.sqrt(2 * 5) * U_MEAN / 5)
    assert combine(budgets["R"]) == pytest.approx(math.sqrt(8 * U_SD**2 + 2 * U_MEAN**2))
    assert combine(budgets["R_up"]) == combine(budgets["R_down"]) == pytest.approx(4 * U_SD)
    assert combine(budgets["E"]) == pytest.approx(math.sqrt(2) * U_MEAN)
    assert combine(budgets["M"]) == pytest.approx(U_MEAN)
    assert combine(budgets["A"]) == pytest.approx(math.sqrt(2 * U_MEAN**2 + 8 * U_SD**2))


def test_four_s_governs_where_one_direction_scatters() -> None:
    lone = positioning([10 * RUNS], [RUNS])

    budget = positioning_budgets(lone, resolution_m=0.0)["R"]
    assert lone.R_up == lone.R
    assert combine(budget) == pytest.approx(40 * U_SD)


def test_resolution_is_not_lessened_by_averaging() -> None:
    few = positioning_budgets(FIGURES, resolution_m=1.2)
    many = positioning([c + np.tile(RUNS, 40) for c in UP], [c + np.tile(RUNS, 40) for c in DOWN])

    for figure in ("B", "B_mean", "E", "M"):
        (rounding,) = [line for line in few[figure] if "resolution" in line.source]
        assert rounding == Line(
            "resolution of the witness, two positions", pytest.approx(1.2 / math.sqrt(6)), "B", math.inf, "triangular"
        )
        assert rounding in positioning_budgets(many, resolution_m=1.2)[figure]


def test_a_gauge_too_coarse_to_see_scatter_doesnt_make_r_certain() -> None:
    still = positioning(np.zeros((5, 5)), np.zeros((5, 5)))
    budgets = positioning_budgets(still, resolution_m=1.0)

    assert still.R == 0.0
    # 2 q/√12 for each direction, adding up, beside the rounding of the reversal
    assert combine(budgets["R"]) == pytest.approx(math.hypot(4 / math.sqrt(12), 1 / math.sqrt(6)))
    assert combine(budgets["R_up"]) == pytest.approx(4 / math.sqrt(12))


def test_calibration_counts_between_places_and_cancels_at_one() -> None:
    budgets = positioning_budgets(FIGURES, resolution_m=0.0, calibration_u_m=0.6)
    with_calibration = {name for name, budget in budgets.items() if any("calibration" in s for s in sources(budget))}

    assert with_calibration == {"E", "M", "A"}
    for figure in with_calibration:
        assert budgets[figure][-1].standard_uncertainty == pytest.approx(0.6 * math.sqrt(2))


def test_calibration_cancels_where_one_target_governs_both_ends() -> None:
    lone = positioning([RUNS], [RUNS + 30.0])
    budgets = positioning_budgets(lone, resolution_m=0.0, calibration_u_m=0.6)

    assert all("calibration" not in source for name in ("E", "M", "A") for source in sources(budgets[name]))


def test_without_a_certificate_there_is_no_line_for_it() -> None:
    budgets = positioning_budgets(FIGURES, resolution_m=1.0)

    assert all("calibration" not in source for budget in budgets.values() for source in sources(budget))


def test_accuracy_of_one_scattering_place_is_four_s() -> None:
    lone = positioning([10 * RUNS], [np.zeros(5)])

    assert pytest.approx(lone.R_up) == lone.A
    assert combine(positioning_budgets(lone, resolution_m=0.0)["A"]) == pytest.approx(40 * U_SD)


def test_smallest_parts() -> None:
    assert of_resolution(12.0) == pytest.approx(math.sqrt(12))
    assert of_mean(2.0, 4) == 1.0
    assert of_sd(2.0, 9) == 0.5
    assert hidden_spread(0.0, 1.0) == pytest.approx(of_resolution(1.0))
    assert hidden_spread(100.0, 1.0) == pytest.approx(1 / (24 * 100.0), rel=1e-4)
    assert combine([Line("a", 3.0, "A"), Line("b", 4.0, "B")]) == 5.0
    assert combine([]) == 0.0


def test_too_few_and_not_a_number() -> None:
    with pytest.raises(NotEnoughReadings):
        of_sd(1.0, 1)
    with pytest.raises(NotEnoughReadings):
        of_mean(1.0, 0)
    with pytest.raises(BadReadings):
        of_mean(math.nan, 5)


def test_stated_uncertainty_is_the_spread_of_repeated_tests() -> None:
    """Axes of known truth; the mean of the stated variances is the variance of the figures.

    One target leaves no choice of the position that governs, and a reversal of 30 keeps both terms of R in force;
    the first-order u(s) is then right to 3 % at 20 runs.
    """
    draw = np.random.default_rng(11)
    values: dict[str, list[float]] = {"B": [], "B_mean": [], "R": [], "R_up": []}
    stated: dict[str, list[float]] = {name: [] for name in values}
    for _ in range(1500):
        up, down = draw.normal(0.0, 1.0, (1, 20)), draw.normal(30.0, 2.0, (1, 20))
        result = positioning(up, down)
        budgets = positioning_budgets(result, resolution_m=0.0)
        for name in values:
            values[name].append(getattr(result, name))
            stated[name].append(combine(budgets[name]) ** 2)

    for name in values:
        # the sd of 1500 trials is itself known to about 2 %
        assert math.sqrt(np.mean(stated[name])) == pytest.approx(np.std(values[name], ddof=1), rel=0.08), name


def test_greatest_of_many_targets_is_biased_upward() -> None:
    """What the docstring of R says: at n = 5 the largest of eleven 4 s lies well above the true 4 σ."""
    draw = np.random.default_rng(3)
    found = [positioning(draw.normal(0.0, 1.0, (11, 5)), draw.normal(0.0, 1.0, (11, 5))).R_up for _ in range(300)]

    assert np.mean(found) > 1.25 * 4.0


def test_type_a_lines_are_named_apart_from_type_b() -> None:
    for budget in positioning_budgets(FIGURES, resolution_m=1.0, calibration_u_m=0.6).values():
        assert {line.kind for line in budget} == {"A", "B"}
        assert type_a(budget) < combine(budget)
        assert len(set(sources(budget))) == len(budget)
