"""Intervals of R, B, E and A: coverage in short, invariances, formulas, and what they rest on."""

from __future__ import annotations

import importlib.util
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.metrology.decision import conformity
from stepwitness.metrology.positioning import Positioning, positioning
from stepwitness.metrology.positioning_intervals import FIGURES, FigureInterval, _evaluate, _of, figure_intervals
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.uncertainty import combine, positioning_budgets

STUDY = Path(__file__).parents[2] / "benches" / "measurements" / "coverage_positioning.py"


def an_axis(seed: int = 1, m: int = 6, n: int = 5) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    shape = np.linspace(0.0, 10.0, m)[:, None]
    return shape - 1.5 + rng.standard_normal((m, n)), shape + 1.5 + rng.standard_normal((m, n))


def found(up: np.ndarray, down: np.ndarray, **more: Any) -> dict[str, FigureInterval]:
    return figure_intervals(positioning(up, down), **more)


@pytest.fixture(scope="module")
def study() -> Any:
    spec = importlib.util.spec_from_file_location("coverage_positioning", STUDY)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


@pytest.mark.parametrize("name", ["even", "worn at one place"])
def test_coverage_in_short(study: Any, name: str) -> None:
    """400 trials hold 95 % to within ± 3.3 %; the study itself takes 10,000."""
    trials = 400
    (scenario,) = (one for one in study.SCENARIOS if one.name == name)
    for figure, count in study.study(scenario, trials, seed=7).items():
        held = 1 - (count.below + count.above) / trials
        assert 0.917 <= held <= 0.985, figure
        assert count.conform / trials == pytest.approx(held, abs=0.01), figure


@pytest.mark.parametrize("seed", range(5))
def test_formulas_are_those_of_the_figures_and_their_budgets(seed: int) -> None:
    up, down = an_axis(seed)
    up[2] += 4 * np.random.default_rng(seed).standard_normal(5)  # so that 4 s governs now and then
    figures = positioning(up, down)
    budgets = positioning_budgets(figures, resolution_m=0.0)

    for name, (value, u) in _evaluate(_of(figures), figures.n).items():
        assert float(value) == pytest.approx(getattr(figures, name), rel=1e-12), name
        assert float(u) == pytest.approx(combine(budgets[name]), rel=1e-12), name


def test_the_same_readings_give_the_same_digits() -> None:
    assert found(*an_axis()) == found(*an_axis())


@pytest.mark.parametrize("seed", range(3))
def test_the_frozen_draws_err_by_less_than_what_coverage_is_held_to(seed: int) -> None:
    """Between the ends of the interval lie 95 % of nine times as many other draws; 9999 leave 0.2 % to chance."""
    up, down = an_axis(seed, m=11)
    frozen, other = found(up, down), found(up, down, draws=90_000, seed=1)

    for name in FIGURES:
        interval, known = frozen[name].interval, other[name].known
        assert known.within(interval.low, interval.high) == pytest.approx(0.95, abs=0.008), name


@settings(max_examples=20)
@given(shift=st.floats(-1e3, 1e3), scale=st.floats(1e-6, 1e3))
def test_a_shift_changes_nothing_and_a_unit_scales(shift: float, scale: float) -> None:
    up, down = an_axis()
    plain, other = found(up, down, draws=399), found(scale * (up + shift), scale * (down + shift), draws=399)

    for name in FIGURES:
        ends = (other[name].interval.low, other[name].interval.high)
        due = (scale * plain[name].interval.low, scale * plain[name].interval.high)
        assert ends == pytest.approx(due, rel=1e-6, abs=1e-7 * scale), name


def test_the_order_of_runs_changes_nothing() -> None:
    up, down = an_axis()
    plain, other = found(up, down), found(up[:, ::-1], down[:, ::-1])

    for name in FIGURES:
        assert other[name].interval.low == pytest.approx(plain[name].interval.low, rel=1e-9), name


def test_a_mirror_of_the_directions_swaps_them() -> None:
    up, down = an_axis()
    plain, other = found(up, down, draws=9999), found(down, up, draws=9999)

    # drawn, so equal to within the noise of 9999 draws
    assert other["R_up"].interval.high == pytest.approx(plain["R_down"].interval.high, rel=0.05)
    assert other["B_mean"].interval.low == pytest.approx(-plain["B_mean"].interval.high, rel=0.05)
    assert other["R"].value == pytest.approx(plain["R"].value)


def test_instruments_widen_what_they_touch() -> None:
    plain, coarse = found(*an_axis()), found(*an_axis(), resolution=4.0)
    calibrated = found(*an_axis(), calibration_u=3.0)

    for name in FIGURES:
        widths = [one[name].interval.high - one[name].interval.low for one in (plain, coarse)]
        assert widths[1] > widths[0], name
    # at one place the calibration cancels; between two it doesn't
    assert calibrated["B_mean"].interval.high == pytest.approx(plain["B_mean"].interval.high, abs=0.1)
    assert calibrated["E"].interval.high > plain["E"].interval.high + 2


def test_maxima_are_pulled_upwards_and_means_arent() -> None:
    one = found(*an_axis(m=11))

    assert one["R"].upward_pull > 0.5
    assert one["R_up"].upward_pull > 0.5
    assert abs(one["B_mean"].upward_pull) < 0.1


def test_probability_of_conformity_goes_with_the_interval() -> None:
    one = found(*an_axis())["R"]

    assert conformity(one.known, upper=one.interval.high) == pytest.approx(0.975, abs=0.002)
    assert conformity(one.known, upper=one.interval.low) == pytest.approx(0.025, abs=0.002)


def test_an_axis_without_scatter_read_without_error_is_certain() -> None:
    one = found(np.zeros((5, 5)), np.ones((5, 5)))["B"]

    assert (one.value, one.interval.low, one.interval.high) == (1.0, 1.0, 1.0)
    assert conformity(one.known, upper=1.0) == 1.0


def test_a_gauge_too_coarse_to_see_scatter_leaves_an_interval() -> None:
    one = found(np.zeros((5, 5)), np.zeros((5, 5)), resolution=1.0)["R"]

    assert one.interval.high - one.interval.low > 0.1


def test_a_single_target() -> None:
    one = found(np.array([[0.0, 1.0, 2.0]]), np.array([[3.0, 4.0, 5.0]]))

    assert one["B"].interval.low < 3.0 < one["B"].interval.high
    assert all(math.isfinite(one[name].interval.high) for name in FIGURES)


@pytest.mark.parametrize("more", [{"confidence": 1.0}, {"draws": 10}])
def test_refusals(more: dict[str, Any]) -> None:
    figures: Positioning = positioning(*an_axis())
    with pytest.raises(BadReadings):
        figure_intervals(figures, **more)
