"""Text to SI and back.

Factors not written out as arithmetic are from the SI brochure (9th edition) or exact by definition.
"""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import contextlib
import subprocess
import sys
from fractions import Fraction

import pint
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from stepwitness.errors import BadInput
from stepwitness.quantities import LONGEST_TEXT, STEP_UNITS, Kind, Written, exact, in_unit, pretty, si, split

EXACT = [
    ("2 mm", Kind.TRAVEL, Fraction(1, 500)),
    ("2mm", Kind.TRAVEL, Fraction(1, 500)),
    (" 2  mm ", Kind.TRAVEL, Fraction(1, 500)),
    ("2.0e0 mm", Kind.TRAVEL, Fraction(1, 500)),
    ("0.1 um", Kind.TRAVEL, Fraction(1, 10_000_000)),
    ("0.1 µm", Kind.TRAVEL, Fraction(1, 10_000_000)),
    ("0.1 μm", Kind.TRAVEL, Fraction(1, 10_000_000)),  # Greek mu
    ("1/8 in", Kind.TRAVEL, Fraction(254, 80_000)),  # the inch is 25.4 mm (1959 agreement)
    ("1 / 8 inch", Kind.TRAVEL, Fraction(254, 80_000)),
    (".5 mm", Kind.TRAVEL, Fraction(1, 2000)),
    ("5. mm", Kind.TRAVEL, Fraction(1, 200)),
    ("-2.5 mm", Kind.TRAVEL, Fraction(-1, 400)),
    ("−2.5 mm", Kind.TRAVEL, Fraction(-1, 400)),
    ("+ 2.5 mm", Kind.TRAVEL, Fraction(1, 400)),
    ("1.8 deg", Kind.ANGLE, Fraction(1, 200)),
    ("0.9 deg", Kind.ANGLE, Fraction(1, 400)),
    ("1.8°", Kind.ANGLE, Fraction(1, 200)),
    ("1/200 turn", Kind.ANGLE, Fraction(1, 200)),
    ("1/200 rev", Kind.ANGLE, Fraction(1, 200)),
    ("108 arcmin", Kind.ANGLE, Fraction(1, 200)),
    ("20 ms", Kind.TIME, Fraction(1, 50)),
    ("2 min", Kind.TIME, Fraction(120)),
    ("30 mm/s", Kind.SPEED, Fraction(3, 100)),
    ("1.8 m/min", Kind.SPEED, Fraction(3, 100)),
    ("600 mm/s^2", Kind.ACCELERATION, Fraction(3, 5)),
    ("600 mm/s**2", Kind.ACCELERATION, Fraction(3, 5)),
    ("600 mm/s²", Kind.ACCELERATION, Fraction(3, 5)),
    ("600 mm*s^-2", Kind.ACCELERATION, Fraction(3, 5)),
    ("1.2 A", Kind.CURRENT, Fraction(6, 5)),
    ("50 mA", Kind.CURRENT, Fraction(1, 20)),
    ("24 V", Kind.VOLTAGE, Fraction(24)),
    ("1.6 ohm", Kind.RESISTANCE, Fraction(8, 5)),
    ("1.6 Ω", Kind.RESISTANCE, Fraction(8, 5)),
    ("2.8 mH", Kind.INDUCTANCE, Fraction(28, 10_000)),
    ("5 N", Kind.FORCE, Fraction(5)),
    ("1 kgf", Kind.FORCE, Fraction(980665, 100_000)),  # standard gravity (3rd CGPM, 1901)
    ("0.4 N*m", Kind.TORQUE, Fraction(2, 5)),
    ("0.4 N m", Kind.TORQUE, Fraction(2, 5)),
    ("0.4 N·m", Kind.TORQUE, Fraction(2, 5)),
    ("0.4 Nm", Kind.TORQUE, Fraction(2, 5)),
    ("30 mNm", Kind.TORQUE, Fraction(3, 100)),
    ("30 mN*m", Kind.TORQUE, Fraction(3, 100)),
    ("40 N*cm", Kind.TORQUE, Fraction(2, 5)),
    ("20 N/um", Kind.STIFFNESS, Fraction(20_000_000)),
    ("1.5 kg", Kind.MASS, Fraction(3, 2)),
    ("54 g*cm^2", Kind.INERTIA, Fraction(54, 10**7)),
    ("1e-4 N*m*s", Kind.DAMPING, Fraction(1, 10_000)),
    ("1 kHz", Kind.FREQUENCY, Fraction(1000)),
    ("293.15 K", Kind.TEMPERATURE, Fraction(29315, 100)),
    ("0.05 %", Kind.RATIO, Fraction(1, 2000)),
    ("200 ppm", Kind.RATIO, Fraction(1, 5000)),
    ("0.01", Kind.RATIO, Fraction(1, 100)),
    ("1/3", Kind.RATIO, Fraction(1, 3)),
    ("3", Kind.COUNT, Fraction(3)),
    ("0", Kind.COUNT, Fraction(0)),
    ("0", Kind.TRAVEL, Fraction(0)),
]


