"""A sample of the fault matrix; `benches/measurements/fault_matrix.py` runs all of it and prints the table."""

from __future__ import annotations

import importlib.util
import random
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

SCRIPT = Path(__file__).parents[2] / "benches" / "measurements" / "fault_matrix.py"
PROCEDURES = ("repeatability", "backlash", "stall_recovery")
SAMPLE = 8


@pytest.fixture(scope="module")
def matrix() -> ModuleType:
    spec = importlib.util.spec_from_file_location("fault_matrix", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fault_matrix"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def healthy(matrix: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, str], Any]:
    folder = tmp_path_factory.mktemp("healthy")
    return {
        (rig, procedure): matrix.run(matrix.Case("text", rig, procedure), folder)
        for rig in ("healthy", "worn")
        for procedure in PROCEDURES
    }


def test_a_healthy_wire_gives_the_right_verdicts(healthy: dict[tuple[str, str], Any]) -> None:
    found = {key: set(outcome.verdicts.values()) for key, outcome in healthy.items()}
    assert found["healthy", "backlash"] == {"PASS"}
    assert found["worn", "backlash"] == {"FAIL"}
    assert not any(outcome.unasked or outcome.cause for outcome in healthy.values())


def test_no_fault_moves_the_axis_unasked_bends_a_verdict_or_hangs(
    matrix: ModuleType, healthy: dict[tuple[str, str], Any], tmp_path: Path
) -> None:
    cases = list(matrix.cases("text", healthy, 11))
    assert len({case.fault for case in cases}) == len(matrix.Fault) - len(matrix.NEEDS_CHECKSUM)
    for case in random.Random(11).sample(cases, SAMPLE):
        right = healthy[case.rig, case.procedure]
        outcome = matrix.run(case, tmp_path, deadline_s=3 * right.duration_s + 120.0)
        assert outcome.struck, str(case)
        assert matrix.fails(outcome, right) == "", str(case)


def test_a_move_that_nobody_asked_for_would_be_seen(matrix: ModuleType) -> None:
    """The judge itself: a relative move carried out twice, and one to elsewhere."""
    asked = matrix.Asked([("by", 100), ("to", 500)])
    assert asked.beyond([(0, 100), (100, 400)]) == ""
    assert asked.beyond([(100, 400)]) == "", "a move that got lost is none too many"
    assert asked.beyond([(0, 100), (100, 100)]) == "a move by 100 from 100 that nobody asked for"
    assert asked.beyond([(0, 100), (0, 400)]) != ""
