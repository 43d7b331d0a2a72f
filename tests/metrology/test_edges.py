"""Edges of small scatter, thin tails and bad numbers, each of which was got wrong once."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from stepwitness.metrology.design import power_of_runs, runs_for_shift, runs_for_uncertainty
from stepwitness.metrology.drift import drift
from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.positioning_intervals import figure_intervals
from stepwitness.metrology.screw_errors import pitch_error
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.targets import least_test, target_positions


@pytest.mark.parametrize("scatter_m", [1e-6, 1e-8, 1e-9])
def test_drift_of_nanometres_in_metres(scatter_m: float) -> None:
    starts = (0.003 + scatter_m * np.random.default_rng(0).normal(size=6)).tolist()
    found, due = drift(starts), stats.linregress(range(6), starts)

    assert found.u_per_reading == pytest.approx(due.stderr, rel=1e-6)
    assert found.probability == pytest.approx(due.pvalue, rel=1e-6)


@pytest.mark.parametrize(("n", "shift"), [(2, 7.39), (2, 50.0), (5, 4.62), (10, 5.2), (10, 500.0)])
@pytest.mark.parametrize("against_known", [False, True])
def test_power_of_a_large_shift(n: int, shift: float, against_known: bool) -> None:
    # by hand: P(|T| > t) is the mean over s of Φ(centre − t s) + Φ(−centre − t s)
    df, root = (n - 1, math.sqrt(n)) if against_known else (2 * n - 2, math.sqrt(n / 2))
    s = np.sqrt(stats.chi2.ppf((np.arange(20_000) + 0.5) / 20_000, df) / df)
    t = stats.t.ppf(0.975, df)
    due = np.mean(stats.norm.cdf(shift * root - t * s) + stats.norm.cdf(-shift * root - t * s))

    assert power_of_runs(n, shift, scatter=1.0, against_known=against_known) == pytest.approx(due, abs=1e-3)


def test_a_shift_that_two_runs_show() -> None:
    assert runs_for_shift(50.0, scatter=1.0).runs == 2


def test_among_dense_places_the_one_nearest_to_a_lead_further_on() -> None:
    x = np.arange(0.0, 10.0, 0.01)
    single = pitch_error(x, 1e-3 * x, lead=2.0).single

    # the last ones have no place a whole lead further on, but still one within a hundredth of it
    assert single.values[:800] == pytest.approx(np.full(800, 2e-3), rel=1e-9)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -1.0])
def test_what_is_no_resolution_calibration_or_uncertainty(bad: float) -> None:
    figures = positioning(np.eye(5), -np.eye(5))
    with pytest.raises(BadReadings, match="a resolution of"):
        figure_intervals(figures, resolution=bad)
    with pytest.raises(BadReadings, match="calibration's u"):
        figure_intervals(figures, calibration_u=bad)
    with pytest.raises(BadReadings, match="a resolution of"):
        runs_for_uncertainty("R", 1.0, scatter=1.0, targets=5, resolution=bad)
    with pytest.raises(BadReadings, match="a standard uncertainty of"):
        pitch_error([0.0, 2.0, 4.0], [0.0, 0.0, 0.0], lead=2.0, u_deviation=bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_targets_of_no_number(bad: float) -> None:
    with pytest.raises(BadReadings, match="travel"):
        least_test(bad)
    with pytest.raises(BadReadings, match="a pitch of"):
        target_positions(0.0, 1.0, 4, seed=1, pitch=bad)
    with pytest.raises(BadReadings):
        target_positions(0.0, bad, 4, seed=1)
    with pytest.raises(BadReadings, match="the shift"):
        power_of_runs(5, bad, scatter=1.0)
