"""Backlash: clearance told from wind-up where that can be, and a reason where it can't."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st

from stepwitness.axis import Decoding, Encoder, Mounting
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import UnprovokedStall
from stepwitness.errors import BadInput, Place
from stepwitness.plan.model import settings_from
from stepwitness.procedures.backlash import PROCEDURE, Settings, places_m

STIFFNESS_N_PER_M = 2.0e7
FRICTION_N = 4.0


def readings_of(
    journal: Any,
    *,
    lost_m: Callable[[int, float], float],
    motor_m: Callable[[int, float], float] = lambda _place, _drag: -2e-6,
    drags_n: tuple[float, ...] = (0.0, 10.0, 30.0),
    repeats: int = 3,
    scatter_m: Callable[[], float] = lambda: 0.0,
) -> Any:
    """Reversals at two places: the motor's own by `motor_m`, and what the load loses on top by `lost_m`."""
    for place_index, place in enumerate((0.02, 0.04)):
        for drag_n in drags_n:
            for repeat in range(repeats):
                for up in (True, False):
                    motor = motor_m(place_index, drag_n) if up else 0.0
                    load = motor - (lost_m(place_index, drag_n) if up else 0.0)
                    journal.write(
                        "reversals",
                        {
                            "place_index": place_index,
                            "place_m": place,
                            "drag_n": drag_n,
                            "repeat": repeat,
                            "up": up,
                            "claim_m": place,
                            "counted_m": place + motor + scatter_m(),
                            "gauge_m": place + 3e-6 + load + scatter_m(),
                        },
                    )
    return journal


def train(backlash_m: float, stiffness_n_per_m: float = STIFFNESS_N_PER_M) -> Callable[[int, float], float]:
    """L(D) = b + 2 (F0 + D)/k (first principles)."""
    return lambda _place, drag_n: backlash_m + 2 * (FRICTION_N + drag_n) / stiffness_n_per_m