@pytest.mark.parametrize(("text", "kind", "value"), EXACT)
def test_exact(text: str, kind: Kind, value: Fraction) -> None:
    found = exact(text, kind)
    assert found == value
    assert isinstance(found, Fraction)


@pytest.mark.parametrize("kind", Kind)
def test_every_example_can_be_read(kind: Kind) -> None:
    for text in kind.example.split(", "):
        assert exact(text, kind) is not None


REFUSED = [
    ("5 A", Kind.TRAVEL, "a unit that doesn't measure travel; found 'A'; allowed: a quantity such as 2 mm, 15 um, 1/8 in"),
    ("5", Kind.TRAVEL, "a number without a unit; found '5'; allowed: such as 2 mm, 15 um, 1/8 in"),
    ("2 mmm", Kind.TRAVEL, "an unknown unit; found 'mmm'; allowed: a quantity such as 2 mm, 15 um, 1/8 in; did you mean 'mm'?"),
    ("2 stps", Kind.TRAVEL, "an unknown unit; found 'stps'; allowed: a quantity such as 2 mm, 15 um, 1/8 in; did you mean 'steps'?"),
    ("2 steps", Kind.TRAVEL, "a unit that needs an axis; found 'steps'; allowed: a quantity such as 2 mm, 15 um, 1/8 in"),
    ("1,5 mm", Kind.TRAVEL, "not a quantity; found '1,5 mm'; allowed: a number and a unit, such as '2 mm'; write a decimal point, not a comma"),
    ("mm", Kind.TRAVEL, "not a quantity; found 'mm'; allowed: a number and a unit, such as '2 mm'"),
    ("", Kind.TRAVEL, "not a quantity; found ''; allowed: a number and a unit, such as '2 mm'"),
    ("1/0 in", Kind.TRAVEL, "a denominator of zero; found '1/0 in'; allowed: such as '1/8 in'"),
    ("3 counts", Kind.COUNT, "a unit where a bare number belongs; found '3 counts'; allowed: such as 0, 3"),
    ("0", Kind.TEMPERATURE, "a number without a unit; found '0'; allowed: such as 293.15 K"),
    ("20 degC", Kind.TEMPERATURE, "a unit with a zero point of its own; found 'degC'; allowed: a quantity such as 293.15 K"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "kind", "message"), REFUSED)
