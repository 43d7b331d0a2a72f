"""Geometry: exact conversions over any length of motion, and the bounds of a following-error window.

Closed forms are first principles, written out in the check values `screw-and-motor/stepper-closed-forms.json`.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.axis import (
    Axis,
    Decoding,
    Encoder,
    Mounting,
    Orientation,
    WindowBounds,
    full_steps_of,
)
from stepwitness.errors import BadInput
from stepwitness.installation.reference_data import REFERENCES

CLOSED_FORMS: dict[str, Any] = json.loads((REFERENCES / "screw-and-motor" / "stepper-closed-forms.json").read_text())

DOSER = Axis(
    name="doser",
    full_steps=200,
    microsteps=16,
    travel_per_turn=Fraction(2, 1000),
    stroke=Fraction(60, 1000),
    orientation=Orientation.HORIZONTAL,
    encoder=Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)
BARE = replace(DOSER, encoder=None)
SCALE = replace(DOSER, encoder=Encoder(1 / Fraction(20, 1_000_000), Decoding.X4, Mounting.LOAD))

encoders = st.builds(
    Encoder,
    lines=st.fractions(min_value=1, max_value=10**6, max_denominator=1000),
    decoding=st.sampled_from(Decoding),
    mounting=st.sampled_from(Mounting),
    reversed=st.booleans(),
)
axes = st.builds(
    Axis,
    name=st.just("any"),
    full_steps=st.sampled_from([20, 48, 200, 400, 500 * 4]),
    microsteps=st.sampled_from([1, 2, 3, 5, 10, 16, 256]),
    travel_per_turn=st.fractions(min_value=Fraction(1, 10**5), max_value=1, max_denominator=10**7),
    stroke=st.just(Fraction(1)),
    orientation=st.sampled_from(Orientation),
    encoder=encoders,
)
far = st.integers(-(10**15), 10**15)
"""Microsteps or counts; 10**12 full steps of 256 microsteps lie within."""


class TestSizes:
    def test_of_the_doser(self) -> None:
        assert DOSER.microsteps_per_turn == 3200
        assert DOSER.step_travel == Fraction(10, 10**6)
        assert DOSER.microstep_travel == Fraction(625, 10**9)
        assert DOSER.count_travel == Fraction(1, 10**6)
        assert DOSER.counts_per_step == 10
        assert DOSER.rotor_teeth == 50

    def test_against_the_closed_forms(self) -> None:
        travel = CLOSED_FORMS["travel"]
        axis = replace(DOSER, travel_per_turn=Fraction(8, 1000))
        assert axis.step_travel * 10**6 == int(travel["full_step_um_lead_8"])
        assert axis.microstep_travel * 10**6 == Fraction(travel["microstep_16_um_lead_8"])
        assert axis.count_travel * 10**6 == int(CLOSED_FORMS["quadrature"]["travel_per_X4_count_um_lead_8"])
        slip = 4 * axis.step_travel * 1000
        assert slip == Fraction(CLOSED_FORMS["lost_steps"]["travel_per_slip_mm_lead_8"])

    @pytest.mark.parametrize("decoding", Decoding)
    def test_counts_per_turn_by_decoding(self, decoding: Decoding) -> None:
        axis = replace(DOSER, encoder=Encoder(Fraction(500), decoding, Mounting.MOTOR))
        per_turn = axis.counts_of_microsteps(axis.microsteps_per_turn)
        assert per_turn == CLOSED_FORMS["quadrature"]["counts_per_rev"][decoding.name]

    def test_an_encoder_on_the_load_does_not_turn(self) -> None:
        assert SCALE.count_travel == Fraction(5, 10**6)
        geared = replace(SCALE, travel_per_turn=SCALE.travel_per_turn / 5)
        assert geared.count_travel == SCALE.count_travel
        assert geared.microstep_travel == SCALE.microstep_travel / 5

    def test_an_axis_without_an_encoder_has_no_counts(self) -> None:
        for ask in (
            lambda: BARE.count_travel,
            lambda: BARE.counts_per_step,
            lambda: BARE.travel_of_counts(1),
            lambda: BARE.counts_of_travel(Fraction(1)),
            lambda: BARE.travel("3 counts"),
        ):
            with pytest.raises(BadInput) as caught:
                ask()
            assert str(caught.value) == "axis 'doser' has no encoder; allowed: a 'counter' part in the bench file"


class TestConversions:
    @settings(max_examples=200)
    @given(axis=axes, microsteps=far)
    def test_microsteps_come_back_through_travel_and_counts(self, axis: Axis, microsteps: int) -> None:
        travel = axis.travel_of_microsteps(microsteps)
        assert axis.microsteps_of_travel(travel) == microsteps
        counts = axis.counts_of_microsteps(microsteps)
        assert axis.microsteps_of_counts(counts) == microsteps
        assert axis.travel_of_counts(counts) == travel
        assert axis.nearest_microstep(travel) == microsteps

    @settings(max_examples=200)
    @given(axis=axes, counts=far)
    def test_counts_come_back_through_travel_and_microsteps(self, axis: Axis, counts: int) -> None:
        travel = axis.travel_of_counts(counts)
        assert axis.counts_of_travel(travel) == counts
        assert axis.counts_of_microsteps(axis.microsteps_of_counts(counts)) == counts
        assert axis.counts_of_microsteps(axis.microsteps_of_travel(travel)) == counts

    @settings(max_examples=100)
    @given(axis=axes, moves=st.lists(far, min_size=1, max_size=50))
    def test_many_moves_add_up_without_drift(self, axis: Axis, moves: list[int]) -> None:
        travelled = sum((axis.travel_of_microsteps(move) for move in moves), Fraction(0))
        counted = sum((axis.counts_of_microsteps(move) for move in moves), Fraction(0))
        assert travelled == axis.travel_of_microsteps(sum(moves))
        assert axis.travel_of_counts(counted) == travelled

    @settings(max_examples=100)
    @given(axis=axes, counts=far)
    def test_a_reversed_encoder_counts_the_other_way(self, axis: Axis, counts: int) -> None:
        assert axis.encoder is not None
        turned = replace(axis, encoder=replace(axis.encoder, reversed=not axis.encoder.reversed))
        assert turned.travel_of_counts(counts) == -axis.travel_of_counts(counts)
        assert turned.count_travel == axis.count_travel > 0

    @settings(max_examples=200)
    @given(microsteps=st.integers(-(2**50), 2**50))
    def test_a_float_travel_still_finds_its_microstep(self, microsteps: int) -> None:
        """A float holds 53 bits, so up to 2**50 microsteps its error stays under half of one."""
        assert DOSER.nearest_microstep(float(DOSER.travel_of_microsteps(microsteps))) == microsteps

    @settings(max_examples=100)
    @given(axis=axes, travel=st.fractions(min_value=-10, max_value=10, max_denominator=10**9))
    def test_the_nearest_microstep_is_at_most_half_a_microstep_away(self, axis: Axis, travel: Fraction) -> None:
        away = axis.travel_of_microsteps(axis.nearest_microstep(travel)) - travel
        assert abs(away) * 2 <= axis.microstep_travel

    def test_halves_round_to_even(self) -> None:
        half = DOSER.microstep_travel / 2
        assert [DOSER.nearest_microstep(n * half) for n in (1, 3, 5, -1, -3)] == [0, 2, 2, 0, -2]


class TestWrittenTravel:
    @pytest.mark.parametrize(
        ("text", "metres"),
        [
            ("1 step", Fraction(10, 10**6)),
            ("2.5 steps", Fraction(25, 10**6)),
            ("16 microsteps", Fraction(10, 10**6)),
            ("1 microstep", Fraction(625, 10**9)),
            ("10 counts", Fraction(10, 10**6)),
            ("-1/2 count", Fraction(-1, 2 * 10**6)),
            ("2 mm", Fraction(2, 1000)),
            ("0", Fraction(0)),
        ],
    )
    def test_in_any_unit(self, text: str, metres: Fraction) -> None:
        assert DOSER.travel(text) == metres

    def test_a_limit_in_counts_has_no_direction(self) -> None:
        assert DOSER.encoder is not None
        turned = replace(DOSER, encoder=replace(DOSER.encoder, reversed=True))
        assert turned.travel("10 counts") == DOSER.travel("10 counts")

    @pytest.mark.parametrize("text", ["3", "3 stps", "3 A", "steps"])
    def test_refused(self, text: str) -> None:
        with pytest.raises(BadInput):
            DOSER.travel(text)


class TestStepAngle:
    @pytest.mark.parametrize(
        ("text", "steps"),
        [("1.8 deg", 200), ("0.9 deg", 400), ("7.5 deg", 48), ("18 deg", 20), ("1/200 turn", 200), ("0.72 deg", 500)],
    )
    def test_divides_the_turn(self, text: str, steps: int) -> None:
        assert full_steps_of(text) == steps

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ("0 deg", "a step angle must be positive"),
            ("-1.8 deg", "a step angle must be positive"),
            ("1.7 deg", "a turn isn't a whole number of electrical periods"),
            ("4 deg", "a turn isn't a whole number of electrical periods"),  # 90 steps, 22.5 periods
            ("720 deg", "a turn isn't a whole number of electrical periods"),
            ("1.8", "a number without a unit"),
            ("1.8 mm", "a unit that doesn't measure angle"),
            ("1/64 rad", "a turn isn't a whole number of electrical periods"),
        ],
    )
    def test_refused(self, text: str, problem: str) -> None:
        with pytest.raises(BadInput) as caught:
            full_steps_of(text)
        assert caught.value.problem == problem


def bounds(axis: Axis = BARE, **changes: float) -> WindowBounds:
    still = {"torque_ratio": 0.0, "swing_steps": 0.0, "current_lag_s": 0.0, "speed_m_per_s": 0.0, "skew_s": 0.0}
    return axis.following_error_bounds(**(still | changes))


class TestFollowingErrorWindow:
    def test_at_rest_without_load_only_quantisation_is_left(self) -> None:
        assert bounds().least_steps == pytest.approx(1 / 16)
        assert bounds(DOSER).least_steps == pytest.approx(1 / 16 + 1 / 10)

    @pytest.mark.parametrize(("ratio", "steps"), [(0.0, 0.0), (0.5, 1 / 3), (1.0, 1.0), (3.0, 1.0), (-0.5, 1 / 3)])
    def test_lag_under_load(self, ratio: float, steps: float) -> None:
        """Half the holding torque lags 30 electrical degrees, a third of a full step; one full step at most."""
        assert bounds(torque_ratio=ratio).least_steps - 1 / 16 == pytest.approx(steps)

    def test_lag_against_the_closed_form(self) -> None:
        case, lag = CLOSED_FORMS["case"], CLOSED_FORMS["static_lead_angle"]
        ratio = float(case["T_load_Nm"]) / float(case["T_hold_Nm"])
        assert bounds(torque_ratio=ratio).least_steps - 1 / 16 == pytest.approx(float(lag["full_steps"]), rel=1e-12)

    def test_speed_counts_with_current_lag_and_skew(self) -> None:
        """30 mm/s are 3000 steps a second, so 0.2 ms of either are 0.6 steps."""
        assert bounds(speed_m_per_s=0.03, skew_s=2e-4).least_steps - 1 / 16 == pytest.approx(0.6)
        assert bounds(speed_m_per_s=-0.03, current_lag_s=2e-4).least_steps - 1 / 16 == pytest.approx(0.6)
        both = bounds(speed_m_per_s=0.03, skew_s=2e-4, current_lag_s=2e-4, swing_steps=0.5, torque_ratio=0.5)
        assert both.least_steps == pytest.approx(1 / 16 + 1.2 + 0.5 + 1 / 3)

    @settings(max_examples=100)
    @given(
        torque_ratio=st.floats(0, 2),
        swing_steps=st.floats(0, 3),
        speed_m_per_s=st.floats(-1, 1),
        skew_s=st.floats(0, 1e-2),
        current_lag_s=st.floats(0, 1e-2),
    )
    def test_the_two_bounds_share_one_electrical_period(self, **changes: float) -> None:
        found = bounds(DOSER, **changes)
        assert found.least_steps + found.largest_steps == pytest.approx(4)
        assert found.observable == (found.least_steps <= found.largest_steps)

    def test_where_they_cross_no_window_does_both(self) -> None:
        assert bounds(swing_steps=2 - 1 / 16).observable
        crossed = bounds(swing_steps=2)
        assert not crossed.observable
        for change in ("speed", "current", "time", "lines"):
            assert change in crossed.cure()

    def test_nothing_that_is_not_a_number_passes_for_a_window(self) -> None:
        assert not bounds(swing_steps=math.nan).observable
