"""Pose accuracy, repeatability and drift against results computed independently with 40 digits, of invented data.

Formulas of ISO 9283:1998 from memory; its text was not at hand.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology.pose import greatest_drift, pose

DATA = REFERENCES / "iso-9283"
EXPECTED = json.loads((DATA / "pose-results.json").read_text(encoding="utf-8"))
COMMAND = [512.0, -128.0, 77.0]


def attained() -> np.ndarray:
    return np.loadtxt(DATA / "pose-data.csv", delimiter=",", skiprows=2)[:, 1:]


def close(text: str) -> object:
    # positions of 512 mm leave 1e-13 mm to distances of 0.01 mm
    return pytest.approx(float(text), rel=1e-11)


def test_in_space() -> None:
    found, expected = pose(attained(), command=COMMAND), EXPECTED["results_3d"]
    assert found.n == 30
    assert found.barycentre == pytest.approx([float(text) for text in expected["barycentre_mm"]], rel=1e-14)
    assert found.accuracy == close(expected["AP_p_mm"])
    assert found.mean_distance == close(expected["lbar_mm"])
    assert found.sd_distance == close(expected["S_l_mm"])
    assert found.repeatability == close(expected["RP_l_mm"])


def test_along_one_axis() -> None:
    found, expected = pose(attained()[:, :1], command=COMMAND[:1]), EXPECTED["results_1d_x_only"]
    assert found.mean_distance == close(expected["lbar_mm"])
    assert found.sd_distance == close(expected["S_l_mm"])
    assert found.repeatability == close(expected["RP_l_mm"])


def test_drift_between_the_first_and_the_last_ten() -> None:
    first, last = (pose(attained()[rows], command=COMMAND) for rows in (slice(0, 10), slice(20, 30)))
    expected = EXPECTED["drift_runs_1_10_vs_21_30"]
    assert first.accuracy == close(expected["AP_first"])
    assert last.repeatability == close(expected["RP_last"])
    of_accuracy, of_repeatability = greatest_drift([first, last])
    assert of_accuracy == pytest.approx(float(expected["dAP_mm"]), rel=1e-9)
    assert of_repeatability == pytest.approx(float(expected["dRP_mm"]), rel=1e-9)
