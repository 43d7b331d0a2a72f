"""Warm-up and settling: what a plan asks for is done before the first reading, and written down."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import pytest

from stepwitness.bench import motion
from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.procedures import backlash
from stepwitness.procedures.acquisition import acquire
from stepwitness.procedures.preparation import RUN_IN, WARM_UP, Preparation, Strokes, forecast


@dataclass(frozen=True)
class Planned:
    procedure: Any
    settings: Any


PLANNED = Planned(backlash.PROCEDURE, backlash.Settings(places=1, repeats=2))


def acquired(bench: BenchDescription, journal: Any, preparation: Preparation) -> float:
    with open_bench(bench) as opened:
        acquire(opened, PLANNED, journal, preparation=preparation)
        return opened.clock.now()


def test_strokes_go_over_the_whole_envelope_before_the_first_reading(doser: BenchDescription, kept: type[Any]) -> None:
    order: list[str] = []
    journal = kept(lambda table, _: order.append(table))
    acquired(doser, journal, Preparation(None, Strokes(strokes=3)))
    rows = journal.tables[WARM_UP]

    assert journal.outcome == "done"
    assert [row["stroke"] for row in rows] == [0, 0, 1, 1, 2, 2]
    assert [row["counted_m"] for row in rows] == pytest.approx([0.059, 0.001] * 3, abs=1e-5)
    assert order.index("reversals") > len(order) - 1 - order[::-1].index(WARM_UP)


def test_a_new_unit_is_run_in_before_it_is_warmed_up(doser: BenchDescription, kept: type[Any]) -> None:
    order: list[str] = []
    journal = kept(lambda table, _: order.append(table))
    acquired(doser, journal, Preparation(Strokes(strokes=2), Strokes(strokes=1)))

    assert [table for table in order if table in (RUN_IN, WARM_UP)] == [RUN_IN] * 4 + [WARM_UP] * 2


def test_strokes_for_a_time_last_that_long(doser: BenchDescription, kept: type[Any]) -> None:
    journal = kept()
    acquired(doser, journal, Preparation(None, Strokes(time_s=30.0)))
    times = [row["t_s"] for row in journal.tables[WARM_UP]]

    assert 26.0 < times[-1] - times[0] < 36.0


def test_a_forecast_says_how_long(doser: BenchDescription) -> None:
    found = forecast(doser, Strokes(strokes=10))

    assert found.phrase == "10 strokes"
    assert found.duration_s == pytest.approx(20 * (0.058 / 0.03 + 0.03 / 0.5))


def test_the_plans_settling_is_the_least_rest(doser: BenchDescription, kept: type[Any]) -> None:
    plain = acquired(doser, kept(), Preparation())
    longer = acquired(doser, kept(), Preparation(settling_s=1.2))

    # two repeats in both directions, read once each, at 0.2 s of their own
    assert longer - plain == pytest.approx(4 * 1.0, abs=0.05)


def test_the_rest_counts_from_the_drop_to_hold_current(doser: BenchDescription) -> None:
    slow = replace(doser, motor=replace(doser.motor, hold_delay_s=0.7))
    even = replace(slow, motor=replace(slow.motor, hold_current_a=slow.motor.rated_current_a))
    for bench, rest_s in ((doser, 0.2), (slow, 0.9), (even, 0.2)):
        with open_bench(bench) as opened:
            before_s = opened.clock.now()
            motion.settle(opened, 0.2)
            assert opened.clock.now() - before_s == pytest.approx(rest_s)


def test_a_stall_while_warming_up_aborts_the_procedure(doser: BenchDescription, kept: type[Any]) -> None:
    assert doser.stand_in is not None
    load = replace(doser.stand_in.load, stop_high_m=0.040)
    journal = kept()
    acquired(
        replace(doser, stand_in=replace(doser.stand_in, load=load)), journal, Preparation(None, Strokes(strokes=2))
    )

    assert journal.outcome == "aborted"
    assert "stopped following" in journal.cause
    assert "reversals" not in journal.tables
