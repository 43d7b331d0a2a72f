"""Histories that stay, drift or step: what is said of them, when, and how often wrongly."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.inputs import Floats
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.trend import LEAST, Status, Trend, Watch, _pair_quantile, replay, trend

DAY_S = 86400.0
WATCH = Watch(baseline=20, risk=3e-4)


def judged(values: Floats, *, u: float = 0.1, **given: float) -> Trend:
    n = len(values)
    return trend(np.arange(n) * DAY_S, values, np.full(n, u), watch=WATCH, **given)


def noise(n: int, *, seed: int = 7) -> Floats:
    return np.random.default_rng(seed).normal(10.0, 1.0, n)


def test_a_short_history_is_new() -> None:
    assert judged(noise(LEAST)).status is Status.NEW
    assert judged(noise(LEAST + 1)).status is Status.SAME


def test_a_history_that_stays_is_the_same() -> None:
    found = judged(noise(60))

    assert found.status is Status.SAME
    assert found.level is not None
    assert found.level.runs == tuple(range(20))
    assert found.level.centre == pytest.approx(noise(60)[:20].mean())
    assert math.isnan(found.path[19])
    assert not math.isnan(found.path[20])


def test_a_step_is_placed_where_it_was_made() -> None:
    values = noise(50)
    values[38:] += 5.0
    found = judged(values)

    assert found.status is Status.STEP
    assert found.step is not None
    assert found.step.first <= 38 <= found.step.last
    assert found.step.shift == pytest.approx(5.0, abs=0.8)
    assert found.ramp is None


def test_two_runs_in_a_row_are_enough_for_a_step_that_one_does_not_show() -> None:
    values = noise(42)
    values[40:] = values[:20].mean() + 4.5 * values[:20].std(ddof=1)

    assert judged(values[:41]).status is Status.SAME
    assert judged(values).status is Status.STEP


def test_one_run_far_out_is_told_that_night_and_no_other() -> None:
    values = noise(50)
    values[40] += 12.0

    assert judged(values[:41]).step is not None
    assert judged(values[:42]).status is Status.SAME
    assert judged(values).status is Status.SAME
    assert judged(values).alarms == (40,)


def test_a_run_far_out_does_not_enter_the_baseline() -> None:
    values = noise(40)
    values[12] += 40.0
    found = judged(values)

    assert found.level is not None
    assert found.level.runs == (*range(12), *range(13, 21))


def test_a_step_inside_the_baseline_is_seen_once_it_is_complete() -> None:
    values = noise(30)
    values[11:] += 4.5
    found = judged(values)

    assert found.status is Status.STEP
    assert found.alarms[0] == 19
    assert found.step is not None
    assert found.step.index == 11


def test_a_ramp_gives_its_slope_and_the_date_of_the_limit() -> None:
    values = noise(80)
    values[40:] += 0.2 * np.arange(40)
    found = judged(values, upper=26.0)

    assert found.status is Status.DRIFTED
    assert found.ramp is not None
    assert found.ramp.slope_per_s * DAY_S == pytest.approx(0.2, abs=3 * found.ramp.u_slope_per_s * DAY_S)
    crossing, earliest, latest = found.ramp.crossing_s, found.ramp.earliest_s, found.ramp.latest_s
    assert crossing is not None
    assert earliest is not None
    assert latest is not None
    # the line meets 26 at run 40 + 16/0.2
    assert earliest < 120 * DAY_S < latest
    assert earliest < crossing < latest


def test_a_ramp_away_from_its_limit_crosses_nothing() -> None:
    values = noise(80)
    values[40:] -= 0.2 * np.arange(40)
    ramp = judged(values, upper=26.0).ramp

    assert ramp is not None
    assert ramp.slope_per_s < 0.0
    assert ramp.crossing_s is None


def test_fieller_interval_of_a_line_by_hand() -> None:
    """Five readings on a line of slope 1 with residuals ±0.1: the interval's ends solve its quadratic."""
    values = np.concatenate([np.tile([0.0, 0.002, -0.002], 10), [0.0, 1.1, 1.9, 3.1, 3.9]])
    found = trend(np.arange(35.0), values, np.full(35, 0.001), watch=WATCH, upper=10.0)

    assert found.ramp is not None
    index = found.ramp.index
    t, x = np.arange(index, 35.0), values[index:]
    (slope, offset), residual = np.polyfit(t, x, 1), 0.0
    residual = float(np.sum((x - slope * t - offset) ** 2)) / (len(x) - 2)
    assert found.ramp.crossing_s == pytest.approx((10.0 - offset) / slope)
    from scipy import stats

    for end in (found.ramp.earliest_s, found.ramp.latest_s):
        assert end is not None
        variance = residual * (1 / len(x) + (end - t.mean()) ** 2 / np.sum((t - t.mean()) ** 2))
        assert abs(offset + slope * end - 10.0) == pytest.approx(
            stats.t.ppf(0.975, len(x) - 2) * math.sqrt(variance), rel=1e-6
        )


