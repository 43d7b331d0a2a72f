"""How a number is printed, in the one place that all screens and pages use.

1. Value and expanded uncertainty to the same decimal place, the uncertainty with two significant digits, both
   rounded half to even, exactly (JCGM 100 7.2; ISO 80000-1 Annex B). Never used to judge.
2. A thin space stands between number and unit and between groups of three digits; a minus is a minus
   (ISO 80000-1, 7.1 and 7.2). A degree sign follows its number without a space.
3. Where a terminal has no Unicode, `ascii_fallback` says the same in ASCII.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from stepwitness.axis import Axis
from stepwitness.errors import BadInput
from stepwitness.findings import (
    MAXIMUM_RISK,
    Characteristic,
    DecisionRule,
    Estimate,
    Finding,
    Limit,
    Range,
)
from stepwitness.findings_table import Row
from stepwitness.quantities import STEP_UNITS, Kind, exact, pretty

THIN = "\u2009"
MINUS = "\u2212"
NOTHING = "\u2014"
"""Stands where there is no value to print."""

SHAPES = {"PASS": "●", "FAIL": "✕", "INCONCLUSIVE": "◐", "NOT OBSERVABLE": "○", "ABORTED": "■", "PARTIAL": "▪"}
"""A shape beside each verdict, so that it is told apart at a glance without colour."""

_SIGNIFICANT_OF_U = 2
_SIGNIFICANT_ALONE = 3
_SIGNIFICANT_OF_LIMIT = 12


@dataclass(frozen=True)
class Shown:
    """A value as printed: number, expanded uncertainty and unit; the latter two are empty where there is none."""

    value: str
    uncertainty: str
    unit: str

    def __str__(self) -> str:
        """``46.2 µm ± 4.1 µm``, or the value alone."""
        value = with_unit(self.value, self.unit)
        return f"{value} ± {with_unit(self.uncertainty, self.unit)}" if self.uncertainty else value


# -- numbers -------------------------------------------------------------------------------------------------


def number(value: float | Fraction, decimals: int) -> str:
    """`value` with so many decimals, a true minus and grouped digits; −1 decimals rounds to tens.

    >>> number(-12345.678, 1).replace(THIN, " ")
    '−12 345.7'
    """
    return _printed(_rounded(_fraction(value), -decimals))


def _fraction(value: float | Fraction) -> Fraction:
    """The number that repr writes, exactly: 0.1 is a tenth here."""
    return value if isinstance(value, Fraction) else Fraction(repr(float(value)))


def _rounded(value: Fraction, exponent: int) -> Decimal:
    """`value` to a multiple of ten to the `exponent`, halves to even."""
    return Decimal(round(value / Fraction(10) ** exponent)).scaleb(exponent)


def _magnitude(value: Fraction) -> int:
    """Exponent of the first significant digit of a value that isn't zero."""
    return (Decimal(value.numerator) / Decimal(value.denominator)).adjusted()


def _exponent(value: Fraction, significant: int) -> int:
    """Of the last of so many significant digits, after rounding: 0.0996 to two is 0.10, not 0.100."""
    exponent = _magnitude(value) - significant + 1
    return exponent + (_rounded(value, exponent).adjusted() - _magnitude(value))


def _printed(value: Decimal) -> str:
    text = f"{abs(value):f}"
    whole, _, decimals = text.partition(".")
    grouped = _grouped_from_right(whole)
    if decimals:
        grouped += "." + THIN.join(decimals[at : at + 3] for at in range(0, len(decimals), 3))
    return f"{MINUS}{grouped}" if value < 0 else grouped


def _grouped_from_right(digits: str) -> str:
    first = len(digits) % 3 or 3
    return THIN.join([digits[:first], *(digits[at : at + 3] for at in range(first, len(digits), 3))])


# -- quantities ----------------------------------------------------------------------------------------------


def shown(
    value: float | None,
    U: float,
    unit: str,
    kind: Kind,
    axis: Axis | None = None,
    *,
    resolution: float = 0.0,
) -> Shown:
    """`value` and expanded uncertainty `U`, both SI, as printed in `unit`.

    Parameters
    ----------
    value : None prints as a dash.
    U : 0 prints the value alone: whole numbers of steps, counts and COUNT as integers, others to the decimal
        place of `resolution` (SI) or, without one, to three significant digits, but no coarser than to the unit.
    unit : as a plan writes it; steps, microsteps and counts need `axis`.

    Raises
    ------
    BadInput : where the unit doesn't measure `kind`, or is one of steps and there is no axis.
    """
    if value is None:
        return Shown(NOTHING, "", "")
    one = unit_value(unit, kind, axis)
    inside = _fraction(value) / one
    if U > 0:
        exponent = _exponent(_fraction(U) / one, _SIGNIFICANT_OF_U)
        uncertainty = _printed(_rounded(_fraction(U) / one, exponent))
    else:
        exponent = _exponent_alone(inside, _fraction(resolution) / one, whole=_counts(unit, kind))
        uncertainty = ""
    text = _printed(_rounded(inside, exponent))
    return Shown(text, uncertainty, unit_text(unit, one_only=text == "1" and not uncertainty))


