"""Mean and standard deviation against the univariate sets of NIST's Statistical Reference Datasets.

Digits are those of the log relative error, −log10(|ours − certified| / |certified|). Certified values have 15.
"""

from __future__ import annotations

import json
import math
import re
from decimal import Decimal, localcontext
from fractions import Fraction

import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology.positioning import positioning
from stepwitness.metrology.statistics import Running

DATA = REFERENCES / "nist-strd"
CERTIFIED = json.loads((DATA / "certified.json").read_text())["univariate"]

DIGITS = {
    # set: (mean, standard deviation); what is given for the sd is what double-precision input allows, see below
    "PiDigits": (14, 14),
    "Lottery": (14, 14),
    "Lew": (14, 14),
    "Mavro": (14, 13),
    "NumAcc1": (15, 15),
    "NumAcc2": (15, 14),
    "NumAcc3": (15, 9),
    "NumAcc4": (15, 8),
}


def readings(name: str) -> list[float]:
    text = (DATA / CERTIFIED[name]["file"]).read_text()
    body = text.split("digit\n")[-1] if "digit\n" in text else re.split(r"^-+\s*$", text, flags=re.M)[-1]
    return [float(word) for word in body.split()]


def digits(value: float, expected: str | Decimal) -> float:
    due = Decimal(expected)
    apart = abs(Decimal(value) - due) / abs(due)
    return 15.0 if apart == 0 else min(15.0, -math.log10(apart))


def test_every_set_is_checked() -> None:
    assert DIGITS.keys() == CERTIFIED.keys()


@pytest.mark.parametrize("name", DIGITS)
def test_streamed_mean_and_sd_have_the_certified_digits(name: str) -> None:
    running = Running(readings(name))

    assert running.n == CERTIFIED[name]["n"]
    assert digits(running.mean, CERTIFIED[name]["mean"]) >= DIGITS[name][0]
    assert digits(running.sd, CERTIFIED[name]["sd"]) >= DIGITS[name][1]


@pytest.mark.parametrize("name", DIGITS)
def test_a_batch_has_the_same_digits(name: str) -> None:
    values = readings(name)
    result = positioning([values], [values])

    assert digits(float(result.mean_up[0]), CERTIFIED[name]["mean"]) >= DIGITS[name][0]
    assert digits(float(result.s_down[0]), CERTIFIED[name]["sd"]) >= DIGITS[name][1]


@pytest.mark.parametrize("name", DIGITS)
def test_what_is_lost_was_lost_by_the_input(name: str) -> None:
    """The sd of the doubles themselves, in exact rationals: 10000000.1 isn't a double, and no formula mends it."""
    values = [Fraction(value) for value in readings(name)]
    mean = sum(values) / len(values)
    variance = sum((value - mean) ** 2 for value in values) / (len(values) - 1)
    with localcontext(prec=40):
        exact_sd = (Decimal(variance.numerator) / Decimal(variance.denominator)).sqrt()

    assert digits(Running(readings(name)).sd, exact_sd) >= 14


@pytest.mark.parametrize("name", DIGITS)
def test_two_halves_merge_to_the_same_digits(name: str) -> None:
    values = readings(name)
    first, second = Running(values[: len(values) // 3]), Running(values[len(values) // 3 :])
    first.merge(second)

    assert first.n == len(values)
    assert digits(first.mean, CERTIFIED[name]["mean"]) >= DIGITS[name][0]
    assert digits(first.sd, CERTIFIED[name]["sd"]) >= DIGITS[name][1]


def test_the_textbook_formula_would_fail_here() -> None:
    """What the hard set is for: the difference of two great sums keeps no digit of it."""
    values = readings("NumAcc4")
    n = len(values)
    naive = math.sqrt(max(0.0, (sum(v * v for v in values) - sum(values) ** 2 / n) / (n - 1)))

    assert digits(naive, CERTIFIED["NumAcc4"]["sd"]) < 2
