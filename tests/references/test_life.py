"""Weibull fit of ball-bearing lives and Kaplan-Meier curve of a trial, against published numbers."""

from __future__ import annotations

import json

import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology import survival
from stepwitness.metrology.life import fit_weibull, life_quantile

DATA = REFERENCES / "life"
CASE = json.loads((DATA / "weibull-kaplan-meier.json").read_text(encoding="utf-8"))


def test_ball_bearings() -> None:
    """Lieblein and Zelen's 23 lives: shape 2.102, scale 81.88 as published."""
    case = CASE["weibull_complete"]
    fit = fit_weibull([float(value) for value in case["data"]])
    computed = case["computed"]

    assert fit.shape == pytest.approx(case["published"]["shape"], abs=5e-4)
    assert fit.scale == pytest.approx(case["published"]["scale"], abs=5e-3)
    assert fit.shape == pytest.approx(float(computed["shape"]), rel=1e-12)
    assert fit.scale == pytest.approx(float(computed["scale"]), rel=1e-12)
    assert fit.log_likelihood == pytest.approx(float(computed["log_likelihood"]), rel=1e-12)
    assert fit.mean == pytest.approx(float(computed["mean"]), rel=1e-12)
    assert life_quantile(fit, 0.1).value == pytest.approx(float(computed["B10_life"]), rel=1e-12)


def test_kaplan_meier() -> None:
    """Freireich et al. 1963, the treated group."""
    group = CASE["kaplan_meier"]["treated"]
    falls = survival.kaplan_meier(group["t"], group["event"])
    expected = CASE["kaplan_meier"]["computed"]["km_treated"]

    assert [(fall.time, fall.at_risk, fall.failures) for fall in falls] == [
        (row["t"], row["at_risk"], row["events"]) for row in expected
    ]
    assert [fall.survival for fall in falls] == pytest.approx([float(row["S"]) for row in expected], rel=1e-13)
    assert [fall.standard_error for fall in falls] == pytest.approx(
        [float(row["greenwood_se"]) for row in expected], rel=1e-13
    )
    assert survival.survival_quantile(falls) == CASE["kaplan_meier"]["computed"]["median_treated"]


def test_log_rank() -> None:
    """χ² = 16.79294, p = 4.168809e-05, as published."""
    case = CASE["kaplan_meier"]
    treated, control = case["treated"], case["control"]
    result = survival.log_rank(treated["t"], treated["event"], control["t"], control["event"])

    assert result.chi_square == pytest.approx(case["published"]["logrank_chi2"], abs=5e-6)
    assert result.p == pytest.approx(case["published"]["p"], rel=1e-6)
    assert result.observed == case["computed"]["logrank_observed_treated"]
    assert result.expected == pytest.approx(float(case["computed"]["logrank_expected_treated"]), rel=1e-13)
    assert result.variance == pytest.approx(float(case["computed"]["logrank_variance"]), rel=1e-13)
    assert result.chi_square == pytest.approx(float(case["computed"]["logrank_chi2"]), rel=1e-12)
