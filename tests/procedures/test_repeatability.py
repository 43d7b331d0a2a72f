"""Repeatability: the arithmetic on readings made up here, and the motion on the stand-in against its own truth."""

from __future__ import annotations

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
from stepwitness.errors import BadInput, Place
from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.uncertainty import combine, positioning_budgets
from stepwitness.plan.model import settings_from
from stepwitness.procedures.repeatability import PROCEDURE, Settings, targets_m
from stepwitness.standin.screw import dead_band_m

LOAD_FIGURES = {
    "bidirectional_repeatability": "R",
    "repeatability_up": "R_up",
    "repeatability_down": "R_down",
    "reversal_value": "B",
    "mean_reversal": "B_mean",
    "bidirectional_systematic_deviation": "E",
    "bidirectional_accuracy": "A",
}
MOTOR_FIGURES = {"motor_side_repeatability": "R", "motor_side_mean_reversal": "B_mean"}

TARGETS, RUNS = 4, 3


@pytest.fixture
def deviations() -> dict[str, Any]:
    """Deviations of gauge and counter, shape (targets, runs) by direction."""
    draw = np.random.default_rng(5)
    shape = (TARGETS, RUNS)
    return {
        f"{column}_{way}": draw.normal(mean, spread, shape)
        for column, spread in (("gauge_m", 1.5e-6), ("counted_m", 0.7e-6))
        for way, mean in (("up", -6e-6), ("down", 4e-6))
    }


@pytest.fixture
def readings(kept: Any, deviations: dict[str, Any]) -> Any:
    return _readings(
        kept(), lambda column, index, run, up: deviations[f"{column}_{'up' if up else 'down'}"][index, run]
    )


def _readings(journal: Any, deviation_m: Callable[[str, int, int, bool], float | None]) -> Any:
    """A whole test, its positions set by `deviation_m` and its closures without a fault."""
    for run in range(RUNS):
        for up in (True, False):
            for index in range(TARGETS):
                target = 0.01 * (index + 1)
                seen = {
                    column: None if (away := deviation_m(column, index, run, up)) is None else target + away
                    for column in ("counted_m", "gauge_m")
                }
                row = {"target_index": index, "target_m": target, "run": run, "up": up}
                journal.write("positions", {**row, "claim_m": target, **seen})
    for run in range(RUNS + 1):
        journal.write("closure", {"run": run, "claim_m": 0.001, "counted_m": 0.001, "gauge_m": 0.001})
    return journal