def unit_value(unit: str, kind: Kind, axis: Axis | None) -> Fraction:
    """SI value of one `unit`; a number of things has a word for its unit, if any."""
    if kind is Kind.COUNT:
        return Fraction(1)
    if kind is Kind.TRAVEL and unit in STEP_UNITS:
        if axis is None:
            raise BadInput("a unit of steps without an axis", found=f"'{unit}'", allowed="a unit of length")
        return axis.unit_travel(STEP_UNITS[unit])
    return exact(f"1 {unit}", kind) if unit else Fraction(1)


def _counts(unit: str, kind: Kind) -> bool:
    return kind is Kind.COUNT or unit in STEP_UNITS


def _exponent_alone(value: Fraction, resolution: Fraction, *, whole: bool) -> int:
    if value == 0 or (whole and abs(value - round(value)) < Fraction(1, 10**6)):
        return 0
    if resolution > 0:
        return min(_magnitude(resolution), 0)
    return min(_exponent(value, _SIGNIFICANT_ALONE), 0)


def unit_text(unit: str, *, one_only: bool = False) -> str:
    """A unit as it is printed: ``µm``, ``steps``; `one_only` where the number before it is 1."""
    if unit in STEP_UNITS:
        return STEP_UNITS[unit] if one_only else f"{STEP_UNITS[unit]}s"
    return pretty(unit)


def with_unit(text: str, unit: str) -> str:
    """Number and printed unit, a thin space between them."""
    if not unit or text == NOTHING:
        return text
    return f"{text}{unit}" if unit == "°" else f"{text}{THIN}{unit}"


def counted(count: int, what: str, *, gap: str = THIN) -> str:
    """``1 unit``, ``3 units``."""
    return f"{count}{gap}{what}" if count == 1 else f"{count}{gap}{what}s"


def limit_text(limit: Limit, axis: Axis | None = None) -> str:
    """A limit as printed: ``≤ 30 µm``. All the digits that the plan wrote, and no more."""
    characteristic = limit.characteristic
    return f"{characteristic.sense.sign} {bound_text(limit.bound, limit.unit, characteristic.kind, axis)}"


def bound_text(bound: float, unit: str, kind: Kind, axis: Axis | None = None) -> str:
    """The bound of a limit, SI, as printed in `unit`, with its digits alone: ``30 µm``."""
    there = _fraction(bound) / unit_value(unit, kind, axis)
    text = "0"
    if there:
        digits = _rounded(there, _magnitude(there) - _SIGNIFICANT_OF_LIMIT + 1).normalize()
        text = _printed(digits)
    return with_unit(text, unit_text(unit, one_only=text == "1"))


def estimate_shown(
    characteristic: Characteristic, estimate: Estimate, *, unit: str = "", axis: Axis | None = None
) -> Shown:
    """An estimate as printed, in `unit` or the characteristic's own."""
    return shown(
        estimate.value,
        estimate.expanded_uncertainty,
        unit or characteristic.unit,
        characteristic.kind,
        axis,
    )


def finding_shown(finding: Finding, axis: Axis | None = None) -> Shown:
    """A finding's value as printed, in the unit of its limit."""
    return estimate_shown(finding.characteristic, finding.estimate, unit=finding.limit.unit, axis=axis)


def interval_shown(
    interval: Range, characteristic: Characteristic, estimate: Estimate, *, unit: str = "", axis: Axis | None = None
) -> str:
    """Both ends with the decimals that U has: ``2.71 to 3.52 µm``."""
    unit = unit or characteristic.unit
    low, high = (
        shown(end, estimate.expanded_uncertainty, unit, characteristic.kind, axis)
        for end in (interval.low, interval.high)
    )
    return with_unit(f"{low.value} to {high.value}", high.unit)


def decided_by(finding: Finding, axis: Axis | None = None) -> str:
    """The interval that a guarded rule held against the limit, in the limit's unit; empty where value ± U was."""
    told = finding.estimate.interval  # with its sign, as the value has it
    if finding.interval is None or told is None:
        return ""
    return interval_shown(told, finding.characteristic, finding.estimate, unit=finding.limit.unit, axis=axis)


