"""Printed numbers: rounding, signs, spaces, units; what a terminal without Unicode gets."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.display import (
    MINUS,
    NOTHING,
    THIN,
    ascii_fallback,
    columns,
    duration_text,
    estimate_shown,
    limit_text,
    number,
    probability_text,
    rule_text,
    shown,
    with_unit,
)
from stepwitness.errors import BadInput
from stepwitness.findings import (
    Characteristic,
    DecisionRule,
    Estimate,
    Limit,
    Sense,
    aborted,
    judge,
)
from stepwitness.quantities import Kind

AXIS = Axis(
    name="doser",
    full_steps=200,
    microsteps=16,
    travel_per_turn=Fraction(1, 500),
    stroke=Fraction(6, 100),
    orientation=Orientation.HORIZONTAL,
    encoder=Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)
REVERSAL = Characteristic("mean_reversal", "mean reversal value", Kind.TRAVEL, "um", "", "", "B̄", magnitude=True)


def um(value: float | None, U: float, *, resolution: float = 0.0) -> str:
    return str(shown(value, U, "um", Kind.TRAVEL, resolution=resolution)).replace(THIN, " ")


# -- value and uncertainty -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "U", "text"),
    [
        (46.2e-6, 4.1e-6, "46.2 µm ± 4.1 µm"),
        (46.249e-6, 4.1499e-6, "46.2 µm ± 4.1 µm"),
        (-11.2e-6, 1.9e-6, "−11.2 µm ± 1.9 µm"),
        (18.4e-6, 0.0215e-6, "18.400 µm ± 0.022 µm"),
        (1234567.0e-6, 123.4e-6, "1 234 570 µm ± 120 µm"),
        (5e-6, 0.0996e-6, "5.00 µm ± 0.10 µm"),
        (5e-6, 9.96e-6, "5 µm ± 10 µm"),
        (5e-6, 99.6e-6, "0 µm ± 100 µm"),
        (-0.04e-6, 1.0e-6, "0.0 µm ± 1.0 µm"),
        (0.0, 2e-6, "0.0 µm ± 2.0 µm"),
        (1e-6, 1e-12, "1.000 000 0 µm ± 0.000 001 0 µm"),
    ],
)
def test_uncertainty_has_two_digits_and_the_value_its_decimals(value: float, U: float, text: str) -> None:
    assert um(value, U) == text


@pytest.mark.parametrize(
    ("value", "text"), [(0.25e-6, "0.2"), (0.35e-6, "0.4"), (-0.25e-6, "−0.2"), (0.250001e-6, "0.3"), (0.45e-6, "0.4")]
)
def test_halves_round_to_even_on_the_decimal_that_was_meant(value: float, text: str) -> None:
    """0.35 and 0.45 in micrometres aren't binary fractions; 3.5e-07 as written is a half all the same."""
    assert shown(value, 1.0e-6, "um", Kind.TRAVEL).value == text


@given(
    st.decimals("-1e9", "1e9", places=4, allow_nan=False),
    st.decimals("0.0001", "1e6", places=4, allow_nan=False),
)
def test_rounding_keeps_both_within_half_a_place(value: Decimal, U: Decimal) -> None:
    printed = shown(float(value), float(U), "", Kind.RATIO)
    back_value, back_u = (
        Decimal(text.replace(THIN, "").replace(MINUS, "-")) for text in (printed.value, printed.uncertainty)
    )

    place = Decimal(1).scaleb(back_u.adjusted() - 1)
    assert back_u % place == 0
    assert back_u.as_tuple().exponent == min(back_u.adjusted() - 1, 0)
    assert abs(back_u - U) <= place / 2
    assert abs(back_value - value) <= place / 2
    assert back_value % place == 0


def test_value_and_uncertainty_end_at_the_same_place() -> None:
    printed = shown(0.0000462, 0.0000041, "mm", Kind.TRAVEL)

    assert printed.value.partition(".")[2] == "046" + THIN + "2"
    assert printed.uncertainty.partition(".")[2] == "004" + THIN + "1"


def test_nothing_to_print() -> None:
    assert um(None, 3.0) == "—"
    assert shown(None, 0.0, "um", Kind.TRAVEL).unit == ""


