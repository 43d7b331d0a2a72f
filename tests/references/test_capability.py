"""Capability indices, percentiles and tolerance factors against published numbers."""

from __future__ import annotations

import json
import math

import pytest
from scipy import stats

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology import capability as cap
from stepwitness.metrology import tolerance as tol
from stepwitness.metrology.quantile_capability import percentile

DATA = REFERENCES / "spc"


def test_the_handbooks_capability() -> None:
    """NIST/SEMATECH e-Handbook 6.1.6 (from memory): limits 8 and 20, mean 16, sd 2."""
    case = json.loads((DATA / "capability.json").read_text(encoding="utf-8"))
    result = cap.from_moments(
        case["mean"], case["s"], n=50, degrees_of_freedom=49, lower=case["LSL"], upper=case["USL"]
    )
    computed = case["computed"]

    assert result.spread is not None
    assert result.upper is not None
    assert result.lower is not None
    assert result.spread.value == pytest.approx(case["published_from_memory"]["Cp"], rel=1e-14)
    assert result.least.value == pytest.approx(case["published_from_memory"]["Cpk"], abs=5e-5)
    assert result.upper.value == pytest.approx(float(computed["Cpu"]), rel=1e-14)
    assert result.lower.value == pytest.approx(float(computed["Cpl"]), rel=1e-14)
    assert result.least.value == pytest.approx(float(computed["Cpk"]), rel=1e-14)
    assert result.outside_upper == pytest.approx(float(computed["fraction_above_USL"]), rel=1e-13)
    assert result.outside_lower == pytest.approx(float(computed["fraction_below_LSL"]), rel=1e-12)
    # the file's own formula of the interval
    assert result.spread.interval.low == pytest.approx(math.sqrt(stats.chi2.ppf(0.025, 49) / 49), rel=1e-13)
    assert result.spread.interval.high == pytest.approx(math.sqrt(stats.chi2.ppf(0.975, 49) / 49), rel=1e-13)


def test_cpm_of_the_handbooks_process() -> None:
    case = json.loads((DATA / "capability.json").read_text(encoding="utf-8"))
    # two readings a distance apart that have the handbook's mean and sd
    values = [16.0 - math.sqrt(2.0), 16.0 + math.sqrt(2.0)]

    result = cap.cpm(values, target=14.0, lower=case["LSL"], upper=case["USL"])

    assert result == pytest.approx(float(case["computed"]["Cpm_target_14"]), rel=1e-14)


def test_the_handbooks_percentile() -> None:
    """NIST/SEMATECH e-Handbook 7.2.5.2."""
    case = json.loads((DATA / "nist-percentile.json").read_text(encoding="utf-8"))
    values = [float(value) for value in case["data"]]

    assert percentile(values, float(case["p"])) == pytest.approx(float(case["computed"]), rel=1e-12)
    assert percentile(values, float(case["p"])) == pytest.approx(case["published"], abs=5e-5)


@pytest.mark.parametrize(
    ("n", "content", "printed"),
    [(6, 0.90, 3.73), (10, 0.90, 2.86), (10, 0.95, 3.39), (10, 0.99, 4.44), (20, 0.95, 2.76), (40, 0.99, 3.22)],
)
def test_two_sided_tolerance_factors(n: int, content: float, printed: float) -> None:
    """A table at 95 % confidence, two decimals, seen in a text for environmental engineers.

    It was computed by an approximation (Howe's), so it may be off by one in the last digit, and by more below six
    readings.
    """
    assert tol.two_sided_factor(n, content=content) == pytest.approx(printed, abs=0.016)


def test_tolerance_factors_with_more_digits() -> None:
    """One-sided, n = 40, 90 % at 99 %: k = 1.9017 by the noncentral t, seen on a public page.

    From memory: n = 43, 90 % at 99 %, 1.8740 (NIST/SEMATECH e-Handbook 7.2.6.3), and two-sided n = 10, 95 % at 95 %,
    3.393 (tables of exact factors).
    """
    assert tol.one_sided_factor(40, content=0.90, confidence=0.99) == pytest.approx(1.9017, abs=5e-5)
    assert tol.one_sided_factor(43, content=0.90, confidence=0.99) == pytest.approx(1.8740, abs=5e-5)
    assert tol.two_sided_factor(10, content=0.95) == pytest.approx(3.393, abs=5e-4)


def test_sizes_of_distribution_free_intervals() -> None:
    """Wilks: 59 and 93 for 95 % at 95 %, 299 for 99 % at 95 % one-sided (widely printed, from memory)."""
    assert tol.least_readings(content=0.95, side="upper") == 59
    assert tol.least_readings(content=0.95) == 93
    assert tol.least_readings(content=0.99, side="lower") == 299