def confidence_text(confidence: float) -> str:
    """A coverage in percent: ``95 %``."""
    return with_unit(number(100 * confidence, 0), "%")


def columns(finding: Finding, axis: Axis | None = None) -> Row:
    """A finding as one line of a table."""
    return Row(
        heading=finding.characteristic.heading,
        value=str(finding_shown(finding, axis)),
        factor=factor_text(finding.estimate.coverage_factor) if finding.estimate.standard_uncertainty else "",
        limit=limit_text(finding.limit, axis),
        verdict=finding.verdict.value,
        interval=decided_by(finding, axis),
        coverage=confidence_text(finding.interval.confidence) if finding.interval is not None else "",
    )


def rule_text(
    rule: DecisionRule,
    maximum_risk: float = MAXIMUM_RISK,
    factors: Iterable[float] = (),
    confidences: Iterable[float] = (),
) -> str:
    """A decision rule as printed beside a verdict, with the coverage factors and the intervals of what was judged by
    it: ``guarded acceptance, k = 2``, or ``guarded acceptance, k = 2 to 2.43 or 95 % interval``."""
    if rule is DecisionRule.STATED_RISK:
        return f"stated risk of at most {with_unit(f'{100 * maximum_risk:g}', '%')}"
    words = "guarded rejection" if rule is DecisionRule.GUARDED_REJECTION else f"{rule.value} acceptance"
    held = sorted(set(factors))
    ends = dict.fromkeys(factor_text(factor) for factor in (held[:1] + held[-1:]))
    told = [f"k = {' to '.join(ends)}"] if ends else []
    told += [f"{confidence_text(confidence)} interval" for confidence in sorted(set(confidences))]
    return f"{words}, {' or '.join(told)}" if told else words


def rule_of(rule: DecisionRule, maximum_risk: float, findings: Iterable[Finding]) -> str:
    """The decision rule with what decided in each of `findings`."""
    held = tuple(findings)
    return rule_text(
        rule,
        maximum_risk,
        [item.estimate.coverage_factor for item in held if item.estimate.standard_uncertainty and not item.interval],
        [item.interval.confidence for item in held if item.interval],
    )


def factor_text(factor: float) -> str:
    """A coverage factor to two decimals, without those that say nothing.

    >>> factor_text(2.0), factor_text(2.869)
    ('2', '2.87')
    """
    return f"{factor:.2f}".rstrip("0").rstrip(".")


def probability_text(probability: float | None) -> str:
    """A probability in percent, one decimal; what would round to 0 or 100 is told as beyond the last digit.

    >>> probability_text(0.97725).replace(THIN, " "), probability_text(0.99999).replace(THIN, " ")
    ('97.7 %', '> 99.9 %')
    """
    if probability is None:
        return NOTHING
    if probability in (0.0, 1.0):
        return with_unit(f"{100 * probability:.0f}", "%")
    if probability > 0.999 or probability < 0.001:
        return with_unit("> 99.9" if probability > 0.5 else "< 0.1", "%")
    return with_unit(number(100 * probability, 1), "%")


def duration_text(seconds: float) -> str:
    """A time on the axis in the words of a person: ``24 s``, ``2 min 41 s``, ``1 h 05 min``.

    >>> duration_text(161.4).replace(THIN, " ")
    '2 min 41 s'
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole}{THIN}s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes}{THIN}min {rest}{THIN}s"
    hours, minutes = divmod(minutes, 60)
    return f"{hours}{THIN}h {minutes:02d}{THIN}min"


# -- without Unicode -----------------------------------------------------------------------------------------

_ASCII = str.maketrans(
    {
        THIN: " ",
        "\u00a0": " ",
        MINUS: "-",
        "–": "-",
        NOTHING: "-",
        "±": "+/-",
        "≤": "<=",
        "≥": ">=",
        "µ": "u",
        "μ": "u",
        "Ω": "ohm",
        "°": " deg",
        "·": "*",
        "×": "x",
        "²": "^2",
        "³": "^3",
        "↑": " up",
        "↓": " down",
        "→": "->",
        "…": "...",
        "’": "'",
    }
)


def ascii_fallback(text: str) -> str:
    """`text` in ASCII: the signs that we use in words, accents dropped, a question mark for what is left.

    >>> ascii_fallback("46.2 µm ± 4.1 µm ≤ 50 µm")
    '46.2 um +/- 4.1 um <= 50 um'
    """
    plain = unicodedata.normalize("NFKD", text.translate(_ASCII))
    bare = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return bare.encode("ascii", "replace").decode()
