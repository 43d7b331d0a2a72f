"""Run rules: what they see, and how often they sound, against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology import run_rules as rules
from stepwitness.metrology.statistics import BadReadings

EVERY = (*rules.FOUR_RULES, rules.FIFTEEN_WITHIN, rules.EIGHT_WITHOUT)


@pytest.mark.parametrize(
    ("points", "rule", "index", "side"),
    [
        ([0.0, -3.1], rules.BEYOND_LIMIT, 1, -1),
        ([2.1, 0.0, 2.2], rules.TWO_OF_THREE, 2, 1),
        ([1.1, 1.2, -0.5, 1.3, 1.4], rules.FOUR_OF_FIVE, 4, 1),
        ([-0.1] * 8, rules.EIGHT_ON_ONE_SIDE, 7, -1),
        ([0.5, -0.5] * 8, rules.FIFTEEN_WITHIN, 14, 0),
        ([1.5, -1.5] * 4, rules.EIGHT_WITHOUT, 7, 0),
    ],
)
def test_each_rule_is_met_first_where_it_should(
    points: list[float], rule: rules.RunRule, index: int, side: int
) -> None:
    found = rules.alarms(points, (rule,))

    assert found[0] == rules.Alarm(index, rule.name, side)
    assert not rules.alarms(points[:index], (rule,))


def test_two_beyond_on_opposite_sides_are_no_pair() -> None:
    assert not rules.alarms([2.1, -2.1, 0.0], (rules.TWO_OF_THREE,))


@given(st.lists(st.floats(-4.0, 4.0), max_size=30))
def test_mirrored_points_sound_on_the_other_side(points: list[float]) -> None:
    plain = {(alarm.index, alarm.rule, alarm.side) for alarm in rules.alarms(points, EVERY)}
    mirrored = {(alarm.index, alarm.rule, -alarm.side) for alarm in rules.alarms([-z for z in points], EVERY)}

    assert plain == mirrored


@pytest.mark.parametrize("shift", [0.0, 1.0])
def test_run_lengths_by_simulation(shift: float) -> None:
    """The chain and the chart must agree: runs to the first alarm that `alarms` itself finds."""
    draw = np.random.default_rng(17)
    lengths = []
    for _ in range(400):
        points = draw.standard_normal(900 if shift == 0.0 else 120) + shift
        found = rules.alarms(points, EVERY)
        lengths.append(found[0].index + 1 if found else len(points))
    stated = rules.average_run_length(EVERY, shift=shift)

    assert float(np.mean(lengths)) == pytest.approx(stated, abs=4.5 * float(np.std(lengths)) / 20.0)


def test_more_rules_sound_sooner_and_shifts_are_seen_sooner() -> None:
    lengths = [rules.average_run_length(rules.FOUR_RULES[:k]) for k in range(1, 5)]
    shifted = [rules.average_run_length(rules.FOUR_RULES, shift=shift) for shift in (0.0, 0.5, 1.0, 2.0)]

    assert lengths == sorted(lengths, reverse=True)
    assert shifted == sorted(shifted, reverse=True)
    assert rules.average_run_length(rules.FOUR_RULES, shift=-1.0) == pytest.approx(shifted[2], rel=1e-9)


def test_a_limit_for_a_run_length() -> None:
    limit = rules.limit_for_run_length(1000.0)

    assert rules.average_run_length((rules.RunRule("own", 1, 1, limit),)) == pytest.approx(1000.0, rel=1e-9)


def test_refusals() -> None:
    with pytest.raises(BadReadings, match="no run rule"):
        rules.alarms([0.0], ())
    with pytest.raises(BadReadings, match="3 of 2 points"):
        rules.RunRule("own", 3, 2, 1.0)
    with pytest.raises(BadReadings, match="is empty"):
        rules.RunRule("own", 1, 1, 1.0, 1.0)
    with pytest.raises(BadReadings, match="more than 20000 states"):
        rules.average_run_length((rules.RunRule("own", 10, 30, 0.0),))
    with pytest.raises(BadReadings, match="more than one point"):
        rules.limit_for_run_length(1.0)
    with pytest.raises(BadReadings, match="points of a chart"):
        rules.alarms([float("nan")], rules.FOUR_RULES)
