"""Performance by quantiles: agreement with the usual indices, invariants, the test of fit and refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stepwitness.metrology.capability import performance
from stepwitness.metrology.quantile_capability import LEAST_READINGS, percentile, quantile_performance
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

SKEW = np.exp(0.5 * np.random.default_rng(7).standard_normal(60))


def test_normal_is_the_usual_index() -> None:
    values = np.random.default_rng(3).standard_normal(40)
    usual = performance(values, lower=-5.0, upper=4.0)
    ours = quantile_performance(values, shape="normal", lower=-5.0, upper=4.0)

    assert usual.spread is not None
    assert ours.ppk == pytest.approx(usual.least.value, rel=1e-12)
    assert ours.pp == pytest.approx(usual.spread.value, rel=1e-12)
    assert ours.ppk_interval.low == pytest.approx(usual.least.interval.low, rel=0.05)
    assert ours.ppk_interval.high == pytest.approx(usual.least.interval.high, rel=0.05)


@pytest.mark.parametrize("shape", ["lognormal", "weibull", "rayleigh"])
def test_unit_changes_nothing(shape: str) -> None:
    plain = quantile_performance(SKEW, shape=shape, upper=9.0)  # type: ignore[arg-type]
    scaled = quantile_performance(SKEW * 1e-6, shape=shape, upper=9e-6)  # type: ignore[arg-type]

    assert scaled.ppk == pytest.approx(plain.ppk, rel=1e-9)
    assert scaled.ppk_interval.low == pytest.approx(plain.ppk_interval.low, rel=1e-7)
    assert scaled.fit_p == plain.fit_p
    assert plain.ppk_interval.low < plain.ppk < plain.ppk_interval.high
    assert plain.pp is None


def test_quantiles_of_known_shapes() -> None:
    """Large samples: the fitted quantiles are those of the distribution."""
    draw = np.random.default_rng(5)
    rayleigh = quantile_performance(draw.rayleigh(2.0, 1500), shape="rayleigh", upper=12.0)
    weibull = quantile_performance(draw.weibull(3.0, 1500), shape="weibull", upper=2.5)

    assert rayleigh.x_mid == pytest.approx(2.0 * math.sqrt(2.0 * math.log(2.0)), rel=0.05)
    assert rayleigh.x_high == pytest.approx(2.0 * math.sqrt(-2.0 * math.log(0.00135)), rel=0.05)
    assert weibull.x_mid == pytest.approx(math.log(2.0) ** (1 / 3), rel=0.05)


def test_a_wrong_shape_is_seen() -> None:
    draw = np.random.default_rng(11)
    skew = np.exp(draw.standard_normal(80))

    assert quantile_performance(skew, shape="normal", upper=30.0).fit_p < 0.01
    assert quantile_performance(skew, shape="lognormal", upper=30.0).fit_p > 0.05


def test_quantiles_of_the_readings() -> None:
    values = np.random.default_rng(2).standard_normal(LEAST_READINGS + 500)
    result = quantile_performance(values, shape="readings", lower=-6.0, upper=6.0)

    assert result.x_high == percentile(values, 1.0 - 0.0013498980316301035)
    assert math.isnan(result.fit_p)
    assert result.ppk_interval.low < result.ppk < result.ppk_interval.high


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="1000 is the least"):
        quantile_performance(SKEW, shape="readings", upper=9.0)
    with pytest.raises(BadReadings, match="lognormal ones are above 0"):
        quantile_performance([*SKEW, 0.0], shape="lognormal", upper=9.0)
    with pytest.raises(BadReadings, match="no shape 'gamma'"):
        quantile_performance(SKEW, shape="gamma", upper=9.0)  # type: ignore[arg-type]
    with pytest.raises(NotEnoughReadings, match="no spread"):
        quantile_performance([2.0] * 9, shape="weibull", upper=9.0)
    with pytest.raises(NotEnoughReadings, match="don't reach"):
        percentile([1.0, 2.0, 3.0], 0.99)
    with pytest.raises(NotEnoughReadings, match="outer quantile is the median"):
        quantile_performance([0.0] * 1000 + [1.0], shape="readings", upper=9.0)
