"""Attempts of a night, counted and shown."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from stepwitness.history.attempts import nights_of
from stepwitness.history.past import EarlierRun

NIGHT = datetime.fromisoformat("2026-11-20T02:10:00+00:00")


def run(verdict: str, *, hours: float = 0.0, attempt: int = 1, previous: str | None = None) -> EarlierRun:
    started = (NIGHT + timedelta(hours=hours)).isoformat()
    return EarlierRun(f"r{hours:g}-{attempt}", started, attempt, previous, verdict)


def test_a_pass_after_a_failure_in_the_same_night_is_flaky_and_shows_both() -> None:
    (night,) = nights_of([run("PASS", hours=1), run("FAIL")])

    assert night.flaky
    assert night.in_words() == "attempt 1 FAIL (r0-1), attempt 2 PASS"


def test_a_rerun_in_one_run_is_ordered_by_its_attempt() -> None:
    (night,) = nights_of([run("PASS", attempt=2, previous="r0-1"), run("FAIL")])

    assert [one.attempt for one in night.runs] == [1, 2]
    assert night.flaky


@pytest.mark.parametrize("verdicts", [("PASS", "PASS"), ("PASS", "FAIL"), ("FAIL", "FAIL"), ("PASS",)])
def test_what_is_not_flaky(verdicts: tuple[str, ...]) -> None:
    (night,) = nights_of([run(verdict, hours=hours) for hours, verdict in enumerate(verdicts)])

    assert not night.flaky


def test_the_next_night_is_another_one() -> None:
    assert len(nights_of([run("FAIL"), run("PASS", hours=24)])) == 2


def test_a_later_attempt_belongs_to_the_run_that_it_follows() -> None:
    (night,) = nights_of([run("ABORTED"), run("PASS", hours=20, attempt=2, previous="r0-1")])

    assert night.flaky


def test_a_partial_run_is_no_attempt() -> None:
    (night,) = nights_of([run("PARTIAL"), run("PASS", hours=1)])

    assert not night.flaky
    assert len(night.runs) == 1