# -- a value alone -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (12.3456e-6, "12.3 µm"),
        (0.0123456e-6, "0.012 3 µm"),
        (9.996e-6, "10.0 µm"),
        (1234.5e-6, "1 234 µm"),
        (0.0, "0 µm"),
        (-2.5e-6, "−2.50 µm"),
    ],
)
def test_without_uncertainty_three_digits_and_never_coarser_than_one(value: float, text: str) -> None:
    assert um(value, 0.0) == text


@pytest.mark.parametrize(("resolution", "text"), [(0.1e-6, "12.3 µm"), (0.005e-6, "12.346 µm"), (10e-6, "12 µm")])
def test_or_the_digits_that_the_resolution_allows(resolution: float, text: str) -> None:
    assert um(12.3456e-6, 0.0, resolution=resolution) == text


@pytest.mark.parametrize(
    ("value", "unit", "kind", "text"),
    [
        (3.0, "", Kind.COUNT, "3"),
        (2000.0, "", Kind.COUNT, "2 000"),
        (0.0, "", Kind.COUNT, "0"),
        (2e-3, "microsteps", Kind.TRAVEL, "3 200 microsteps"),
        (2e-3, "counts", Kind.TRAVEL, "2 000 counts"),
        (1e-5, "step", Kind.TRAVEL, "1 step"),
        (2.5e-5, "step", Kind.TRAVEL, "2.50 steps"),
        (-1e-6, "count", Kind.TRAVEL, "−1 counts"),
        (0.0123, "%", Kind.RATIO, "1.23 %"),
        (412.6e-6, "ppm", Kind.RATIO, "413 ppm"),
        (0.0025, "deg", Kind.ANGLE, "0.900°"),
        (0.0123, "ms", Kind.TIME, "12.3 ms"),
        (0.05, "A", Kind.CURRENT, "0.050 0 A"),
    ],
)
def test_units_of_the_trade(value: float, unit: str, kind: Kind, text: str) -> None:
    assert str(shown(value, 0.0, unit, kind, AXIS)).replace(THIN, " ") == text


def test_steps_with_uncertainty() -> None:
    assert str(shown(4.2e-6, 1e-6, "step", Kind.TRAVEL, AXIS)).replace(THIN, " ") == "0.42 steps ± 0.10 steps"
    assert str(shown(1e-5, 1.0e-5, "step", Kind.TRAVEL, AXIS)).replace(THIN, " ") == "1.0 steps ± 1.0 steps"


def test_units_that_dont_fit_are_refused() -> None:
    with pytest.raises(BadInput, match="steps without an axis"):
        shown(1.0, 0.0, "steps", Kind.TRAVEL)
    with pytest.raises(BadInput, match="doesn't measure travel"):
        shown(1.0, 0.0, "A", Kind.TRAVEL)


def test_numbers_with_given_decimals() -> None:
    assert number(-0.04, 1) == "0.0"
    assert number(1234.5, 0) == f"1{THIN}234"
    assert number(1235, -1) == f"1{THIN}240"
    assert number(999.5, 0) == f"1{THIN}000"
    assert number(Fraction(1, 3), 4) == f"0.333{THIN}3"


# -- limits, lines, the rest ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bound", "unit", "kind", "text"),
    [
        (30e-6, "um", Kind.TRAVEL, "≤ 30 µm"),
        (0.003175, "in", Kind.TRAVEL, "≤ 0.125 in"),
        (12.5e-6, "um", Kind.TRAVEL, "≤ 12.5 µm"),
        (1e-5, "step", Kind.TRAVEL, "≤ 1 step"),
        (3e-6, "count", Kind.TRAVEL, "≤ 3 counts"),
        (0.0, "um", Kind.TRAVEL, "≤ 0 µm"),
        (0.0, "", Kind.COUNT, "≤ 0"),
        (500e-6, "ppm", Kind.RATIO, "≤ 500 ppm"),
        (0.02, "ms", Kind.TIME, "≤ 20 ms"),
        (1.5, "mm", Kind.TRAVEL, "≤ 1 500 mm"),
    ],
)
def test_a_limit_keeps_the_digits_that_were_written(bound: float, unit: str, kind: Kind, text: str) -> None:
    characteristic = Characteristic("x", "x", kind, unit, "", "")

    assert limit_text(Limit(characteristic, bound, unit, ""), AXIS).replace(THIN, " ") == text