def test_refused_with_the_reason(text: str, kind: Kind, message: str) -> None:
    with pytest.raises(BadInput) as caught:
        exact(text, kind)
    assert str(caught.value) == message


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("2 deg", Kind.RATIO),  # SI gives an angle the dimension 1, yet a share of two degrees means nothing
        ("5 %", Kind.ANGLE),
        ("0.5", Kind.ANGLE),
        ("60 rpm", Kind.FREQUENCY),  # a turn per second is 2 pi rad/s and so 6.28 Hz to a unit library
        ("1 rad/s", Kind.FREQUENCY),
        ("3 bit", Kind.RATIO),
        ("2 counts", Kind.RATIO),
        ("3 dB", Kind.RATIO),
        ("1 mm^4^4^4", Kind.TRAVEL),
        ("1 mm^99", Kind.TRAVEL),
        ("1 mm**(2-1)", Kind.TRAVEL),
        ("1 9**9**9 mm", Kind.TRAVEL),
        ("5 2 mm", Kind.TRAVEL),
        ("2 1/8 in", Kind.TRAVEL),
        ("1.2.3 mm", Kind.TRAVEL),
        ("1e999 mm", Kind.TRAVEL),
        ("1e99999999999 mm", Kind.TRAVEL),
        ("9" * 41 + " mm", Kind.TRAVEL),
        ("1 " + "m" * LONGEST_TEXT, Kind.TRAVEL),
        ("٣ mm", Kind.TRAVEL),  # digits of another script
        ("inf mm", Kind.TRAVEL),
        ("nan mm", Kind.TRAVEL),
        ("1 mm # rough", Kind.TRAVEL),
        ("1 __import__('os')", Kind.TRAVEL),
        ("1 to", Kind.TRAVEL),
        ("1 'mm'", Kind.TRAVEL),
        ("1 mm\n", Kind.COUNT),
        ("--2 mm", Kind.TRAVEL),
    ],
)
def test_refused(text: str, kind: Kind) -> None:
    with pytest.raises(BadInput):
        exact(text, kind)


def test_a_number_beyond_floats_is_refused_as_a_float() -> None:
    text = "1e99 Ym^4"
    with pytest.raises(BadInput):
        si(text, Kind.TRAVEL)


@settings(max_examples=300)
@given(st.text(max_size=30), st.sampled_from(Kind))
@example("1 m^-4^-4", Kind.TRAVEL)
@example("1e99 Ym", Kind.TRAVEL)
@example("1 %%", Kind.RATIO)
def test_any_text_is_a_number_or_a_refusal(text: str, kind: Kind) -> None:
    with contextlib.suppress(BadInput):
        assert isinstance(si(text, kind), float)


@settings(max_examples=300)
@given(
    number=st.sampled_from(["1", "-2.5", "1/8", "1e3", ".5"]),
    unit=st.lists(
        st.sampled_from(
            ["m", "mm", "s", "A", "N", "*", "/", "^", "**", "2", "-", " ", "(", ")", "%", "deg", "²", "e", "0", "."]
        ),
        max_size=8,
    ).map("".join),
    kind=st.sampled_from(Kind),
)
def test_any_expression_of_units_is_a_number_or_a_refusal(number: str, unit: str, kind: Kind) -> None:
    with contextlib.suppress(BadInput):
        assert isinstance(si(f"{number} {unit}", kind), float)


FRACTIONS = st.fractions(min_value=-1000, max_value=1000, max_denominator=10**6)
UNITS = st.sampled_from(
    [
        ("mm", Kind.TRAVEL),
        ("um", Kind.TRAVEL),
        ("in", Kind.TRAVEL),
        ("deg", Kind.ANGLE),
        ("mA", Kind.CURRENT),
        ("ppm", Kind.RATIO),
        ("N*m", Kind.TORQUE),
        ("mm/s^2", Kind.ACCELERATION),
        ("N/um", Kind.STIFFNESS),
    ]
)


@settings(max_examples=200)
@given(first=FRACTIONS, second=FRACTIONS, unit=UNITS)
def test_sums_are_exact(first: Fraction, second: Fraction, unit: tuple[str, Kind]) -> None:
    word, kind = unit
    assert exact(f"{first} {word}", kind) + exact(f"{second} {word}", kind) == exact(f"{first + second} {word}", kind)


@settings(max_examples=200)
@given(number=st.floats(1e-6, 1e6), unit=UNITS)
def test_back_into_the_unit_that_was_typed(number: float, unit: tuple[str, Kind]) -> None:
    word, kind = unit
    assert in_unit(si(f"{number!r} {word}", kind), word, kind) == pytest.approx(number, rel=1e-14)


