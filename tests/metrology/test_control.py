"""Shewhart charts: by hand, invariants, false alarms against simulation, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.metrology import control
from stepwitness.metrology.run_rules import FOUR_RULES
from stepwitness.metrology.statistics import BadReadings, NotEnoughReadings


def test_individuals_by_hand() -> None:
    """Moving ranges 1, 2, 3: mean 2, sd 2/1.128, limits 2.66 ranges off, 3.267 ranges up."""
    base = control.individuals_baseline([10.0, 11.0, 9.0, 12.0])

    assert base.centre == 10.5
    assert base.sd == pytest.approx(2.0 / 1.1283791671)
    assert base.location.upper == pytest.approx(10.5 + 2.0 * 2.6586807, abs=1e-6)
    assert base.spread.upper == pytest.approx(2.0 * 3.2665319, abs=1e-6)
    assert base.spread.lower == 0.0
    chart = control.chart(base, [10.5, 10.0, 17.0])
    assert [alarm.index for alarm in chart.location_alarms] == [2]
    assert chart.spread_alarms == (2,)
    assert math.isnan(chart.spread[0])


def test_subgroups_by_hand() -> None:
    """Ranges 2 and 4 of threes: mean 3, A2 = 1.0233, D4 = 2.5746."""
    groups = [[0.0, 1.0, 2.0], [4.0, 0.0, 2.0]]
    by_range = control.subgroup_baseline(groups, kind="range")
    by_sd = control.subgroup_baseline(groups, kind="sd")

    assert by_range.centre == 1.5
    assert by_range.location.upper - 1.5 == pytest.approx(3.0 * 1.0233267, abs=1e-6)
    assert by_range.spread.upper == pytest.approx(3.0 * 2.5745913, abs=1e-6)
    assert by_sd.location.upper - 1.5 == pytest.approx(1.5 * 1.9544100, abs=1e-6)
    assert by_sd.spread.upper == pytest.approx(1.5 * 2.5681696, abs=1e-6)
    chart = control.chart(by_range, [[1.0, 1.0, 1.0], [0.0, 9.0, 1.0]])
    assert chart.spread_alarms == (1,)
    assert chart.location.tolist() == pytest.approx([1.0, 10.0 / 3.0])


@settings(max_examples=40)
@given(
    st.lists(st.integers(-30, 30), min_size=4, max_size=15).filter(lambda v: len(set(v)) > 1),
    st.integers(-99, 99),
    st.sampled_from([0.5, 8.0]),
)
def test_shift_and_unit_change_no_alarm(values: list[int], shift: int, unit: float) -> None:
    moved = [(value + shift) * unit for value in values]
    plain_base, moved_base = control.individuals_baseline(values), control.individuals_baseline(moved)
    plain = control.chart(plain_base, values, rules=FOUR_RULES)
    after = control.chart(moved_base, moved, rules=FOUR_RULES)

    assert moved_base.location.upper == pytest.approx((plain_base.location.upper + shift) * unit, abs=1e-9)
    assert after.spread_alarms == plain.spread_alarms
    # a point on a zone's edge may fall either way by rounding
    edges = np.abs(np.abs((plain.location - plain_base.centre) / plain_base.sd)[:, np.newaxis] - np.arange(4.0))
    if float(edges.min()) > 1e-9:
        assert after.location_alarms == plain.location_alarms


@pytest.mark.parametrize(("kind", "n"), [("individuals", 1), ("range", 5), ("sd", 5), ("sd", 8)])
def test_false_alarms_of_given_limits_by_simulation(kind: control.Kind, n: int) -> None:
    base = control.given_baseline(centre=0.0, sd=1.0, n=n, kind=kind)
    location, spread = control.false_alarm_rate(base)
    points = np.random.default_rng(9).standard_normal((60_000, n) if n > 1 else 60_000)
    chart = control.chart(base, points)

    assert location == pytest.approx(0.0026998, rel=1e-4)
    assert len(chart.location_alarms) / 60_000 == pytest.approx(location, abs=0.0009)
    assert len(chart.spread_alarms) / 60_000 == pytest.approx(spread, abs=0.0016)


@pytest.mark.parametrize("subgroups", [10, 25])
def test_false_alarms_of_a_short_baseline_by_simulation(subgroups: int) -> None:
    draw = np.random.default_rng(subgroups)
    beyond = 0
    for _ in range(4000):
        base = control.individuals_baseline(draw.standard_normal(subgroups))
        fresh = draw.standard_normal(20)
        beyond += int(np.sum((fresh > base.location.upper) | (fresh < base.location.lower)))
    stated, _ = control.false_alarm_rate(base)

    assert stated > 0.0027
    assert beyond / 80_000 == pytest.approx(stated, rel=0.15)


def test_worth_of_a_baseline_by_simulation() -> None:
    draw = np.random.default_rng(1)
    moving = [control.individuals_baseline(row).sd for row in draw.standard_normal((3000, 20))]
    ranges = [control.subgroup_baseline(row, kind="range").sd for row in draw.standard_normal((3000, 6, 4))]

    for sds, base in (
        (moving, control.individuals_baseline(np.arange(20.0))),
        (ranges, control.subgroup_baseline(np.arange(24.0).reshape(6, 4), kind="range")),
    ):
        cv = float(np.std(sds) / np.mean(sds))
        df = base.degrees_of_freedom
        chi = np.sqrt(draw.chisquare(df, 100_000) / df)
        assert cv == pytest.approx(float(np.std(chi) / np.mean(chi)), rel=0.05)


def test_refusals() -> None:
    with pytest.raises(NotEnoughReadings, match="no spread, so no control limits"):
        control.individuals_baseline([1.0, 1.0, 1.0])
    with pytest.raises(NotEnoughReadings, match="3 is the least"):
        control.individuals_baseline([1.0, 2.0])
    with pytest.raises(BadReadings, match="unequal length"):
        control.subgroup_baseline([[1.0, 2.0], [1.0]], kind="sd")
    base = control.subgroup_baseline([[1.0, 2.0], [1.0, 4.0]], kind="sd")
    with pytest.raises(BadReadings, match="subgroups of 3 on a chart for subgroups of 2"):
        control.chart(base, [[1.0, 2.0, 3.0]])
    with pytest.raises(BadReadings, match="don't suit"):
        control.given_baseline(centre=0.0, sd=1.0, n=3)
    with pytest.raises(BadReadings, match="standard deviation"):
        control.given_baseline(centre=0.0, sd=math.nan)
    with pytest.raises(BadReadings, match="reading 1 is nan"):
        control.chart(control.given_baseline(centre=0.0, sd=1.0), [0.0, math.nan])
