"""CUSUM and EWMA: paths by hand, run lengths against simulation, limits that give them, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stepwitness.metrology import sequential_charts as charts
from stepwitness.metrology.statistics import BadReadings


def test_a_cusum_by_hand() -> None:
    chart = charts.cusum([11.0, 9.0, 12.0, 13.0], centre=10.0, sd=1.0, reference=0.5, decision=3.0)

    assert chart.high.tolist() == [0.5, 0.0, 1.5, 4.0]
    assert chart.low.tolist() == [0.0, 0.5, 0.0, 0.0]
    assert chart.alarms == (3,)
    assert charts.cusum([10.0], centre=10.0, sd=1.0, decision=4.0, head_start=2.0).high.tolist() == [1.5]


def test_an_ewma_by_hand() -> None:
    chart = charts.ewma([12.0, 10.0], centre=10.0, sd=1.0, weight=0.5, width=1.0)

    assert chart.path.tolist() == [11.0, 10.5]
    # variances of the path: 0.25, and 0.25 + 0.0625
    assert (chart.upper - 10.0).tolist() == pytest.approx([0.5, math.sqrt(0.3125)])
    assert chart.alarms == (0,)


def test_a_weight_of_one_is_a_shewhart_chart() -> None:
    assert charts.ewma_run_length(weight=1.0, width=3.0) == pytest.approx(370.398347, abs=1e-5)
    assert charts.ewma([5.0, 1.0], centre=0.0, sd=1.0, weight=1.0).path.tolist() == [5.0, 1.0]


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_run_lengths_by_simulation(shift: float) -> None:
    draw = np.random.default_rng(8)
    by_cusum, by_ewma = [], []
    for _ in range(500):
        points = draw.standard_normal(700 if shift == 0.0 else 150) + shift
        sums = charts.cusum(points, centre=0.0, sd=1.0, decision=3.0)
        means = charts.ewma(points, centre=0.0, sd=1.0, weight=0.3, width=2.3, steady=True)
        by_cusum.append(sums.alarms[0] + 1)
        by_ewma.append(means.alarms[0] + 1)

    stated = charts.cusum_run_length(decision=3.0, shift=shift)
    assert np.mean(by_cusum) == pytest.approx(stated, abs=float(4.5 * np.std(by_cusum) / math.sqrt(500)))
    stated = charts.ewma_run_length(weight=0.3, width=2.3, shift=shift)
    assert np.mean(by_ewma) == pytest.approx(stated, abs=float(4.5 * np.std(by_ewma) / math.sqrt(500)))


@pytest.mark.parametrize("length", [5.0, 100.0, 370.4, 1e5])
def test_limits_give_their_run_length(length: float) -> None:
    assert charts.cusum_run_length(decision=charts.cusum_decision(run_length=length)) == pytest.approx(length, rel=1e-8)
    assert charts.ewma_run_length(width=charts.ewma_width(run_length=length)) == pytest.approx(length, rel=1e-8)


def test_wider_limits_sound_later() -> None:
    cusums = [charts.cusum_run_length(decision=h) for h in (1.0, 2.0, 4.0, 5.0)]
    ewmas = [charts.ewma_run_length(width=width) for width in (1.0, 2.0, 3.0, 4.0)]

    assert cusums == sorted(cusums)
    assert ewmas == sorted(ewmas)


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="reading 0 is nan"):
        charts.cusum([math.nan], centre=0.0, sd=1.0)
    with pytest.raises(BadReadings, match="standard deviation"):
        charts.ewma([1.0], centre=0.0, sd=0.0)
    with pytest.raises(BadReadings, match=r"weight is 1.5"):
        charts.ewma([1.0], centre=0.0, sd=1.0, weight=1.5)
    with pytest.raises(BadReadings, match="don't suit"):
        charts.cusum([1.0], centre=0.0, sd=1.0, decision=3.0, head_start=3.0)
    with pytest.raises(BadReadings, match="out of range"):
        charts.cusum_run_length(decision=61.0)
    with pytest.raises(BadReadings, match="too long"):
        charts.ewma_width(run_length=1e15)
    with pytest.raises(BadReadings, match="too short"):
        charts.cusum_decision(run_length=0.5)
    with pytest.raises(BadReadings, match="use a CUSUM"):
        charts.ewma_run_length(weight=0.001)
