"""One-way analysis of variance against the sets of NIST's Statistical Reference Datasets.

Digits are those of the log relative error, −log10(|ours − certified| / |certified|), at most 15. Two readings of each
set are tried: numbers as double precision takes them, and numbers from which a decimal offset was taken before that,
exactly. The first shows what the input allows, the second that the arithmetic loses nothing.
"""

from __future__ import annotations

import json
import math
from decimal import Decimal
from fractions import Fraction

import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology.anova import OneWay, one_way

DATA = REFERENCES / "nist-strd"
CERTIFIED = json.loads((DATA / "certified-anova.json").read_text(encoding="utf-8"))["one_way_anova"]

DIGITS = {
    # set: F with numbers as doubles, the worst of all figures so, the worst of all figures less an exact offset
    "SiRstv": (13.0, 13.0, 14.5),
    "SmLs01": (14.5, 14.5, 14.5),
    "SmLs02": (14.5, 14.5, 14.5),
    "SmLs03": (14.5, 14.5, 14.5),
    "AtmWtAg": (10.1, 10.1, 14.4),
    "SmLs05": (10.1, 9.8, 14.5),
    "SmLs06": (10.1, 9.8, 14.5),
    "SmLs07": (4.3, 3.9, 14.5),
    "SmLs08": (4.1, 3.8, 14.5),
    "SmLs09": (4.1, 3.8, 14.5),
}

OFFSET = {"AtmWtAg": Decimal("107.868"), "SiRstv": Decimal("196")}


def groups(name: str, offset: Decimal) -> list[list[Decimal]]:
    rows: dict[str, list[Decimal]] = {}
    text = (DATA / CERTIFIED[name]["file"]).read_text(encoding="utf-8")
    for line in text[text.rindex("Data:") :].splitlines()[1:]:
        if line.strip():
            treatment, value = line.split()
            rows.setdefault(treatment, []).append(Decimal(value) - offset)
    return list(rows.values())


def table(name: str, offset: Decimal) -> OneWay:
    return one_way([[float(value) for value in group] for group in groups(name, offset)])


def offset_of(name: str) -> Decimal:
    return OFFSET.get(name) or groups(name, Decimal(0))[0][0].to_integral_value()


def digits(value: float, expected: str) -> float:
    apart = abs(Decimal(value) - Decimal(expected)) / abs(Decimal(expected))
    return 15.0 if apart == 0 else min(15.0, -math.log10(apart))


def test_every_set_is_checked() -> None:
    assert DIGITS.keys() == CERTIFIED.keys()


def worst(result: OneWay, certified: dict[str, str]) -> float:
    return min(
        digits(result.f, certified["f"]),
        digits(result.between.sum_of_squares, certified["ss_between"]),
        digits(result.within.sum_of_squares, certified["ss_within"]),
        digits(result.between.mean_square, certified["ms_between"]),
        digits(result.within.mean_square, certified["ms_within"]),
        digits(result.r_squared, certified["r_squared"]),
        digits(result.residual_sd, certified["residual_sd"]),
    )


@pytest.mark.parametrize("name", DIGITS)
def test_certified_digits(name: str) -> None:
    certified = CERTIFIED[name]
    of_f, of_all, with_offset = DIGITS[name]
    result = table(name, Decimal(0))

    assert result.between.degrees_of_freedom == certified["df_between"]
    assert result.within.degrees_of_freedom == certified["df_within"]
    assert digits(result.f, certified["f"]) >= of_f
    assert worst(result, certified) >= of_all
    assert worst(table(name, offset_of(name)), certified) >= with_offset


@pytest.mark.parametrize("name", ["AtmWtAg", "SmLs05", "SmLs07", "SmLs08"])
def test_what_is_lost_was_lost_by_the_input(name: str) -> None:
    """F of the doubles themselves, in exact rationals: 1000000000000.4 isn't a double, and no formula mends it."""
    exact = [[Fraction(float(value)) for value in group] for group in groups(name, Decimal(0))]
    n, k = sum(map(len, exact)), len(exact)
    grand = sum(map(sum, exact)) / Fraction(n)
    means = [sum(group) / Fraction(len(group)) for group in exact]
    between = sum(len(group) * (mean - grand) ** 2 for group, mean in zip(exact, means, strict=True))
    within = sum((value - mean) ** 2 for group, mean in zip(exact, means, strict=True) for value in group)
    f = (between / (k - 1)) / (within / (n - k))

    assert table(name, Decimal(0)).f == pytest.approx(float(f), rel=1e-12)