class TestArithmetic:
    def test_figures_of_the_load_are_the_standards_on_the_gauge(
        self, doser: BenchDescription, readings: Any, deviations: dict[str, Any], estimated: Any
    ) -> None:
        found = estimated(PROCEDURE, readings, doser, Settings())
        figures = positioning(deviations["gauge_m_up"], deviations["gauge_m_down"])
        budgets = positioning_budgets(figures, resolution_m=1e-7, calibration_u_m=0.6e-6)
        for name, attribute in LOAD_FIGURES.items():
            assert found[name].value == pytest.approx(getattr(figures, attribute), abs=1e-12), name
            assert found[name].standard_uncertainty == pytest.approx(combine(budgets[attribute]), abs=1e-12), name

    def test_figures_of_the_motor_are_the_same_on_counts(
        self, doser: BenchDescription, readings: Any, deviations: dict[str, Any], estimated: Any
    ) -> None:
        found = estimated(PROCEDURE, readings, doser, Settings())
        figures = positioning(deviations["counted_m_up"], deviations["counted_m_down"])
        budgets = positioning_budgets(figures, resolution_m=1e-6)
        for name, attribute in MOTOR_FIGURES.items():
            assert found[name].value == pytest.approx(getattr(figures, attribute), abs=1e-12), name
            assert found[name].standard_uncertainty == pytest.approx(combine(budgets[attribute]), abs=1e-12), name

    def test_without_a_gauge_the_load_isnt_observable_and_the_motor_is(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        readings = _readings(kept(), lambda column, *_: None if column == "gauge_m" else 1e-6)
        found = estimated(PROCEDURE, readings, replace(doser, gauge=None), Settings())
        for name in (*LOAD_FIGURES, "scale_difference"):
            assert found[name].value is None
            assert "gauge" in found[name].reason
        assert found["motor_side_repeatability"].value == pytest.approx(0.0, abs=1e-12)
        assert found["count_closure"].value == 0.0

    def test_without_a_counter_the_motor_isnt_observable_and_the_load_is(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        bare = replace(doser, counter=None, axis=replace(doser.axis, encoder=None))
        readings = _readings(kept(), lambda column, *_: None if column == "counted_m" else 1e-6)
        found = estimated(PROCEDURE, readings, bare, Settings())
        for name in (*MOTOR_FIGURES, "scale_difference", "count_closure"):
            assert found[name].value is None
            assert "counter" in found[name].reason
        assert found["mean_reversal"].value == pytest.approx(0.0, abs=1e-12)

    def test_an_encoder_on_the_load_is_a_witness_of_the_load(
        self, doser: BenchDescription, readings: Any, deviations: dict[str, Any], estimated: Any
    ) -> None:
        """A linear scale of 20 µm at X4 counts 5 µm: its figures are the load's, and nobody sees the motor."""
        scale = Encoder(Fraction(50000), Decoding.X4, Mounting.LOAD)
        bench = replace(doser, gauge=None, axis=replace(doser.axis, encoder=scale))
        found = estimated(PROCEDURE, readings, bench, Settings())
        figures = positioning(deviations["counted_m_up"], deviations["counted_m_down"])
        budgets = positioning_budgets(figures, resolution_m=5e-6)
        for name, attribute in LOAD_FIGURES.items():
            assert found[name].value == pytest.approx(getattr(figures, attribute), abs=1e-12), name
            assert found[name].standard_uncertainty == pytest.approx(combine(budgets[attribute]), abs=1e-12), name
        for name in MOTOR_FIGURES:
            assert found[name].value is None

    @pytest.mark.parametrize("ppm", [0.0, 800.0, -1500.0])
    def test_scale_is_the_slope_and_reversal_none_of_it(
        self, doser: BenchDescription, kept: Any, estimated: Any, ppm: float
    ) -> None:
        """The gauge reads a travel that the counter takes for (1 + s) of it, and 46 µm apart by direction."""

        def deviation_m(column: str, index: int, _run: int, up: bool) -> float:
            gauged_m = 0.01 * (index + 1) + (-46e-6 if up else 0.0)
            return (gauged_m if column == "gauge_m" else gauged_m * (1 + ppm * 1e-6)) - 0.01 * (index + 1)

        found = estimated(PROCEDURE, _readings(kept(), deviation_m), doser, Settings())["scale_difference"]
        assert found.value == pytest.approx(ppm * 1e-6, abs=1e-9)
        assert found.standard_uncertainty == pytest.approx(2**0.5 * 0.6e-6 / 0.03, rel=1e-6)  # both ends of the span

    @pytest.mark.parametrize(
        ("counted_m", "gauge_m", "worst_m", "said"),
        [
            ([0, 0, 0], [0, 0, 0], 0.0, "back at the start, drive and counter differ by 0\u2009counts"),
            ([0, 3e-6, 1e-6], [0, 0, 0], -3e-6, "the counter missed or doubled edges"),
            ([0, 1e-6, -4e-5], [0, 0, -4e-5], 4e-5, "the motor lost steps, or both witnesses slipped"),
            ([0, -5e-6, 0], [None, None, None], 5e-6, "can't be told without a gauge"),
        ],
    )
    def test_closure_is_the_worst_return_signed(
        self,
        doser: BenchDescription,
        readings: Any,
        estimated: Any,
        counted_m: list[float],
        gauge_m: list[float | None],
        worst_m: float,
        said: str,
    ) -> None:
        readings.tables["closure"] = [
            {
                "run": run,
                "claim_m": 0.002,
                "counted_m": 0.002 + counted,
                "gauge_m": None if gauged is None else 0.0019 + gauged,
            }
            for run, (counted, gauged) in enumerate(zip(counted_m, gauge_m, strict=True))
        ]
        found = estimated(PROCEDURE, readings, doser, Settings())["count_closure"]
        assert found.value == pytest.approx(worst_m, abs=1e-12)
        assert said in found.statement
        assert found.standard_uncertainty == pytest.approx(1e-6 / 6**0.5)


class TestTargets:
    @profile(max_examples=50)
    @given(targets=st.integers(2, 60), seed=st.integers(0, 1000), overrun_m=st.floats(1e-5, 0.01))
    def test_the_rule(self, doser: BenchDescription, targets: int, seed: int, overrun_m: float) -> None:
        """Inside the envelope, whole microsteps, rising, the outer two an overrun from its ends, the rest shifted by
        less than a third of the interval."""
        settings = Settings(targets=targets, seed=seed, overrun_m=overrun_m)
        found = targets_m(doser, settings)
        microstep_m = float(doser.axis.microstep_travel)
        interval_m = (0.058 - 2 * overrun_m) / (targets - 1)
        assert len(found) == targets
        assert list(found) == sorted(set(found))
        assert found[0] == pytest.approx(0.001 + overrun_m, abs=microstep_m)
        assert found[-1] == pytest.approx(0.059 - overrun_m, abs=microstep_m)
        for index, at_m in enumerate(found):
            assert at_m / microstep_m == pytest.approx(round(at_m / microstep_m), abs=1e-6)
            assert abs(at_m - found[0] - index * interval_m) < interval_m / 3 + 2 * microstep_m

    def test_the_random_part_is_the_seeds(self, doser: BenchDescription) -> None:
        assert targets_m(doser, Settings(seed=3)) == targets_m(doser, Settings(seed=3))
        one, other = targets_m(doser, Settings(seed=3)), targets_m(doser, Settings(seed=4))
        assert all(a != b for a, b in zip(one[1:-1], other[1:-1], strict=True))
        intervals = np.diff(one)
        assert np.ptp(intervals) > 0.1 * np.mean(intervals), "a periodic error could hide between equal intervals"


class TestCheck:
    def test_forecasts_what_will_move(self, doser: BenchDescription) -> None:
        forecast = PROCEDURE.check(doser, Settings())
        assert forecast.phrase == "11 targets × 5 runs × 2 directions"
        assert (forecast.lowest_m, forecast.highest_m) == (0.001, 0.059)
        assert forecast.warnings == ()

    def test_the_forecast_is_about_what_it_takes(self, doser: BenchDescription, on_the_stand_in: Any) -> None:
        forecast = PROCEDURE.check(doser, on_the_stand_in.settings)
        assert on_the_stand_in.took_s == pytest.approx(
            forecast.duration_s, rel=0.25
        )  # the way to the reference comes on top

    def test_says_what_this_bench_wont_see(self, doser: BenchDescription) -> None:
        (warning,) = PROCEDURE.check(replace(doser, gauge=None), Settings()).warnings
        assert warning.startswith("figures of the load are not observable: no displacement gauge")

    def test_says_what_is_no_test_to_the_standard(self, doser: BenchDescription) -> None:
        for settings in (Settings(targets=4), Settings(runs=4)):
            assert any("not a test to ISO 230-2" in text for text in PROCEDURE.check(doser, settings).warnings)

    def test_refuses_what_leaves_no_room_or_the_envelope(self, doser: BenchDescription) -> None:
        with pytest.raises(BadInput, match=r"overrun: .*found overrun of 29 mm; allowed: less than 29 mm"):
            PROCEDURE.check(doser, Settings(overrun_m=0.029))
        with pytest.raises(BadInput, match=r"speed: .*found 31 mm/s; allowed: at most 30 mm/s"):
            PROCEDURE.check(doser, Settings(speed_m_per_s=0.031))

    @pytest.mark.parametrize(
        ("key", "text"),
        [
            ("targets", "1"),
            ("targets", "1001"),
            ("runs", "1"),
            ("speed", "-1 mm/s"),
            ("dwell", "-1 s"),
            ("overrun", "0 mm"),
        ],
    )
    def test_refuses_settings_out_of_bounds(self, doser: BenchDescription, key: str, text: str) -> None:
        with pytest.raises(BadInput, match=key):
            settings_from(PROCEDURE, {key: text}, doser.axis, Place("x.plan.yaml", 3))


# -- on the stand-in -----------------------------------------------------------------------------------------


class Ran:
    """One run on the stand-in, with the truth at each reading."""

    def __init__(self, rig: Any, kept: Any, settings: Settings) -> None:
        self.settings = settings
        self.truths: list[tuple[int, bool, Any]] = []

        def seen(table: str, row: Any) -> None:
            if table == "positions":
                self.truths.append((row["target_index"], row["up"], rig.rig.truth()))

        self.journal = kept(seen)
        self.rig = rig
        started_s = rig.clock.now()
        PROCEDURE.run(rig.bench, settings, self.journal)
        self.took_s = rig.clock.now() - started_s

    def true_reversal_m(self, of: Callable[[Any], float]) -> float:
        """Mean over the targets of what `of` was upwards less downwards."""
        means = [
            np.mean([of(truth) for index, way, truth in self.truths if (index, way) == (at, True)])
            - np.mean([of(truth) for index, way, truth in self.truths if (index, way) == (at, False)])
            for at in range(self.settings.targets)
        ]
        return float(np.mean(means))


@pytest.fixture(scope="module")
def on_the_stand_in(rigged: Any, doser: BenchDescription, kept: Any) -> Ran:
    rig = rigged(doser, start_m=0.002)
    return Ran(rig, kept, Settings(targets=3, runs=3, dwell_s=0.1))


def test_the_gauge_sees_the_loads_true_reversal(on_the_stand_in: Ran, doser: BenchDescription, estimated: Any) -> None:
    found = estimated(PROCEDURE, on_the_stand_in.journal, doser, on_the_stand_in.settings)["mean_reversal"]
    true_m = on_the_stand_in.true_reversal_m(lambda truth: truth.load_m)
    assert found.value == pytest.approx(true_m, abs=found.expanded_uncertainty)
    assert found.expanded_uncertainty < 0.3e-6


def test_the_counter_sees_the_motors_true_reversal(
    on_the_stand_in: Ran, doser: BenchDescription, estimated: Any
) -> None:
    found = estimated(PROCEDURE, on_the_stand_in.journal, doser, on_the_stand_in.settings)
    true_m = on_the_stand_in.true_reversal_m(lambda truth: truth.rotor_turns * 0.002)
    motor = found["motor_side_mean_reversal"]
    assert motor.value == pytest.approx(true_m, abs=motor.expanded_uncertainty)


@pytest.mark.parametrize("backlash_m", [2e-6, 46e-6])
def test_reversal_is_play_and_wind_up_and_the_rotors_lag(
    rigged: Any, doser: BenchDescription, kept: Any, estimated: Any, backlash_m: float
) -> None:
    """b + 2 F/k of the train (first principles, `dead_band_m`), and what the rotor itself stops apart."""
    ran = Ran(
        rigged(doser, start_m=0.002, screw={"backlash_m": backlash_m}), kept, Settings(targets=2, runs=3, dwell_s=0.1)
    )
    found = estimated(PROCEDURE, ran.journal, doser, ran.settings)["mean_reversal"]
    train_m = dead_band_m(friction_n=4.0, external_n=-0.6, stiffness_n_per_m=2e7, backlash_m=backlash_m)
    rotor_m = ran.true_reversal_m(lambda truth: truth.rotor_turns * 0.002)
    assert found.value == pytest.approx(rotor_m - train_m, abs=found.expanded_uncertainty + 0.1e-6)


def test_a_healthy_axis_closes_and_fits_its_scale(
    on_the_stand_in: Ran, doser: BenchDescription, estimated: Any
) -> None:
    found = estimated(PROCEDURE, on_the_stand_in.journal, doser, on_the_stand_in.settings)
    assert abs(found["count_closure"].value) <= 1e-6
    assert abs(found["scale_difference"].value) < found["scale_difference"].expanded_uncertainty


def test_a_lead_that_is_too_long_shows_in_the_scale(
    rigged: Any, doser: BenchDescription, kept: Any, estimated: Any
) -> None:
    """A screw that gives 0.2 % more travel than its lead: counted travel is 1/1.002 of gauged."""
    ran = Ran(rigged(doser, start_m=0.002, screw={"lead_error": 2e-3}), kept, Settings(targets=3, runs=2, dwell_s=0.1))
    found = estimated(PROCEDURE, ran.journal, doser, ran.settings)["scale_difference"]
    assert found.value == pytest.approx(1 / 1.002 - 1, abs=found.expanded_uncertainty)


def test_a_counter_that_misses_edges_doesnt_close(
    rigged: Any, doser: BenchDescription, kept: Any, estimated: Any
) -> None:
    """What it missed differs on the two ways of a run, and the gauge closes meanwhile."""
    ran = Ran(
        rigged(doser, start_m=0.002, encoder={"missed_edge": 2e-5}), kept, Settings(targets=2, runs=3, dwell_s=0.1)
    )
    found = estimated(PROCEDURE, ran.journal, doser, ran.settings)["count_closure"]
    assert abs(found.value) > 2e-6
    assert "the counter missed or doubled edges" in found.statement


def test_every_target_is_reached_from_both_sides_and_inside_the_envelope(
    on_the_stand_in: Ran, doser: BenchDescription
) -> None:
    rows = on_the_stand_in.journal.tables["positions"]
    assert len(rows) == 2 * 3 * 3
    ways = [(row["target_index"], row["up"]) for row in rows[:6]]
    assert ways == [(0, True), (1, True), (2, True), (2, False), (1, False), (0, False)]
    at_start_s = on_the_stand_in.journal.tables["closure"][0]["t_s"]  # the reference lies outside
    motion_m = [row["claim_m"] for row in on_the_stand_in.journal.tables["motion"] if row["t_s"] > at_start_s]
    slack_m = float(doser.axis.step_travel)
    assert min(motion_m) >= 0.001 - slack_m
    assert max(motion_m) <= 0.059 + slack_m


@pytest.fixture(scope="module")
def by_steps(rigged: Any, doser: BenchDescription, kept: Any) -> Ran:
    return Ran(rigged(doser, start_m=0.002), kept, Settings(targets=3, runs=2, dwell_s=0.05, cycle="step"))


def test_the_step_cycle_reverses_at_each_target_in_its_turn(by_steps: Ran, doser: BenchDescription) -> None:
    order = [(row["target_index"], row["run"], row["up"]) for row in by_steps.journal.rows("positions")]

    assert order == [(index, run, up) for index in range(3) for run in range(2) for up in (True, False)]
    # the way to the reference and between the targets comes on top
    forecast_s = PROCEDURE.check(doser, by_steps.settings).duration_s
    assert forecast_s * 0.8 < by_steps.took_s < forecast_s * 3


def test_the_step_cycle_sees_the_same_reversal_and_is_never_for_acceptance(
    by_steps: Ran, on_the_stand_in: Ran, doser: BenchDescription, estimated: Any
) -> None:
    found = estimated(PROCEDURE, by_steps.journal, doser, by_steps.settings)
    standard = estimated(PROCEDURE, on_the_stand_in.journal, doser, on_the_stand_in.settings)

    reversal = found["mean_reversal"]
    assert reversal.value == pytest.approx(standard["mean_reversal"].value, abs=0.5e-6)
    assert "the step cycle is never for acceptance" in reversal.statement
    assert "3 targets where 5 are the least" in standard["mean_reversal"].statement
    assert "step cycle" not in standard["mean_reversal"].statement
    assert any("step cycle" in text for text in PROCEDURE.check(doser, by_steps.settings).warnings)


class TestDrift:
    def test_of_the_start_is_last_less_first(self, doser: BenchDescription, readings: Any, estimated: Any) -> None:
        for run, row in enumerate(readings.tables["closure"]):
            row["gauge_m"] = 0.001 + 2e-6 * run
        found = estimated(PROCEDURE, readings, doser, Settings())["start_drift"]

        assert found.value == pytest.approx(2e-6 * RUNS)
        assert found.standard_uncertainty == pytest.approx(0.1e-6 / 6**0.5)
        assert "the axis or the bench drifted" in found.statement

    def test_needs_a_gauge_and_a_start_that_was_read_again(
        self, doser: BenchDescription, readings: Any, estimated: Any
    ) -> None:
        assert "gauge" in estimated(PROCEDURE, readings, replace(doser, gauge=None), Settings())["start_drift"].reason
        del readings.tables["closure"]
        found = estimated(PROCEDURE, readings, doser, Settings())
        assert found["start_drift"].reason == found["count_closure"].reason == "the start was never read again"


class TestKnowledge:
    def test_figures_carry_intervals_with_their_measurand(
        self, doser: BenchDescription, readings: Any, estimated: Any
    ) -> None:
        found = estimated(PROCEDURE, readings, doser, Settings())

        for name in (*LOAD_FIGURES, *MOTOR_FIGURES):
            interval = found[name].interval
            assert interval is not None
            assert interval.low < interval.high
            assert interval.confidence == 0.95
            assert "on average" in interval.measurand
        assert found["scale_difference"].interval is None

    def test_foreseen_budgets_are_those_of_a_perfect_axis(
        self, kept: Any, doser: BenchDescription, estimated: Any
    ) -> None:
        assert PROCEDURE.foresee is not None
        foreseen = PROCEDURE.foresee(doser, Settings(targets=TARGETS, runs=RUNS))
        perfect = estimated(PROCEDURE, _readings(kept(), lambda *_: 0.0), doser, Settings())

        def u(name: str) -> float:
            return float(sum(line.standard_uncertainty**2 for line in foreseen[name]) ** 0.5)

        for name in ("bidirectional_repeatability", "mean_reversal", "count_closure", "start_drift"):
            assert u(name) == pytest.approx(perfect[name].standard_uncertainty, rel=1e-6), name
        # between two places the gauge's calibration counts twice: U = 1.2 µm, k = 2
        assert u("bidirectional_accuracy") > 2**0.5 * 0.6e-6

    def test_without_a_gauge_nothing_of_the_load_is_foreseen(self, doser: BenchDescription) -> None:
        assert PROCEDURE.foresee is not None
        assert set(PROCEDURE.foresee(replace(doser, gauge=None), Settings())) == {*MOTOR_FIGURES, "count_closure"}
