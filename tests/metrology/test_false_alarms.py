"""False alarms a night: by hand, against simulation, and limits that keep a wanted rate."""

from __future__ import annotations

import numpy as np
import pytest

from stepwitness.metrology import run_rules, sequential_charts
from stepwitness.metrology.false_alarms import Watch, limits_for_night, per_night
from stepwitness.metrology.statistics import BadReadings


def test_two_charts_by_hand() -> None:
    night = per_night([Watch("R", 2, 10.0), Watch("B", 1, 5.0)])

    assert (night.charts, night.points) == (2, 3)
    assert night.expected == pytest.approx(0.4)
    assert night.probability == pytest.approx(1.0 - 0.9 * 0.9 * 0.8)
    assert night.at_most == pytest.approx(0.4)
    assert night.nights_between == pytest.approx(1.0 / 0.352)


def test_a_usual_plan_cries_wolf_often() -> None:
    """Forty characteristics at three sd, a point each a night: one night in ten."""
    night = per_night([Watch(f"c{index}", 1, 370.398) for index in range(40)])

    assert night.probability == pytest.approx(0.1025, abs=5e-4)
    assert night.probability < night.at_most


def test_limits_keep_the_rate_by_simulation() -> None:
    limits = limits_for_night(points=30, risk=0.05)
    points = np.random.default_rng(12).standard_normal((20_000, 30))
    alarmed = np.mean(np.any(np.abs(points) > limits.shewhart_width, axis=1))

    assert alarmed == pytest.approx(0.05, abs=0.006)
    assert per_night([Watch("all", 30, limits.run_length)]).probability == pytest.approx(0.05, rel=1e-9)
    assert sequential_charts.ewma_run_length(width=limits.ewma_width) == pytest.approx(limits.run_length, rel=1e-7)
    assert sequential_charts.cusum_run_length(decision=limits.cusum_decision) == pytest.approx(
        limits.run_length, rel=1e-7
    )
    own = run_rules.RunRule("own", 1, 1, limits.shewhart_width)
    assert run_rules.average_run_length((own,)) == pytest.approx(limits.run_length, rel=1e-9)


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="no chart is watched"):
        per_night([])
    with pytest.raises(BadReadings, match=r"run length of R is 1.0"):
        per_night([Watch("R", 1, 1.0)])
    with pytest.raises(BadReadings, match="points of R"):
        per_night([Watch("R", -1, 370.0)])
    with pytest.raises(BadReadings, match="no chart gets a point"):
        per_night([Watch("R", 0, 370.0)])
    with pytest.raises(BadReadings, match="the risk"):
        limits_for_night(points=3, risk=0.0)
