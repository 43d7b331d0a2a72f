"""Thermal drift: the arithmetic on looks made up here, and on the stand-in against what its own screw grew."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput
from stepwitness.findings import Estimate
from stepwitness.procedures.thermal_drift import PROCEDURE, Settings, places_m
from stepwitness.standin.parameters import Ambient

SETTINGS = Settings(duration_s=1800.0, interval_s=60.0)
FIRST_S = 12.0

Moved = Callable[[int, float], float]


def nothing(_place: int, _since_s: float) -> float:
    return 0.0


def looks(
    journal: Any,
    bench: BenchDescription,
    gauge: Moved,
    *,
    counter: Moved = nothing,
    number: int = 31,
    step_s: float = 60.0,
) -> Any:
    """What gauge and counter moved, as functions of (place, seconds since the first look)."""
    for look in range(number):
        since_s = look * step_s
        for index, at in enumerate(places_m(bench, SETTINGS)):
            row = {"look": look, "place_index": index, "place_m": at, "t_s": FIRST_S + since_s}
            seen = {"counted_m": at + counter(index, since_s), "gauge_m": at + gauge(index, since_s)}
            journal.write("looks", {**row, "claim_m": at, **seen})
    return journal


def approach(growth: float, settle_s: float, since_s: float) -> float:
    return growth * -math.expm1(-since_s / settle_s)


class TestArithmetic:
    def test_an_approach_is_found_at_its_size(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        draw = random.Random(1)
        journal = looks(kept(), doser, lambda place, t: approach((4e-6, 20e-6)[place], 500.0, t) + draw.gauss(0, 2e-7))
        found = estimated(PROCEDURE, journal, doser, SETTINGS)
        low_m, high_m = places_m(doser, SETTINGS)
        gone = -math.expm1(-1800 / 500)
        due = {
            "thermal_change": 20e-6 * gone,
            "settled_change": 20e-6,
            "settling_time": 500.0,
            "drift_rate": 20e-6 / 500 * math.exp(-1800 / 500),
            "travel_expansion": 16e-6 * gone / (high_m - low_m),
        }
        for name, value in due.items():
            assert found[name].value == pytest.approx(value, abs=found[name].expanded_uncertainty), name
        assert found["thermal_change"].expanded_uncertainty < 0.4e-6
        assert "at 58.000" in found["thermal_change"].statement

    def test_what_moves_both_places_alike_is_no_expansion(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        """A gauge whose zero drifts."""
        journal = looks(kept(), doser, lambda _place, t: approach(20e-6, 500.0, t))
        found = estimated(PROCEDURE, journal, doser, SETTINGS)
        assert found["thermal_change"].value == pytest.approx(19.5e-6, rel=0.01)
        assert found["travel_expansion"].value == pytest.approx(0.0, abs=1e-9)
        assert "a drift of the gauge's zero" in found["travel_expansion"].statement

    def test_an_axis_that_stays_where_it_is(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        draw = random.Random(2)
        found = estimated(PROCEDURE, looks(kept(), doser, lambda *_: draw.gauss(0, 2e-7)), doser, SETTINGS)
        for name in ("thermal_change", "settled_change"):
            assert abs(found[name].value) < found[name].expanded_uncertainty
            assert "no more than it scatters" in found[name].statement
        assert found["settling_time"].reason == "no change beyond scatter, so nothing that could settle"

    def test_a_straight_drift_isnt_extrapolated(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        draw = random.Random(3)
        journal = looks(kept(), doser, lambda place, t: -(place + 1) * 1e-5 * t / 3600 + draw.gauss(0, 1e-7))
        found = estimated(PROCEDURE, journal, doser, SETTINGS)
        rate = found["drift_rate"]
        assert rate.value * 3600 == pytest.approx(-2e-5, abs=rate.expanded_uncertainty * 3600)
        assert found["thermal_change"].value == pytest.approx(-1e-5, abs=found["thermal_change"].expanded_uncertainty)
        for name in ("settled_change", "settling_time"):
            assert "after 30 min the looks don't tell yet where it settles" in found[name].reason

    def test_counts_that_drift_are_the_motors(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        journal = looks(kept(), doser, nothing, counter=lambda _place, t: -4e-6 * round(t / 1800))
        found = estimated(PROCEDURE, journal, doser, SETTINGS)["count_drift"]
        assert found.value == pytest.approx(4e-6)
        assert "4 counts" in found.statement.replace("\u2009", " ")

    def test_the_later_order_and_another_zero_change_nothing(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        def moved(place: int, t: float) -> float:
            return approach((4e-6, 20e-6)[place], 500.0, t) + 1e-7 * math.sin(t)

        plain = estimated(PROCEDURE, looks(kept(), doser, moved), doser, SETTINGS)
        shifted = looks(kept(), doser, lambda place, t: 1e-4 + moved(place, t))
        shifted.tables["looks"].reverse()
        other = estimated(PROCEDURE, shifted, doser, SETTINGS)
        for name, estimate in plain.items():
            assert other[name].value == pytest.approx(estimate.value, rel=1e-5, abs=1e-13), name


class TestBench:
    def test_what_it_says_before(self, doser: BenchDescription) -> None:
        forecast = PROCEDURE.check(doser, Settings())
        assert forecast.phrase == "30 min of strokes, 31 looks at 2 places"
        assert forecast.duration_s > 1800
        assert forecast.warnings == ()

    @pytest.mark.parametrize(
        ("settings", "said"),
        [
            (Settings(duration_s=100.0), "interval: too few looks to fit an approach; found 3 looks"),
            (Settings(overrun_m=0.02), "overrun: an overrun too long"),
            (Settings(speed_m_per_s=1.0), "speed: a speed beyond the envelope"),
        ],
    )
    def test_what_it_refuses(self, doser: BenchDescription, settings: Settings, said: str) -> None:
        with pytest.raises(BadInput, match=said):
            PROCEDURE.check(doser, settings)

    def test_without_a_gauge_only_counts_are_observable(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        blind = replace(doser, gauge=None)
        found = estimated(PROCEDURE, looks(kept(), doser, nothing), blind, SETTINGS)
        assert [name for name, one in found.items() if one.value is not None] == ["count_drift"]
        assert "not observable" in PROCEDURE.check(blind, SETTINGS).warnings[0]

    def test_without_a_counter_the_load_still_is(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        bare = replace(doser, counter=None, axis=replace(doser.axis, encoder=None))
        found = estimated(PROCEDURE, looks(kept(), doser, nothing), bare, SETTINGS)
        assert found["count_drift"].reason == "no encoder counter: nothing testifies to what the motor did"
        assert found["thermal_change"].value is not None

    def test_what_it_foresees_is_what_a_still_axis_leaves(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        assert PROCEDURE.foresee is not None
        found = estimated(PROCEDURE, looks(kept(), doser, nothing), doser, SETTINGS)
        for name, budget in PROCEDURE.foresee(doser, SETTINGS).items():
            if name == "drift_rate":  # the looks made up here are closer in time than on the axis
                continue
            due = math.hypot(*(line.standard_uncertainty for line in budget))
            assert found[name].standard_uncertainty == pytest.approx(due, rel=1e-6), name


# -- on the stand-in -----------------------------------------------------------------------------------------

SHORT = Settings(duration_s=20.0, interval_s=1.4, overrun_m=5e-4, dwell_s=0.1)
"""A test of a minute of an axis that settles within seconds, so that the suite stays quick."""


class Ran:
    """A run on the upper third of the doser, with what the load truly did at each look."""

    def __init__(self, rigged: Any, kept: Any, doser: BenchDescription, **physics: Any) -> None:
        self.bench = replace(doser, envelope=replace(doser.envelope, low_m=0.045))
        self.truth: list[list[float]] = [[], []]
        rig = rigged(self.bench, start_m=0.002, **physics)

        def seen(table: str, row: Any) -> None:
            if table == "looks":
                self.truth[row["place_index"]].append(rig.rig.truth().load_m - row["claim_m"])

        self.journal = kept(seen)
        PROCEDURE.run(rig.bench, SHORT, self.journal)

    def grown(self, place: int) -> float:
        return self.truth[place][-1] - self.truth[place][0]

    def found(self, estimated: Any) -> dict[str, Estimate]:
        found: dict[str, Estimate] = estimated(PROCEDURE, self.journal, self.bench, SHORT)
        return found


def test_a_room_that_warmed_up_by_20_k_is_found_as_the_screw_grew(
    rigged: Any, kept: Any, doser: BenchDescription, estimated: Any
) -> None:
    """The screw follows with a time constant of 10 s; held at −20 mm, its length to 58 mm grows by 18 µm in all."""
    thermal = {"screw_settle_s": 10.0, "expansion": 1.15e-5, "fixed_at_m": -0.02}
    ran = Ran(rigged, kept, doser, thermal=thermal, ambient=(Ambient(0.5, 20.0),))
    found = ran.found(estimated)

    change, settle, expansion = (found[name] for name in ("thermal_change", "settling_time", "travel_expansion"))
    assert change.value == pytest.approx(ran.grown(1), abs=change.expanded_uncertainty)
    assert settle.value == pytest.approx(10.0, abs=settle.expanded_uncertainty)
    distance_m = 0.0585 - 0.0455
    assert expansion.value == pytest.approx(
        (ran.grown(1) - ran.grown(0)) / distance_m, abs=expansion.expanded_uncertainty
    )
    first_s = next(row["t_s"] for row in ran.journal.tables["looks"] if row["place_index"] == 1)
    left_k = 20.0 * math.exp(-(first_s - 0.5) / 10.0)  # of the rise, when the first look was taken
    settled = found["settled_change"]
    assert settled.value == pytest.approx(1.15e-5 * left_k * 0.0785, abs=settled.expanded_uncertainty + 0.1e-6)
    assert abs(found["count_drift"].value) <= 1.01e-6  # a count, where the motor stands at the edge of one


def test_a_screw_that_its_own_friction_warms_is_found_too(
    rigged: Any, kept: Any, doser: BenchDescription, estimated: Any
) -> None:
    ran = Ran(rigged, kept, doser, thermal={"screw_rise_k": 60.0, "screw_settle_s": 10.0})
    change = ran.found(estimated)["thermal_change"]
    assert change.value > 5e-6
    assert change.value == pytest.approx(ran.grown(1), abs=change.expanded_uncertainty + 0.05 * abs(ran.grown(1)))


def test_a_healthy_axis_doesnt_move(rigged: Any, kept: Any, doser: BenchDescription, estimated: Any) -> None:
    found = Ran(rigged, kept, doser).found(estimated)
    for name in ("thermal_change", "drift_rate", "travel_expansion"):
        assert abs(found[name].value) < 1.5 * found[name].expanded_uncertainty, name
    assert abs(found["thermal_change"].value) < 0.5e-6