class TestArithmetic:
    @profile(max_examples=50)
    @given(backlash_m=st.floats(0.0, 1e-4), stiffness=st.floats(1e6, 1e9), motor_m=st.floats(-1e-5, 1e-5))
    def test_clearance_and_wind_up_come_back_exactly(
        self, doser: BenchDescription, kept: Any, backlash_m: float, stiffness: float, motor_m: float
    ) -> None:
        readings = readings_of(kept(), lost_m=train(backlash_m, stiffness), motor_m=lambda *_: motor_m)
        found = {item.name: item for item in PROCEDURE.evaluate(readings, doser, Settings())}
        assert found["clearance"].value == pytest.approx(backlash_m, abs=1e-12)
        assert found["wind_up"].value == pytest.approx(2 * FRICTION_N / stiffness, abs=1e-12)
        assert found["motor_side_reversal"].value == pytest.approx(abs(motor_m), abs=1e-12)

    def test_clearance_is_the_line_at_no_friction_at_all(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        """Whatever the lost motion at each drag: the least-squares line, extrapolated to a drag of minus F0."""
        lost_m = {0.0: 11e-6, 10.0: 10.4e-6, 30.0: 14e-6}
        found = estimated(PROCEDURE, readings_of(kept(), lost_m=lambda _, drag: lost_m[drag]), doser, Settings())
        slope, intercept = np.polyfit(list(lost_m), list(lost_m.values()), 1)
        assert found["clearance"].value == pytest.approx(intercept - slope * FRICTION_N, rel=1e-9)
        assert found["wind_up"].value == pytest.approx(slope * FRICTION_N, rel=1e-9)

    def test_the_uncertainty_is_the_scatter_that_repeated_runs_show(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        """200 runs with 1 µm of noise on either witness: their clearances scatter as each one's type A says."""
        draw = np.random.default_rng(11)
        clearances, claimed = [], []
        for _ in range(200):
            readings = readings_of(kept(), lost_m=train(2e-5), scatter_m=lambda: float(draw.normal(0, 1e-6)))
            found = estimated(PROCEDURE, readings, doser, Settings())["clearance"]
            clearances.append(found.value)
            (scatter,) = (line for line in found.budget if line.kind == "A")
            claimed.append(scatter.standard_uncertainty)
        assert np.mean(clearances) == pytest.approx(2e-5, abs=4 * np.std(clearances) / math.sqrt(200))
        assert np.std(clearances) == pytest.approx(np.sqrt(np.mean(np.square(claimed))), rel=0.2)

    def test_the_worst_place_counts(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        """At the least drag: 40 µm at the second place, of which the motor's own reversal is 5 µm."""
        readings = readings_of(
            kept(),
            lost_m=lambda place, drag: (1e-5 if place == 0 else 3.5e-5) + drag * 1e-7,
            motor_m=lambda place, _: -1e-6 if place == 0 else -5e-6,
        )
        found = estimated(PROCEDURE, readings, doser, Settings())
        assert found["reversal_value"].value == pytest.approx(4e-5)
        assert found["lost_motion"].value == pytest.approx(3.5e-5)
        assert found["motor_side_reversal"].value == pytest.approx(5e-6)
        assert "3.50" in found["lost_motion"].statement
        assert "6.30°" in found["lost_motion"].statement

    def test_a_steady_axis_still_has_its_resolutions(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        """q/√6 of each witness in a difference of two readings (JCGM 100 F.2.2.1), and no scatter here."""
        found = estimated(PROCEDURE, readings_of(kept(), lost_m=train(1e-5)), doser, Settings())
        gauge, counter = 1e-7 / math.sqrt(6), 1e-6 / math.sqrt(6)
        assert found["reversal_value"].standard_uncertainty == pytest.approx(gauge, rel=1e-6)
        assert found["motor_side_reversal"].standard_uncertainty == pytest.approx(counter, rel=1e-6)
        assert found["lost_motion"].standard_uncertainty == pytest.approx(math.hypot(gauge, counter), rel=1e-6)


class TestNotObservable:
    def reasons(self, bench: BenchDescription, kept: Any, estimated: Any, **options: Any) -> dict[str, str]:
        found = estimated(PROCEDURE, readings_of(kept(), lost_m=train(1e-5), **options), bench, Settings())
        return {name: item.reason for name, item in found.items() if item.value is None}

    def test_clearance_under_gravity(
        self, doser: BenchDescription, lift: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        upright = replace(doser, axis=replace(doser.axis, orientation=lift.axis.orientation))
        reasons = self.reasons(upright, kept, estimated)
        assert set(reasons) == {"clearance", "wind_up"}
        assert "gravity keeps one flank of the nut loaded" in reasons["clearance"]

    def test_clearance_under_a_gauge_that_presses_harder_than_the_guide_holds(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        assert doser.gauge is not None
        pressed = replace(doser, gauge=replace(doser.gauge, measuring_force_n=4.5))
        reasons = self.reasons(pressed, kept, estimated)
        assert set(reasons) == {"clearance", "wind_up"}
        assert "measuring force (4.5 N) exceeds the guide's friction (4 N)" in reasons["clearance"]

    def test_clearance_at_one_drag(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        reasons = self.reasons(doser, kept, estimated, drags_n=(0.0,))
        assert set(reasons) == {"clearance", "wind_up"}
        assert "can't be told apart at one drag" in reasons["clearance"]

    def test_clearance_without_the_guides_friction(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        reasons = self.reasons(replace(doser, guide_friction_n=None), kept, estimated)
        assert set(reasons) == {"clearance", "wind_up"}
        assert "doesn't give the guide's own friction" in reasons["wind_up"]

    def test_the_load_without_a_gauge(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        reasons = self.reasons(replace(doser, gauge=None), kept, estimated)
        assert set(reasons) == {"reversal_value", "lost_motion", "clearance", "wind_up"}
        assert all("no displacement gauge on the load" in reason for reason in reasons.values())

    def test_the_motor_with_an_encoder_on_the_load(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        scale = Encoder(Fraction(50000), Decoding.X4, Mounting.LOAD)
        reasons = self.reasons(replace(doser, axis=replace(doser.axis, encoder=scale)), kept, estimated)
        assert set(reasons) == {"motor_side_reversal", "lost_motion", "clearance", "wind_up"}
        assert "needs a counter on the motor beside the load's witness" in reasons["clearance"]


class TestCheck:
    def test_forecast(self, doser: BenchDescription, lift: BenchDescription) -> None:
        assert PROCEDURE.check(doser, Settings(drags_n=(0.0, 30.0))).phrase == "3 places × 5 reversals × 2 drags"
        assert PROCEDURE.check(doser, Settings()).warnings == ()
        (warning,) = PROCEDURE.check(lift, Settings()).warnings
        assert warning.startswith("clearance is not observable: gravity")

    def test_refusals(self, doser: BenchDescription) -> None:
        with pytest.raises(BadInput, match="drags without a part that applies them"):
            PROCEDURE.check(replace(doser, drag=None), Settings(drags_n=(0.0, 30.0)))
        with pytest.raises(BadInput, match="one drag separates nothing"):
            PROCEDURE.check(doser, Settings(drags_n=(10.0, 10.0)))
        with pytest.raises(BadInput, match=r"found 15 mm; allowed: at most 14\.5 mm"):
            PROCEDURE.check(doser, Settings(approach_m=0.015))
        with pytest.raises(BadInput, match="found 31 mm/s; allowed: at most 30 mm/s"):
            PROCEDURE.check(doser, Settings(speed_m_per_s=0.031))

    @pytest.mark.parametrize(
        ("key", "text"),
        [("places", "0"), ("repeats", "1"), ("approach", "0 mm"), ("speed", "-1 mm/s"), ("drags", "-3 N")],
    )
    def test_refuses_settings_out_of_bounds(self, doser: BenchDescription, key: str, text: str) -> None:
        with pytest.raises(BadInput, match=key):
            settings_from(PROCEDURE, {key: text}, doser.axis, Place("x.plan.yaml", 3))

    @pytest.mark.parametrize("places", [1, 2, 7])
    def test_places_lie_an_approach_inside(self, doser: BenchDescription, places: int) -> None:
        found = places_m(doser, Settings(places=places, approach_m=5e-3))
        assert len(set(found)) == places
        assert min(found) >= 0.001 + 2 * 5e-3
        assert max(found) <= 0.059 - 2 * 5e-3


# -- on the stand-in -----------------------------------------------------------------------------------------

QUICK = Settings(places=2, repeats=2, approach_m=5e-4, dwell_s=0.1, drags_n=(0.0, 30.0))


@pytest.mark.parametrize("backlash_m", [0.0, 3e-6, 1e-5, 46e-6])
def test_clearance_is_the_backlash_that_was_set(
    rigged: Any, doser: BenchDescription, kept: Any, estimated: Any, backlash_m: float
) -> None:
    journal = kept()
    PROCEDURE.run(rigged(doser, start_m=0.002, screw={"backlash_m": backlash_m}).bench, QUICK, journal)
    found = estimated(PROCEDURE, journal, doser, QUICK)
    clearance, wind_up = found["clearance"], found["wind_up"]
    assert clearance.value == pytest.approx(backlash_m, abs=clearance.expanded_uncertainty)
    assert clearance.expanded_uncertainty < 1.5e-6
    assert wind_up.value == pytest.approx(2 * FRICTION_N / STIFFNESS_N_PER_M, abs=wind_up.expanded_uncertainty)


def test_a_soft_train_isnt_taken_for_play(rigged: Any, doser: BenchDescription, kept: Any, estimated: Any) -> None:
    """2 N/µm: 4 µm of wind-up under the guide's friction beside 10 µm of play."""
    journal = kept()
    PROCEDURE.run(rigged(doser, start_m=0.002, screw={"stiffness_n_per_m": 2e6}).bench, QUICK, journal)
    found = estimated(PROCEDURE, journal, doser, QUICK)
    assert found["clearance"].value == pytest.approx(1e-5, abs=found["clearance"].expanded_uncertainty)
    assert found["wind_up"].value == pytest.approx(4e-6, abs=found["wind_up"].expanded_uncertainty)
    assert found["lost_motion"].value == pytest.approx(14e-6, abs=found["lost_motion"].expanded_uncertainty)


def test_the_load_on_a_vertical_axis_shows_no_play_at_all(
    rigged: Any, lift: BenchDescription, kept: Any, estimated: Any
) -> None:
    """Why clearance isn't observable there: with 40 µm of play the load's reversal is still none."""
    journal = kept()
    settings = Settings(places=1, repeats=2, approach_m=5e-4, dwell_s=0.1)
    PROCEDURE.run(rigged(lift, start_m=0.05, screw={"backlash_m": 4e-5}).bench, settings, journal)
    found = estimated(PROCEDURE, journal, lift, settings)
    assert found["reversal_value"].value < 2e-6
    assert found["clearance"].value is None


class NotedDrag:
    def __init__(self, drag: Any) -> None:
        self._drag = drag
        self.forces_n: list[float] = []

    def set_force(self, force_n: float) -> None:
        self.forces_n.append(force_n)
        self._drag.set_force(force_n)


def test_drags_are_applied_in_turn_and_let_go(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    bench = rigged(doser, start_m=0.002).bench
    bench.drag = NotedDrag(bench.drag)
    PROCEDURE.run(bench, replace(QUICK, places=1), kept())
    assert bench.drag.forces_n == [0.0, 30.0, 0.0]


@pytest.mark.parametrize("end", [KeyboardInterrupt, UnprovokedStall])
def test_the_drag_is_let_go_whatever_ends_the_run(
    rigged: Any, doser: BenchDescription, kept: Any, end: type[BaseException]
) -> None:
    rig = rigged(doser, start_m=0.002)
    rig.bench.drag = NotedDrag(rig.bench.drag)

    def interrupt() -> None:
        if end is KeyboardInterrupt:
            raise KeyboardInterrupt
        rig.rig.push(-2000.0 if rig.rig.truth().speed_turns_per_s >= 0 else 2000.0)

    def under_drag_and_moving() -> bool:
        return 30.0 in rig.bench.drag.forces_n and abs(rig.rig.truth().speed_turns_per_s) > 1.0

    rig.clock.once(under_drag_and_moving, interrupt)
    with pytest.raises(end):
        PROCEDURE.run(rig.bench, QUICK, kept())
    assert rig.bench.drag.forces_n == [0.0, 30.0, 0.0]
