"""A characteristic against its past: splits that begin it anew, words that a reader is told, and the policy."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import numpy as np
import pytest

from stepwitness.axis import Axis, Orientation
from stepwitness.findings import Limit
from stepwitness.history.comparison import Compared, compare
from stepwitness.history.past import Point
from stepwitness.history.wording import in_words
from stepwitness.metrology.trend import Status, Watch
from stepwitness.plan.description import HistoryPolicy, OnChange

AXIS = Axis("doser", 200, 16, Fraction(2, 1000), Fraction(60, 1000), Orientation.HORIZONTAL, None)
WATCH = Watch().shared(13)

Night = Callable[..., Point]
Values = Callable[[int], float]


@pytest.fixture
def history(night: Night, limit: Limit) -> Callable[..., Compared]:
    """So many nights of 18 µm with a scatter of 0.5 µm, and what `more_um` adds by night."""

    def made(nights: int, more_um: Values = lambda _: 0.0, plan: Callable[[int], str] = lambda _: "a") -> Compared:
        scatter = np.random.default_rng(11).normal(0.0, 0.5, nights)
        points = [
            night(number, (18.0 + scatter[number] + more_um(number)) * 1e-6, splits={"plan": plan(number)})
            for number in range(nights)
        ]
        return compare("backlash", limit, points, WATCH)

    return made


def test_first_nights_are_new_and_then_the_same(history: Callable[..., Compared]) -> None:
    assert in_words(history(1), AXIS) == "new, run 1"
    assert in_words(history(30), AXIS) == "same as 29 runs before"


def test_a_revised_plan_begins_a_new_history_and_is_named(history: Callable[..., Compared]) -> None:
    found = history(40, lambda number: 9.0 if number >= 38 else 0.0, lambda number: "b" if number >= 38 else "a")

    assert found.status is Status.NEW
    assert found.first == 38
    assert in_words(found, AXIS) == "new, run 2 since the plan was revised"


def test_new_firmware_is_named_with_both_versions(night: Night, limit: Limit) -> None:
    points = [night(0, 1e-6, splits={"firmware": "drive A 1.2"}), night(1, 1e-6, splits={"firmware": "drive A 1.3"})]
    words = in_words(compare("backlash", limit, points, WATCH), AXIS)

    assert words == "new, run 1 since a part's firmware or identity changed (drive A 1.2, now drive A 1.3)"


def test_a_drift_is_told_with_its_rate_and_the_date_of_the_limit(history: Callable[..., Compared]) -> None:
    found = history(60, lambda number: 0.08 * max(0, number - 30))
    words = in_words(found, AXIS)

    assert found.status is Status.DRIFTED
    assert words.startswith("drifted +0.5")
    assert " a week since 2026-0" in words
    assert "at its limit 25 µm about 2026-1" in words.replace("\u2009", " ")


def test_a_step_is_told_with_its_size_and_its_first_run(history: Callable[..., Compared]) -> None:
    found = history(40, lambda number: 6.0 if number >= 36 else 0.0)

    assert found.status is Status.STEP
    assert in_words(found, AXIS).replace("\u2009", " ") == "step change of +6.12 µm since the run of 2026-10-07"


def test_a_step_of_tonight_is_told_so(history: Callable[..., Compared]) -> None:
    words = in_words(history(40, lambda number: -9.0 if number == 39 else 0.0), AXIS)

    assert words.startswith("step change of −")
    assert words.endswith("in this run")


def test_the_policy_says_what_fails(history: Callable[..., Compared]) -> None:
    step = history(40, lambda number: 6.0 if number >= 36 else 0.0)
    drift = history(60, lambda number: 0.08 * max(0, number - 30))

    assert not step.fails(HistoryPolicy())
    assert step.fails(HistoryPolicy(on_step=OnChange.FAIL))
    assert not drift.fails(HistoryPolicy(on_step=OnChange.FAIL))
    assert drift.fails(HistoryPolicy(on_drift=OnChange.FAIL))
    assert not history(30).fails(HistoryPolicy(on_drift=OnChange.FAIL, on_step=OnChange.FAIL))
