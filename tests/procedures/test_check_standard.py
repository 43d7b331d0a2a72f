"""The instruments against what is known: what a good bench says, and what a gauge with a wrong scale says."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput
from stepwitness.findings import Estimate
from stepwitness.procedures.check_standard import PROCEDURE, Settings

Estimated = Callable[..., dict[str, Estimate]]

SETTINGS = Settings(from_m=0.010, to_m=0.030, known_m=0.020, known_u_m=0.4e-6, known_current_a=0.6, artefact="TB-S-12")


def measured(bench: BenchDescription, settings: Settings, kept: type[Any]) -> Any:
    journal = kept()
    with open_bench(bench) as opened:
        PROCEDURE.run(opened, settings, journal)
    return journal


@pytest.fixture(scope="module")
def readings(doser: BenchDescription, kept: type[Any]) -> Any:
    return measured(doser, SETTINGS, kept)


def test_good_instruments_are_within_their_uncertainty(
    readings: Any, doser: BenchDescription, estimated: Estimated
) -> None:
    found = estimated(PROCEDURE, readings, doser, SETTINGS)

    for name in ("gauge_deviation", "counter_deviation", "current_deviation"):
        value = found[name].value
        assert value is not None
        assert abs(value) < 3 * found[name].expanded_uncertainty, name
    assert "gauge against TB-S-12" in found["gauge_deviation"].statement


def test_the_move_is_always_from_below_and_read_at_both_ends(readings: Any) -> None:
    rows = list(readings.rows("references"))

    assert [row["at_end"] for row in rows] == [False, True] * SETTINGS.repeats
    assert all(row["claim_m"] == pytest.approx(0.030 if row["at_end"] else 0.010) for row in rows)


def test_a_gauge_with_a_wrong_scale_is_told_and_the_counter_is_not(
    doser: BenchDescription, kept: type[Any], estimated: Estimated
) -> None:
    assert doser.stand_in is not None
    stand_in = replace(doser.stand_in, gauge=replace(doser.stand_in.gauge, scale_error=500e-6))
    found = estimated(PROCEDURE, measured(replace(doser, stand_in=stand_in), SETTINGS, kept), doser, SETTINGS)

    gauge, counter = found["gauge_deviation"].value, found["counter_deviation"].value
    assert gauge == pytest.approx(10e-6, abs=1e-6)
    assert counter is not None
    assert abs(counter) < 2e-6


def test_known_and_scatter_are_in_the_budget(readings: Any, doser: BenchDescription, estimated: Estimated) -> None:
    lines = {line.source: line for line in estimated(PROCEDURE, readings, doser, SETTINGS)["gauge_deviation"].budget}

    assert lines["known value"].standard_uncertainty == pytest.approx(0.2e-6)
    assert lines["calibration at both ends"].standard_uncertainty == pytest.approx(2**0.5 * 0.6e-6)
    assert lines["scatter of the mean"].degrees_of_freedom == SETTINGS.repeats - 1


def test_what_is_not_there_is_not_observable(doser: BenchDescription, readings: Any, estimated: Estimated) -> None:
    without = replace(SETTINGS, known_current_a=0.0)

    assert "known_current" in estimated(PROCEDURE, readings, doser, without)["current_deviation"].reason
    assert "gauge_deviation" not in PROCEDURE.foresee(replace(doser, gauge=None), SETTINGS)  # type: ignore[misc]


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"to_m": 0.005}, "doesn't rise"),
        ({"from_m": 0.0015}, "beyond the envelope"),
        ({"to_m": 0.0595}, "beyond the envelope"),
        ({"speed_m_per_s": 1.0}, "speed beyond"),
    ],
)
def test_a_move_that_cannot_be_is_refused(doser: BenchDescription, changed: dict[str, float], message: str) -> None:
    with pytest.raises(BadInput, match=message):
        PROCEDURE.check(doser, replace(SETTINGS, **changed))  # type: ignore[arg-type]
