"""Bias, linearity and stability: by hand, against scipy, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from stepwitness.metrology.gauge_bias import bias, linearity, stability
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def test_bias_is_the_one_sample_t() -> None:
    values = [10.1, 10.3, 10.2, 10.4]
    result, theirs = bias(values, reference=10.0), stats.ttest_1samp(values, 10.0)

    assert result.value == pytest.approx(0.25)
    assert result.p == pytest.approx(theirs.pvalue, rel=1e-9)
    assert result.interval.low == pytest.approx(theirs.confidence_interval(0.95).low - 10.0, abs=1e-9)
    assert result.seen


def test_an_uncertain_reference_hides_a_bias() -> None:
    values = [10.1, 10.3, 10.2, 10.4]
    result = bias(values, reference=10.0, reference_uncertainty=0.2)
    of_mean = result.sd / 2.0

    assert not result.seen
    assert result.standard_uncertainty == pytest.approx(math.hypot(of_mean, 0.2))
    assert result.degrees_of_freedom == pytest.approx(3.0 * (result.standard_uncertainty / of_mean) ** 4)
    assert bias([5.0, 5.0], reference=5.0, reference_uncertainty=0.1).interval.high == pytest.approx(0.196, abs=1e-4)


def test_linearity_is_the_line_of_all_biases() -> None:
    references = np.array([2.0, 4.0, 6.0, 8.0])
    values = references[:, np.newaxis] * 1.02 + 0.1 + np.random.default_rng(3).normal(0.0, 0.05, (4, 5))
    result = linearity(references, values)
    line = stats.linregress(np.repeat(references, 5), (values - references[:, np.newaxis]).ravel())

    assert result.slope == pytest.approx(line.slope, rel=1e-10)
    assert result.intercept == pytest.approx(line.intercept, rel=1e-9)
    assert result.slope_p == pytest.approx(line.pvalue, rel=1e-6)
    half = stats.t.ppf(0.975, 18)
    assert result.slope_interval.high == pytest.approx(line.slope + half * line.stderr, rel=1e-9)
    assert result.intercept_interval.low == pytest.approx(line.intercept - half * line.intercept_stderr, rel=1e-9)
    assert result.r_squared == pytest.approx(line.rvalue**2, rel=1e-9)
    assert result.worst_bias == pytest.approx(line.intercept + 8.0 * line.slope, rel=1e-9)
    assert result.lack_of_fit_p is not None
    assert result.lack_of_fit_p > 0.01


def test_a_curve_shows_as_lack_of_fit() -> None:
    references = np.array([0.0, 1.0, 2.0, 3.0])
    values = references + (references - 1.5) ** 2
    noisy = values[:, np.newaxis] + np.array([-0.01, 0.0, 0.01])

    assert linearity(references, noisy).lack_of_fit_p == pytest.approx(0.0, abs=1e-6)
    assert linearity(references, values[:, np.newaxis]).lack_of_fit_p is None


def test_a_drift_is_seen() -> None:
    times = np.arange(40.0)
    noise = np.random.default_rng(5).normal(0.0, 1.0, 40)
    steady, drifting = stability(times, 50.0 + noise), stability(times, 50.0 + noise + 0.2 * times)

    assert 0.0 in steady.drift_interval
    assert drifting.drift == pytest.approx(0.2, abs=0.05)
    assert 0.0 not in drifting.drift_interval
    assert drifting.long_term_sd > 2.0 * drifting.short_term_sd
    assert steady.long_term_sd == pytest.approx(steady.short_term_sd, rel=0.3)
    assert drifting.step.p < 0.01
    assert drifting.chart.location_alarms


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="no spread"):
        bias([5.0, 5.0], reference=5.0)
    with pytest.raises(BadReadings, match="uncertainty is -1"):
        bias([5.0, 5.1], reference=5.0, reference_uncertainty=-1.0)
    with pytest.raises(BadReadings, match="the reference: reading 0 is nan"):
        bias([5.0, 5.1], reference=math.nan)
    with pytest.raises(BadReadings, match="3 references and readings of 2"):
        linearity([1.0, 2.0, 3.0], [[1.0], [2.0]])
    with pytest.raises(NotEnoughReadings, match="references: all 2"):
        linearity([1.0, 1.0], [[1.0, 1.1], [1.0, 1.2]])
    with pytest.raises(NotEnoughReadings, match="2 readings found, 3 is the least"):
        linearity([1.0, 2.0], [[1.0], [2.0]])
    with pytest.raises(NotEnoughReadings, match="on a line exactly"):
        linearity([1.0, 2.0, 3.0], [[1.1], [2.1], [3.1]])
    with pytest.raises(BadReadings, match="times don't rise"):
        stability([0.0, 1.0, 1.0, 2.0, 3.0], [1.0, 2.0, 1.0, 2.0, 1.0])
    with pytest.raises(BadReadings, match="6 times and 5 readings"):
        stability(np.arange(6.0), [1.0, 2.0, 1.0, 2.0, 1.0])