def test_a_change_within_the_uncertainty_of_a_reading_is_none() -> None:
    values = 10.0 + 0.01 * np.random.default_rng(3).normal(size=40)
    values[30:] += 0.2

    assert judged(values, u=0.3).status is Status.SAME
    assert judged(values, u=0.01).status is Status.STEP


def test_things_that_are_counted_may_flip_once_but_not_stay() -> None:
    values = np.zeros(40)
    values[30] = 1.0

    assert judged(values[:31], u=0.0, resolution=1.0).status is Status.SAME
    values[30:] = 1.0
    assert judged(values[:32], u=0.0, resolution=1.0).status is Status.STEP


def test_without_spread_any_other_value_is_a_step() -> None:
    values = np.full(30, 2.5)
    assert judged(values, u=0.0).status is Status.SAME
    values[29] = 2.6
    assert judged(values, u=0.0).status is Status.STEP


@pytest.mark.parametrize("n", [6, 10, 20, 30])
def test_the_limit_for_two_in_a_row_has_the_risk_that_it_is_given(n: int) -> None:
    draw = np.random.default_rng(n)
    base = draw.normal(size=(100_000, n))
    pair = draw.normal(size=(100_000, 2))
    z = (pair - base.mean(axis=1, keepdims=True)) / base.std(axis=1, ddof=1, keepdims=True)
    k = _pair_quantile(0.01, n)
    outside = np.mean((z.min(axis=1) > k) | (z.max(axis=1) < -k))

    assert outside == pytest.approx(0.01, abs=4 * math.sqrt(0.01 / 100_000))


def test_alarms_of_a_history_that_stays_are_as_rare_as_the_risk_says() -> None:
    """At a risk large enough to be counted: 2,000 histories of 40 nights, on the night of each."""
    watch, draw, u = Watch(baseline=10, risk=0.05), np.random.default_rng(5), np.full(40, 0.01)
    nights = np.zeros(40)
    for _ in range(2000):
        nights[list(replay(draw.normal(size=40), u, watch=watch).alarms)] += 1.0

    assert np.max(nights[10:]) / 2000 < 0.05
    assert np.mean(nights[10:]) / 2000 > 0.02  # the checks overlap, so a part of the risk is left over


@pytest.mark.parametrize(("spreads", "nights"), [(6.0, 1), (4.0, 2), (3.0, 6), (2.0, 20)])
def test_half_of_all_steps_are_seen_within_so_many_nights(spreads: float, nights: int) -> None:
    """Thirty histories; the whole table is that of ``benches/measurements/drift_detection.py``."""
    draw, u, delays = np.random.default_rng(17), np.full(80, 0.1), []
    for _ in range(30):
        values = draw.normal(size=80)
        values[30:] += spreads
        delays.append(next((index - 30 for index in replay(values, u, watch=WATCH).alarms if index >= 30), 99))

    assert float(np.median(delays)) <= nights


@given(
    st.lists(st.floats(-1e6, 1e6), min_size=6, max_size=40),
    st.floats(1e-3, 1e3),
    st.floats(-1e3, 1e3),
)
def test_scale_and_origin_change_nothing(values: list[float], scale: float, origin: float) -> None:
    x = np.array(values)
    u = np.full(len(x), 1.0 + float(np.ptp(x)) / 10)
    first = replay(x, u, watch=WATCH)
    again = replay(scale * x + origin, scale * u, watch=WATCH)

    assert again.alarms == first.alarms
    assert again.level.runs == first.level.runs


def test_what_is_not_a_history_is_refused() -> None:
    with pytest.raises(BadReadings, match="times fall"):
        trend([1.0, 0.0], [1.0, 2.0], [0.1, 0.1], watch=WATCH)
    with pytest.raises(BadReadings, match="2 values, 1 times"):
        trend([1.0], [1.0, 2.0], [0.1, 0.1], watch=WATCH)
    with pytest.raises(BadReadings, match="baseline"):
        Watch(baseline=4)
    with pytest.raises(BadReadings, match="risk"):
        Watch(risk=0.0)