def test_an_empty_unit_leaves_a_value_as_it_is() -> None:
    assert in_unit(3.0, "", Kind.COUNT) == 3.0


def test_split_keeps_the_unit_as_typed() -> None:
    assert split("2.5 steps") == Written(Fraction(5, 2), "steps")
    assert str(split("1/8 in")) == "0.125 in"
    assert str(split("3")) == "3"


def test_every_spelling_of_a_step_unit_leads_to_one_word() -> None:
    assert set(STEP_UNITS.values()) == {"step", "microstep", "count"}
    assert all(word.rstrip("s") == unit for word, unit in STEP_UNITS.items())


@pytest.mark.parametrize(
    ("typed", "printed"),
    [
        ("um", "µm"),
        ("uA", "µA"),
        ("N*m", "N·m"),
        ("Nm", "N·m"),
        ("mNm", "mN·m"),
        ("N/um", "N/µm"),
        ("mm/s^2", "mm/s²"),
        ("mm/s**2", "mm/s²"),
        ("g*cm^2", "g·cm²"),
        ("deg", "°"),
        ("ohm", "Ω"),
        ("mm", "mm"),
        ("step", "step"),
    ],
)
def test_units_are_printed_as_iso_80000_has_them(typed: str, printed: str) -> None:
    assert pretty(typed) == printed


def test_the_unit_library_is_loaded_on_first_use_only() -> None:
    code = "import sys, stepwitness.quantities as q; q.split('2 mm'); sys.exit('pint' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_an_unknown_unit_is_told_even_where_pint_was_imported_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    """As after a test that restores sys.modules: an error of another copy of pint is none that we could name."""
    exact("1 mm", Kind.TRAVEL)
    for name in [name for name in sys.modules if name.partition(".")[0] == "pint"]:
        monkeypatch.delitem(sys.modules, name)
    with pytest.raises(BadInput, match="an unknown unit"):
        exact("1 stpz", Kind.TRAVEL)


def _default_factor(registry: pint.UnitRegistry[Fraction], unit: str, base: str) -> Fraction:
    return Fraction(registry.Quantity(Fraction(1), unit).to(base).magnitude)


@pytest.mark.parametrize(
    ("kind", "units"),
    [
        (Kind.TRAVEL, "fm pm nm um µm mm cm dm km metre inch ft thou"),
        (Kind.ANGLE, "turn revolution deg degree arcmin arcsec rad mrad"),
        (Kind.TIME, "ns us ms s sec min h hour day"),
        (Kind.SPEED, "mm/s m/min inch/s mm/min"),
        (Kind.ACCELERATION, "mm/s**2 inch/s**2"),
        (Kind.CURRENT, "A mA uA amp"),
        (Kind.VOLTAGE, "V mV kV"),
        (Kind.RESISTANCE, "ohm mohm kohm"),
        (Kind.INDUCTANCE, "H mH uH"),
        (Kind.FORCE, "N mN kN kgf gf lbf ozf dyn"),
        (Kind.TORQUE, "N*m mN*m lbf*inch ozf*inch kgf*cm"),
        (Kind.STIFFNESS, "N/um N/mm lbf/inch"),
        (Kind.MASS, "g kg mg lb oz tonne t"),
        (Kind.INERTIA, "kg*m**2 g*cm**2 oz*inch**2"),
        (Kind.FREQUENCY, "Hz kHz"),
        (Kind.RATIO, "percent permille ppm"),
    ],
)
def test_each_unit_is_what_the_unit_library_has_it_be(kind: Kind, units: str) -> None:
    """Outside check: pint's own list, which gives an angle's base unit as a radian of many digits."""
    theirs = pint.UnitRegistry(non_int_type=Fraction)
    base = "dimensionless" if kind is Kind.RATIO else kind.value
    for unit in units.split():
        assert float(exact(f"1 {unit}", kind)) == pytest.approx(float(_default_factor(theirs, unit, base)), rel=1e-15)
