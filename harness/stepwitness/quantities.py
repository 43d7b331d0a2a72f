"""Text to SI and back: "2 mm", "0.9 deg", "1/8 in", "1.2 A".

1. Numbers are read as exact fractions. pint (with fractions inside) does the arithmetic of units, those of `units.txt`,
   and is loaded on first use.
2. Angles come out in turns, because a turn is a rational number of degrees and a radian isn't.
3. Travel may also be written in steps, microsteps or counts; those need an axis and are resolved there.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from fractions import Fraction
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import TYPE_CHECKING, Any

from stepwitness.errors import BadInput, near_miss

if TYPE_CHECKING:
    import pint


class Kind(Enum):
    """What a quantity measures; the value is the SI (or house) unit in which it is held."""

    TRAVEL = "m"
    ANGLE = "turn"
    TIME = "s"
    SPEED = "m/s"
    ACCELERATION = "m/s**2"
    CURRENT = "A"
    VOLTAGE = "V"
    RESISTANCE = "ohm"
    INDUCTANCE = "H"
    FORCE = "N"
    TORQUE = "N*m"
    STIFFNESS = "N/m"
    MASS = "kg"
    INERTIA = "kg*m**2"
    DAMPING = "N*m*s"
    FREQUENCY = "Hz"
    TEMPERATURE = "K"
    EXPANSION = "1/K"
    RATIO = "1"
    COUNT = "count"

    @property
    def example(self) -> str:
        return _EXAMPLES[self]


_EXAMPLES = {
    Kind.TRAVEL: "2 mm, 15 um, 1/8 in",
    Kind.ANGLE: "1.8 deg, 1/200 turn",
    Kind.TIME: "20 ms, 1.5 s",
    Kind.SPEED: "30 mm/s",
    Kind.ACCELERATION: "500 mm/s^2",
    Kind.CURRENT: "1.2 A, 50 mA",
    Kind.VOLTAGE: "24 V",
    Kind.RESISTANCE: "1.6 ohm",
    Kind.INDUCTANCE: "2.8 mH",
    Kind.FORCE: "5 N",
    Kind.TORQUE: "0.4 N*m, 30 mN*m",
    Kind.STIFFNESS: "20 N/um",
    Kind.MASS: "1.5 kg",
    Kind.INERTIA: "54 g*cm^2",
    Kind.DAMPING: "1e-4 N*m*s",
    Kind.FREQUENCY: "1 kHz",
    Kind.TEMPERATURE: "293.15 K",
    Kind.EXPANSION: "11.5 ppm/K",
    Kind.RATIO: "0.05 %, 200 ppm, 0.01",
    Kind.COUNT: "0, 3",
}

STEP_UNITS = {
    "step": "step",
    "steps": "step",
    "microstep": "microstep",
    "microsteps": "microstep",
    "count": "count",
    "counts": "count",
}
"""Units of travel that only an axis can turn into metres, by every spelling."""

LONGEST_TEXT = 100
_DIGITS = r"[0-9]{1,40}"
_EXPONENT = r"(?:[eE][+-]?[0-9]{1,2})?"
_NUMBER = re.compile(
    rf"\s*(?P<sign>[+\-−]?)\s*(?P<number>{_DIGITS}\s*/\s*{_DIGITS}|{_DIGITS}(?:\.(?:{_DIGITS})?)?{_EXPONENT}|"
    rf"\.{_DIGITS}{_EXPONENT})\s*(?P<unit>(?![0-9.,]).*?)\s*"
)
"""Bounded, so that no text makes a number of a million digits."""

_FACTOR = r"(?:[^\W\d_]+|%|°)(?:(?:\^|\*\*)-?[1-4](?![0-9])|[²³])?"
_UNIT = re.compile(rf"{_FACTOR}(?:(?:\s*[*/·⋅]\s*|\s+){_FACTOR})*")
"""Products and quotients of units with small powers; pint would evaluate any expression."""

_NEWTON_METRE = re.compile(r"\b([mkuµμ]?)Nm\b")


@dataclass(frozen=True)
class Written:
    """A quantity as it was written: exact number and unit text (empty for a bare number)."""

    number: Fraction
    unit: str

    def __str__(self) -> str:
        return f"{float(self.number):g} {self.unit}".strip()


def si_text(value: float, kind: Kind) -> str:
    """A number of the SI (or house) unit of `kind`, as text that reads back to the same float."""
    unit = {Kind.RATIO: "", Kind.COUNT: "", Kind.EXPANSION: "K**-1"}.get(kind, kind.value)
    return f"{repr(float(value)).removesuffix('.0')} {unit}".strip()


def split(text: str) -> Written:
    """Number and unit of `text`, the number exact.

    Raises
    ------
    BadInput : where no number leads the text, or its denominator is zero.
    """
    match = _NUMBER.fullmatch(text) if len(text) <= LONGEST_TEXT else None
    if match is None:
        raise BadInput(
            "not a quantity",
            found=f"'{text[:LONGEST_TEXT]}'",
            allowed="a number and a unit, such as '2 mm'",
            cure="write a decimal point, not a comma" if re.search("[0-9],[0-9]", text) else "",
        )
    number_text = match["number"].replace(" ", "")
    try:
        number = Fraction(number_text)
    except ZeroDivisionError:
        raise BadInput("a denominator of zero", found=f"'{text}'", allowed="such as '1/8 in'") from None
    return Written(-number if match["sign"] in ("-", "−") else number, match["unit"])


@cache
def _pint() -> ModuleType:
    """pint, on first use, and the same module from then on, so that its errors are those of its registry."""
    import pint

    return pint


@cache
def _registry() -> pint.UnitRegistry[Any]:
    # pint's own list of a thousand units takes longer to read than a plan on a stand-in takes to run
    registry: pint.UnitRegistry[Any] = _pint().UnitRegistry(Path(__file__).parent / "units.txt", non_int_type=Fraction)
    return registry


def _quantity(unit: str, number: Fraction = Fraction(1)) -> Any:
    """`number` of `unit` in base units."""
    return _registry().Quantity(number, unit.replace("·", "*").replace("⋅", "*")).to_root_units()


@cache
def _factor(unit: str, kind: Kind) -> Fraction:
    """How many SI units of `kind` one `unit` is; exact.

    An angle is no ratio and a turn per second is no frequency, although SI gives both the same dimension.

    Raises
    ------
    BadInput : where the unit isn't known, doesn't measure `kind`, or has a zero point of its own.
    """
    allowed = f"a quantity such as {kind.example}"
    if kind is Kind.TRAVEL and unit in STEP_UNITS:
        raise BadInput("a unit that needs an axis", found=f"'{unit}'", allowed=allowed)
    if not _UNIT.fullmatch(unit):
        raise BadInput("a unit that can't be read", found=f"'{unit}'", allowed=allowed)
    one = _quantity("dimensionless" if kind is Kind.RATIO else kind.value)
    try:
        given = _quantity(unit)
        offset = _quantity(unit, Fraction(0)).magnitude
    except _pint().UndefinedUnitError:
        cure = near_miss(unit, _units_of_examples(kind))
        raise BadInput("an unknown unit", found=f"'{unit}'", allowed=allowed, cure=cure) from None
    except Exception:  # pint's parser raises bare token, syntax and type errors for nonsense
        raise BadInput("a unit that can't be read", found=f"'{unit}'", allowed=allowed) from None
    if dict(given.unit_items()) != dict(one.unit_items()):
        raise BadInput(f"a unit that doesn't measure {kind.name.lower()}", found=f"'{unit}'", allowed=allowed)
    if offset:
        raise BadInput("a unit with a zero point of its own", found=f"'{unit}'", allowed=allowed)
    return Fraction(given.magnitude) / Fraction(one.magnitude)


def _units_of_examples(kind: Kind) -> list[str]:
    steps = list(STEP_UNITS) if kind is Kind.TRAVEL else []
    return [split(example).unit for example in kind.example.split(", ")] + steps


def exact(text: str, kind: Kind) -> Fraction:
    """`text` in the SI unit of `kind` (angles in turns), exactly.

    >>> exact("2 mm", Kind.TRAVEL)
    Fraction(1, 500)
    >>> exact("0.9 deg", Kind.ANGLE)
    Fraction(1, 400)
    """
    written = split(text)
    if not written.unit:
        if kind in (Kind.RATIO, Kind.COUNT) or (written.number == 0 and kind is not Kind.TEMPERATURE):
            return written.number
        raise BadInput("a number without a unit", found=f"'{text}'", allowed=f"such as {kind.example}")
    if kind is Kind.COUNT:
        raise BadInput("a unit where a bare number belongs", found=f"'{text}'", allowed=f"such as {kind.example}")
    return written.number * _factor(written.unit, kind)


def si(text: str, kind: Kind) -> float:
    """`text` as a float in the SI unit of `kind`.

    >>> si("50 mA", Kind.CURRENT)
    0.05
    """
    return finite(exact(text, kind), text)


def finite(value: Fraction, text: str) -> float:
    """`value` as a float; `text` is what was typed, for the message."""
    try:
        return float(value)
    except OverflowError:
        raise BadInput("too large a number", found=f"'{text}'") from None


def in_unit(value: float, unit: str, kind: Kind) -> float:
    """An SI `value` of `kind` expressed in `unit`; an empty unit leaves it as it is."""
    return value / float(_factor(unit, kind)) if unit else value


_PRETTY = (
    (_NEWTON_METRE, r"\1N*m"),
    (re.compile(r"\*\*|\^"), "^"),
    (re.compile(r"\^2\b"), "²"),
    (re.compile(r"\^3\b"), "³"),
    (re.compile(r"\s*[*⋅]\s*"), "·"),
    (re.compile(r"\bu(?=[A-Za-z])"), "µ"),
    (re.compile(r"ohm\b"), "Ω"),
    (re.compile(r"\bdeg\b"), "°"),
)
"""How a unit that is typed in ASCII is printed (ISO 80000-1)."""


def pretty(unit: str) -> str:
    """`unit` as it is printed.

    >>> pretty("N/um")
    'N/µm'
    """
    for pattern, printed in _PRETTY:
        unit = pattern.sub(printed, unit)
    return unit