def test_a_limit_from_below() -> None:
    characteristic = Characteristic("x", "x", Kind.FORCE, "N", "", "", sense=Sense.AT_LEAST)

    assert limit_text(Limit(characteristic, 5.0, "N", "")) == f"≥ 5{THIN}N"


def test_a_finding_is_one_line() -> None:
    limit = Limit(REVERSAL, 15e-6, "um", "15 um")
    seen = judge("backlash", limit, Estimate("mean_reversal", -11.2e-6, 0.95e-6), DecisionRule.GUARDED)
    lost = aborted("backlash", limit, DecisionRule.GUARDED, "the stop circuit opened")

    line = columns(seen)
    assert (line.heading, line.verdict) == ("mean reversal value B̄", "PASS")
    assert line.value == f"{MINUS}11.2{THIN}µm ± 1.9{THIN}µm"
    assert line.limit == f"≤ 15{THIN}µm"
    assert line.factor == "2"
    assert (columns(lost).value, columns(lost).factor, columns(lost).verdict) == ("—", "", "ABORTED")


def test_an_estimate_without_limit_is_shown_in_its_own_unit() -> None:
    estimate = Estimate("mean_reversal", 2e-6, 0.05e-6)

    assert str(estimate_shown(REVERSAL, estimate)) == f"2.00{THIN}µm ± 0.10{THIN}µm"
    assert estimate_shown(REVERSAL, estimate, unit="steps", axis=AXIS).value == "0.200"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0, "0 s"),
        (24.4, "24 s"),
        (59.7, "1 min 0 s"),
        (161.0, "2 min 41 s"),
        (3600.0, "1 h 00 min"),
        (7500.0, "2 h 05 min"),
    ],
)
def test_durations(seconds: float, text: str) -> None:
    assert duration_text(seconds).replace(THIN, " ") == text


def test_rules_by_name() -> None:
    assert rule_text(DecisionRule.GUARDED) == "guarded acceptance"
    assert rule_text(DecisionRule.SIMPLE, factors=[2.0, 2.0]) == "simple acceptance, k = 2"
    assert rule_text(DecisionRule.SIMPLE, factors=[2.0, 2.8693, 2.1]) == "simple acceptance, k = 2 to 2.87"


def test_the_degree_sign_stands_close() -> None:
    assert with_unit("1.8", "°") == "1.8°"
    assert with_unit("3", "") == "3"


@pytest.mark.parametrize(
    ("text", "plain"),
    [
        (f"{MINUS}11.2{THIN}µm ± 1.9{THIN}µm", "-11.2 um +/- 1.9 um"),
        ("R↑ ≤ 30 µm", "R up <= 30 um"),
        ("mean reversal value B̄ ≥ 0", "mean reversal value B >= 0"),
        ("0.9° · 4 Ω × 2 m/s²", "0.9 deg * 4 ohm x 2 m/s^2"),
        ("— … ’ →", "- ... ' ->"),
        ("é 漢", "e ?"),
        ("plain", "plain"),
    ],
)
def test_the_same_in_ascii(text: str, plain: str) -> None:
    assert ascii_fallback(text) == plain


@given(st.text())
def test_ascii_is_ascii(text: str) -> None:
    assert ascii_fallback(text).isascii()


@pytest.mark.parametrize(
    ("probability", "text"),
    [(None, NOTHING), (1.0, "100 %"), (0.0, "0 %"), (0.99999, "> 99.9 %"), (1e-9, "< 0.1 %"), (0.5, "50.0 %")],
)
def test_a_probability_is_certain_only_where_it_is(probability: float | None, text: str) -> None:
    assert probability_text(probability).replace(THIN, " ") == text


def test_each_rule_in_words() -> None:
    assert [rule_text(rule, 0.025, [2.0]).replace(THIN, " ") for rule in DecisionRule] == [
        "guarded acceptance, k = 2",
        "simple acceptance, k = 2",
        "guarded rejection, k = 2",
        "stated risk of at most 2.5 %",
    ]
