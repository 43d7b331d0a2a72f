"""ISO 230-2 figures against two cases with independently computed results, to the digits given.

Source: invented data; results by exact rationals and 40-digit arithmetic (README.md beside them).
"""

from __future__ import annotations

import csv
import json
import math
from typing import Any

import numpy as np
import pytest

from stepwitness.installation.reference_data import REFERENCES
from stepwitness.metrology.positioning import Positioning, PositioningAccumulator, positioning

DATA = REFERENCES / "iso-230-2"
CASES = ("case1", "case2")
DIGITS = 14
"""The results have 17 significant digits; double precision keeps 15 to 16 of an input and loses one on the way."""

PER_POSITION = {
    "mean_up": "mean_up",
    "mean_down": "mean_down",
    "mean_bidirectional": "mean",
    "B_i": "B_i",
    "s_up": "s_up",
    "s_down": "s_down",
    "R_i_up": "R_i_up",
    "R_i_down": "R_i_down",
    "R_i": "R_i",
}


def read_case(name: str) -> tuple[list[float], dict[str, np.ndarray], dict[str, Any]]:
    lines = [line for line in (DATA / f"{name}-data.csv").read_text().splitlines() if not line.startswith("#")]
    targets: list[float] = []
    runs: dict[str, list[list[float]]] = {"up": [], "down": []}
    for row in csv.DictReader(lines):
        if row["direction"] == "up":
            targets.append(float(row["target_mm"]))
        runs[row["direction"]].append([float(row[f"run{run}_um"]) for run in range(1, 6)])
    results = json.loads((DATA / f"{name}-results.json").read_text())
    return targets, {key: np.array(value) for key, value in runs.items()}, results


def evaluated(name: str, how: str) -> Positioning:
    _, runs, _ = read_case(name)
    if how == "batch":
        return positioning(runs["up"], runs["down"])
    accumulator = PositioningAccumulator()
    for direction, deviations in runs.items():
        for run in range(deviations.shape[1]):
            for index in range(deviations.shape[0]):
                accumulator.add(index, direction == "up", float(deviations[index, run]))
    return accumulator.result()


def agrees(value: float, expected: str) -> bool:
    due = float(expected)
    # deviations of a few micrometres are differences of the same size, so digits count from 1 µm downwards
    return math.isclose(value, due, rel_tol=10.0**-DIGITS, abs_tol=10.0**-DIGITS)


@pytest.mark.parametrize("how", ["batch", "streamed"])
@pytest.mark.parametrize("case", CASES)
def test_every_position_agrees(case: str, how: str) -> None:
    result, (targets, _, expected) = evaluated(case, how), read_case(case)

    assert result.m == len(expected["per_position"]) == len(targets)
    for index, position in enumerate(expected["per_position"]):
        for theirs, ours in PER_POSITION.items():
            value = float(getattr(result, ours)[index])
            assert agrees(value, position[theirs]), f"{ours} at {position['target_mm']} mm"


@pytest.mark.parametrize("how", ["batch", "streamed"])
@pytest.mark.parametrize("case", CASES)
def test_every_figure_of_the_axis_agrees(case: str, how: str) -> None:
    result, (_, _, expected) = evaluated(case, how), read_case(case)

    assert len(expected["axis"]) == 12
    for figure, due in expected["axis"].items():
        assert agrees(getattr(result, figure), due), figure


@pytest.mark.parametrize("case", CASES)
def test_the_same_positions_govern(case: str) -> None:
    result, (targets, _, expected) = evaluated(case, "batch"), read_case(case)
    governs = expected["governs"]

    assert targets[int(np.argmax(result.R_i))] in governs["R_at_mm"]
    assert targets[int(np.argmax(np.abs(result.B_i)))] in governs["B_at_mm"]


def test_case1_is_governed_by_four_s_and_case2_by_both_directions() -> None:
    first, second = evaluated("case1", "batch"), evaluated("case2", "batch")

    assert first.R_up == first.R
    assert max(second.R_up, second.R_down) < second.R
