"""Errors of the screw: the arithmetic on readings made up here, and on the stand-in against defects of known size."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as profile
from hypothesis import strategies as st

from stepwitness.axis import Decoding, Encoder, Mounting
from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput
from stepwitness.findings import Estimate
from stepwitness.metrology.periodic import condition
from stepwitness.metrology.statistics import BadReadings
from stepwitness.procedures.screw_errors import PROCEDURE, Settings, periods_of, stretches_m

LEAD_M, CYCLE_M, TWO_STEPS_M, STEP_M = 2e-3, 4e-5, 2e-5, 1e-5
SMALL = Settings(places=2, leads=2, runs=2)

Deviation = Callable[[float, int, bool], float]


def nothing(_at: float, _run: int, _up: bool) -> float:
    return 0.0


def wave(at: float, period: float, amplitude: float, phase: float = 0.0) -> float:
    return amplitude * math.cos(2 * math.pi * at / period - phase)


def readings(
    journal: Any, bench: BenchDescription, gauge: Deviation, *, counter: Deviation = nothing, settings: Settings = SMALL
) -> Any:
    """Deviations of gauge and counter as functions of (target, run, up), in the order of a run."""
    for stretch, targets in enumerate(stretches_m(bench, settings)):
        for run in range(settings.runs):
            for up in (True, False):
                for index in range(len(targets)) if up else reversed(range(len(targets))):
                    at = targets[index]
                    row = {"stretch": stretch, "index": index, "target_m": at, "run": run, "up": up}
                    seen = {"counted_m": at + counter(at, run, up), "gauge_m": at + gauge(at, run, up)}
                    journal.write("steps", {**row, "claim_m": at, **seen})
    return journal


class TestArithmetic:
    @profile(max_examples=20)
    @given(
        amplitudes=st.tuples(*[st.floats(1e-7, 2e-5)] * 4),
        slope=st.floats(-1e-3, 1e-3),
        reversal=st.floats(-5e-5, 5e-5),
        offset=st.floats(-1e-3, 1e-3),
    )
    def test_what_was_put_in_comes_out(
        self,
        doser: BenchDescription,
        kept: Any,
        estimated: Any,
        amplitudes: tuple[float, ...],
        slope: float,
        reversal: float,
        offset: float,
    ) -> None:
        periods = (LEAD_M, CYCLE_M, TWO_STEPS_M, STEP_M)

        def deviation(at: float, _run: int, up: bool) -> float:
            waves = sum(wave(at, period, size, 0.7) for period, size in zip(periods, amplitudes, strict=True))
            return offset + slope * at + waves + (reversal / 2 if up else -reversal / 2)

        found = estimated(PROCEDURE, readings(kept(), doser, deviation), doser, SMALL)

        for name, size in zip(("lead", "cycle", "two_steps", "step"), amplitudes, strict=True):
            assert found[f"periodic_error_{name}"].value == pytest.approx(size, abs=2e-12)
        assert found["hysteresis"].value == pytest.approx(abs(reversal), abs=1e-12)
        assert found["hysteresis_variation"].value == pytest.approx(0.0, abs=1e-12)
        # over one lead every wave is where it was, so what is gained is the slope's
        assert found["pitch_error"].value == pytest.approx(abs(slope) * LEAD_M, abs=1e-11)

    def test_the_mean_lead_and_what_varies_about_it(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        journal = readings(kept(), doser, lambda at, _run, _up: 5e-4 * at + wave(at, LEAD_M, 3e-6))
        found = estimated(PROCEDURE, journal, doser, SMALL)

        lead = found["mean_lead_error"]
        assert lead.value == pytest.approx(5e-4, abs=lead.expanded_uncertainty)
        assert found["cumulative_pitch_error"].value == pytest.approx(6e-6, rel=0.02)
        assert "each lead is on average 1.0" in lead.statement

    def test_hysteresis_is_found_where_it_is(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        last = stretches_m(doser, SMALL)[1]

        def deviation(at: float, _run: int, up: bool) -> float:
            return -20e-6 if up and at == last[7] else -5e-6 if up else 0.0

        found = estimated(PROCEDURE, readings(kept(), doser, deviation), doser, SMALL)
        assert found["hysteresis"].value == pytest.approx(20e-6)
        assert found["hysteresis_variation"].value == pytest.approx(15e-6)
        assert f"short at {last[7] * 1e3:.3f}" in found["hysteresis"].statement

    def test_scatter_alone_is_told_from_a_periodic_error(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        draw = random.Random(3)
        found = estimated(PROCEDURE, readings(kept(), doser, lambda *_: draw.gauss(0, 2e-7)), doser, SMALL)
        for name in ("lead", "cycle", "two_steps", "step"):
            assert found[f"periodic_error_{name}"].statement.startswith("no more than scatter gives")

    @pytest.mark.parametrize(
        ("share", "said"),
        [(1.0, "it lies before the screw"), (0.0, "it lies behind the encoder"), (0.5, "the counter sees 1.5")],
    )
    def test_the_counter_tells_which_side_of_it_an_error_lies_on(
        self, doser: BenchDescription, kept: Any, estimated: Any, share: float, said: str
    ) -> None:
        journal = readings(
            kept(),
            doser,
            lambda at, run, _up: wave(at, LEAD_M, 3e-6) + run * 1e-8,
            counter=lambda at, _run, _up: wave(at, LEAD_M, 3e-6 * share),
        )
        statement = estimated(PROCEDURE, journal, doser, SMALL)["periodic_error_lead"].statement
        assert said in statement.replace("\u2009", " ")

    def test_the_uncertainty_of_an_amplitude_covers_it_as_often_as_it_says(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        """Without calibration and resolution, which don't scatter here: 95.45 % of 200 trials is 191 ± 6."""
        bench = replace(doser, gauge=replace(doser.gauge, calibration=None, resolution_m=1e-12))  # type: ignore[type-var]
        one = Settings(places=1)
        draw = random.Random(11)
        held = 0
        for _ in range(200):
            journal = readings(kept(), bench, lambda at, *_: wave(at, LEAD_M, 3e-6) + draw.gauss(0, 1e-6), settings=one)
            found = estimated(PROCEDURE, journal, bench, one)["periodic_error_lead"]
            held += abs(found.value - 3e-6) <= found.expanded_uncertainty
        assert 180 <= held <= 198

    def test_mirrored_directions_turn_hysteresis_about(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        def deviation(at: float, run: int, up: bool) -> float:
            return wave(at, LEAD_M, 2e-6) + (4e-6 if up else -3e-6) + 1e-8 * run

        plain = estimated(PROCEDURE, readings(kept(), doser, deviation), doser, SMALL)
        turned = estimated(
            PROCEDURE, readings(kept(), doser, lambda at, run, up: deviation(at, run, not up)), doser, SMALL
        )
        assert plain["hysteresis"].value == pytest.approx(turned["hysteresis"].value, abs=1e-15)
        assert "long" in plain["hysteresis"].statement
        assert "short" in turned["hysteresis"].statement
        assert plain["periodic_error_lead"].value == pytest.approx(turned["periodic_error_lead"].value, abs=1e-15)

    def test_the_order_of_readings_changes_nothing(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        journal = readings(kept(), doser, lambda at, run, up: wave(at, LEAD_M, 2e-6) + 1e-7 * run * (1 if up else -1))
        before = estimated(PROCEDURE, journal, doser, SMALL)
        journal.tables["steps"].reverse()
        after = estimated(PROCEDURE, journal, doser, SMALL)

        for name, estimate in before.items():
            assert after[name].value == pytest.approx(estimate.value, abs=1e-14), name
            assert after[name].standard_uncertainty == pytest.approx(estimate.standard_uncertainty, abs=1e-14), name

    def test_a_reading_that_is_no_number_or_a_run_that_is_missing_is_refused(
        self, doser: BenchDescription, kept: Any
    ) -> None:
        nan = readings(kept(), doser, lambda at, run, _up: math.nan if run and at > 0.05 else 0.0)
        with pytest.raises(BadReadings, match="nan"):
            PROCEDURE.evaluate(nan, doser, SMALL)
        short = readings(kept(), doser, nothing)
        del short.tables["steps"][5]
        with pytest.raises(BadReadings, match="target 5 has 1 runs up, others have 2"):
            PROCEDURE.evaluate(short, doser, SMALL)


class TestBench:
    def test_the_steps_tell_the_periods_apart(self, doser: BenchDescription, lift: BenchDescription) -> None:
        for bench in (doser, lift):
            for steps in (12, 24, 25, 50, 100):
                settings = Settings(places=1, steps=steps)
                (stretch,) = stretches_m(bench, settings)
                assert condition(stretch, list(periods_of(bench.axis, settings).values())) < 3
                microsteps = [at / float(bench.axis.microstep_travel) for at in stretch]
                assert microsteps == pytest.approx([round(one) for one in microsteps], abs=1e-6)
                assert stretch[-1] - stretch[0] == pytest.approx(2 * float(bench.axis.travel_per_turn), abs=1e-12)

    def test_what_it_says_before(self, doser: BenchDescription) -> None:
        forecast = PROCEDURE.check(doser, Settings())
        assert forecast.phrase == "3 places × 2 leads × 24 steps × 2 runs × 2 directions"
        assert (forecast.lowest_m, forecast.highest_m) == pytest.approx((0.001, 0.059), abs=1e-5)
        assert forecast.warnings == ()

    @pytest.mark.parametrize(
        ("settings", "said"),
        [
            (Settings(places=20), "places: stretches that don't fit"),
            (Settings(leads=40), "places: stretches that don't fit"),
            (Settings(speed_m_per_s=1.0), "speed: a speed beyond the envelope"),
            (Settings(steps=1000, lead_m=1e-4, places=1), "steps: no number of steps"),
        ],
    )
    def test_what_it_refuses(self, doser: BenchDescription, settings: Settings, said: str) -> None:
        with pytest.raises(BadInput, match=said):
            PROCEDURE.check(doser, settings)

    def test_without_a_witness_on_the_load_nothing_is_observable(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        blind = replace(doser, gauge=None)
        assert "not observable" in PROCEDURE.check(blind, SMALL).warnings[0]
        assert PROCEDURE.foresee is not None
        assert PROCEDURE.foresee(blind, SMALL) == {}
        found = estimated(PROCEDURE, kept(), blind, SMALL)
        assert all(one.value is None and "displacement gauge" in one.reason for one in found.values())

    def test_a_full_step_that_no_microstep_samples_isnt_observable(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        coarse = replace(doser, axis=replace(doser.axis, microsteps=2))
        found = estimated(PROCEDURE, readings(kept(), coarse, nothing), coarse, SMALL)
        assert found["periodic_error_step"].reason == "2 microsteps a step sample it at too few phases"
        assert found["periodic_error_two_steps"].value is not None
        assert "over a full step is not observable" in PROCEDURE.check(coarse, SMALL).warnings[0]

    def test_an_encoder_on_the_load_is_a_witness_too(self, doser: BenchDescription, kept: Any, estimated: Any) -> None:
        scale = Encoder(lines=500_000, decoding=Decoding.X4, mounting=Mounting.LOAD)  # type: ignore[arg-type]
        bench = replace(doser, gauge=None, axis=replace(doser.axis, encoder=scale))
        journal = readings(kept(), bench, nothing, counter=lambda at, *_: wave(at, LEAD_M, 5e-6))
        for row in journal.tables["steps"]:
            row["gauge_m"] = None
        assert estimated(PROCEDURE, journal, bench, SMALL)["periodic_error_lead"].value == pytest.approx(5e-6)

    def test_what_it_foresees_is_what_a_still_axis_leaves(
        self, doser: BenchDescription, kept: Any, estimated: Any
    ) -> None:
        assert PROCEDURE.foresee is not None
        foreseen = PROCEDURE.foresee(doser, SMALL)
        found = estimated(PROCEDURE, readings(kept(), doser, nothing), doser, SMALL)
        assert set(foreseen) == set(found)
        for name, budget in foreseen.items():
            due = math.hypot(*(line.standard_uncertainty for line in budget))
            assert found[name].standard_uncertainty == pytest.approx(due, rel=1e-6), name


# -- on the stand-in -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def found_on(rigged: Any, kept: Any, doser: BenchDescription, estimated: Any) -> Callable[..., dict[str, Estimate]]:
    """``found_on(screw={...})``: the estimates of a doser whose physics is changed."""

    def run(**physics: Any) -> dict[str, Estimate]:
        rig, journal = rigged(doser, start_m=0.002, **physics), kept()
        PROCEDURE.run(rig.bench, Settings(), journal)
        found: dict[str, Estimate] = estimated(PROCEDURE, journal, doser, Settings())
        return found

    return run


def test_a_healthy_axis_shows_no_periodic_error_and_its_dead_band(found_on: Any) -> None:
    found = found_on()
    for name in ("lead", "cycle", "two_steps", "step"):
        assert found[f"periodic_error_{name}"].value < 1e-7
    assert found["pitch_error"].value < 0.6e-6
    assert abs(found["mean_lead_error"].value) < 5e-6
    # clearance 10 µm and what bends; the same everywhere, but for single readings' scatter
    assert found["hysteresis"].value == pytest.approx(10.4e-6, abs=0.5e-6)
    assert found["hysteresis_variation"].value < 1.5e-6


@pytest.mark.parametrize("size_m", [3e-6, 1e-5])
def test_a_bent_screw_is_found_at_its_size(found_on: Any, size_m: float) -> None:
    """Run-out as an amplitude of travel, and drag that comes and goes once a turn: the defect of that name."""
    found = found_on(screw={"pitch_error_m": size_m, "drag_wave": 1.0})
    turn = found["periodic_error_lead"]
    assert turn.value == pytest.approx(size_m, abs=turn.expanded_uncertainty)
    assert turn.value == pytest.approx(size_m, rel=0.03)  # the gauge of a stand-in has no error of calibration
    assert "behind the encoder, in screw or nut" in turn.statement
    assert found["cumulative_pitch_error"].value == pytest.approx(2 * size_m, rel=0.1)
    assert found["periodic_error_cycle"].value < 2e-7


def test_a_wrong_lead_is_found_at_its_size(found_on: Any) -> None:
    found = found_on(screw={"lead_error": 1e-3})
    lead = found["mean_lead_error"]
    assert lead.value == pytest.approx(1e-3, abs=lead.expanded_uncertainty)
    assert found["pitch_error"].value == pytest.approx(1e-3 * LEAD_M, abs=found["pitch_error"].expanded_uncertainty)
    assert found["periodic_error_lead"].value < 1e-7


def test_currents_that_are_no_sines_show_once_a_step_and_on_the_counter(found_on: Any) -> None:
    """A third harmonic h in the currents turns the equilibrium by h once a full step, so by h/50 rad at the shaft:
    0.1 of it is 0.64 µm of travel, less what friction holds (first principles)."""
    found = found_on(motor={"table_error": 0.1}, screw={"drag_torque_nm": 1e-3}, load={"friction_n": 0.2})
    step = found["periodic_error_step"]
    assert step.value == pytest.approx(0.1 / 50 / (2 * math.pi) * LEAD_M, rel=0.1)
    assert "before the screw, in motor or coupling" in step.statement
