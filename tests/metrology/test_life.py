"""Weibull fits: invariants, agreement with scipy, bounds by their definition, suspensions, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from stepwitness.metrology import life
from stepwitness.metrology.life import fit_weibull, life_quantile
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings

LIVES = 100.0 * np.random.default_rng(8).weibull(2.0, 12)


def test_a_complete_fit_is_scipys() -> None:
    shape, _, scale = stats.weibull_min.fit(LIVES, floc=0.0)
    fit = fit_weibull(LIVES)

    assert fit.shape == pytest.approx(shape, rel=1e-4)
    assert fit.scale == pytest.approx(scale, rel=1e-4)
    assert fit.log_likelihood == pytest.approx(
        float(np.sum(stats.weibull_min.logpdf(LIVES, fit.shape, scale=fit.scale))), rel=1e-12
    )
    assert fit.mean == pytest.approx(stats.weibull_min.mean(fit.shape, scale=fit.scale), rel=1e-12)
    assert fit.reliability(fit.scale) == pytest.approx(math.exp(-1.0))


def test_suspensions_enter_as_survivors() -> None:
    """The likelihood that scipy gives for failures and survivors has its maximum where ours is."""
    failed = LIVES < 90.0
    lives = np.minimum(LIVES, 90.0)
    fit = fit_weibull(lives, failed)

    def likelihood(shape: float, scale: float) -> float:
        dead = stats.weibull_min.logpdf(lives[failed], shape, scale=scale)
        return float(np.sum(dead) + np.sum(stats.weibull_min.logsf(lives[~failed], shape, scale=scale)))

    assert fit.log_likelihood == pytest.approx(likelihood(fit.shape, fit.scale), rel=1e-12)
    for shape, scale in ((1.01, 1.0), (0.99, 1.0), (1.0, 1.01), (1.0, 0.99)):
        assert likelihood(fit.shape * shape, fit.scale * scale) < fit.log_likelihood
    assert fit.scale > fit_weibull(lives).scale


@settings(max_examples=25)
@given(st.lists(st.integers(1, 1000), min_size=4, max_size=10, unique=True), st.sampled_from([1e-3, 60.0]))
def test_unit_scales_and_order_doesnt_matter(lives: list[int], unit: float) -> None:
    plain = fit_weibull(lives)
    scaled = fit_weibull([unit * value for value in reversed(lives)])

    assert scaled.shape == pytest.approx(plain.shape, rel=1e-8)
    assert scaled.scale == pytest.approx(unit * plain.scale, rel=1e-8)
    assert scaled.shape_interval.low == pytest.approx(plain.shape_interval.low, rel=1e-6)
    assert scaled.scale_interval.high == pytest.approx(unit * plain.scale_interval.high, rel=1e-6)


def test_powers_of_life_divide_the_shape() -> None:
    plain, squared = fit_weibull(LIVES), fit_weibull(LIVES**2)

    assert squared.shape == pytest.approx(plain.shape / 2.0, rel=1e-9)
    assert squared.scale_interval.low == pytest.approx(plain.scale_interval.low**2, rel=1e-6)


def test_bounds_are_where_the_likelihood_drops_by_the_critical_value() -> None:
    """By brute force: the profile likelihood of the 10 % life at its bounds, on a fine grid of shapes."""
    fit = fit_weibull(LIVES)
    reduced = math.log(-math.log(0.9))
    critical = life._critical(fit, reduced)
    interval = life_quantile(fit, 0.1).interval

    for bound in (interval.low, interval.high):
        shapes = np.exp(np.linspace(-2.0, 2.5, 20_001))
        scales = bound * (-math.log(0.9)) ** (-1.0 / shapes)
        z = (LIVES[:, np.newaxis] / scales) ** shapes
        profile = np.sum(np.log(shapes / scales) + (shapes - 1) * np.log(LIVES[:, np.newaxis] / scales) - z, axis=0)
        assert 2.0 * (fit.log_likelihood - float(profile.max())) == pytest.approx(critical, abs=1e-5)
    # a complete test of 12: above the chi-square value of 3.84, and not by much
    assert 4.0 < critical < 5.0


def test_quantiles_are_ordered_and_held() -> None:
    fit = fit_weibull(LIVES)
    quantiles = [life_quantile(fit, p) for p in (0.01, 0.1, 0.5, 0.9)]

    assert [item.value for item in quantiles] == sorted(item.value for item in quantiles)
    assert all(item.value in item.interval for item in quantiles)
    assert life_quantile(fit, 1.0 - math.exp(-1.0)).interval.low == pytest.approx(fit.scale_interval.low, rel=1e-6)
    assert fit.shape in fit.shape_interval


def test_few_failures_are_honest() -> None:
    """Three failures of ten, stopped at the third: wide bounds, wider than with all ten failed."""
    ordered = np.sort(LIVES)[:10]
    few = fit_weibull(np.minimum(ordered, ordered[2]), ordered <= ordered[2], stopped_by="failure")
    every = fit_weibull(ordered)

    assert few.shape_interval.high / few.shape_interval.low > 2.0 * every.shape_interval.high / every.shape_interval.low
    assert few.failures == 3


def test_the_stopping_rule_matters() -> None:
    ordered = np.sort(LIVES)[:10]
    lives, failed = np.minimum(ordered, ordered[3]), ordered <= ordered[3]
    by_failure = fit_weibull(lives, failed, stopped_by="failure")
    by_time = fit_weibull(lives, failed, stopped_by="time")

    assert by_failure.shape == by_time.shape
    assert by_failure.shape_interval.high > by_time.shape_interval.high


def test_progressive_patterns_are_counted() -> None:
    fit = fit_weibull([1.0, 2.0, 2.0, 3.0, 4.0, 4.0, 4.0], [1, 1, 0, 1, 1, 0, 0], stopped_by="failure")

    assert life._pattern(fit) == (0, 1, 0, 2)
    assert fit.shape in fit.shape_interval


def test_simulated_patterns_have_the_right_order_statistics() -> None:
    """Stopped at the 3rd of 6 failures: −ln S of the last is a sum of exponentials, mean 1/6 + 1/5 + 1/4."""
    draw = np.random.default_rng(1)
    removed = np.array([0, 0, 3])
    m = 3
    powers = np.log(draw.random((200_000, m))) / (np.arange(1, m + 1) + np.cumsum(removed[::-1]))
    lives = -np.cumsum(powers[:, ::-1], axis=1)

    assert lives.mean(axis=0) == pytest.approx([1 / 6, 1 / 6 + 1 / 5, 1 / 6 + 1 / 5 + 1 / 4], rel=0.01)


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="2 failures at least, found 1"):
        fit_weibull([1.0, 2.0], [1, 0])
    with pytest.raises(NotEnoughReadings, match="shape has no bound"):
        fit_weibull([2.0, 2.0, 1.0], [1, 1, 0])
    with pytest.raises(BadReadings, match="lives are above 0"):
        fit_weibull([0.0, 1.0])
    with pytest.raises(BadReadings, match="true or false"):
        fit_weibull([1.0, 2.0], [1, 2])
    with pytest.raises(BadReadings, match="2 lives and 3 failure marks"):
        fit_weibull([1.0, 2.0], [1, 1, 0])
    with pytest.raises(BadReadings, match="reading 1 is nan"):
        fit_weibull([1.0, math.nan])
    with pytest.raises(BadReadings, match="wasn't stopped by failures"):
        fit_weibull([1.0, 2.0, 2.5], [1, 1, 0], stopped_by="failure")
    with pytest.raises(BadReadings, match="fraction failed"):
        life_quantile(fit_weibull(LIVES), 0.0)
