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
SAMPLE = 3
TRANSPORTS = ("in process", "text", "Modbus TCP", "Modbus RTU", "CANopen", "CANopen, closed", "SCPI socket", "HiSLIP")


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
    return dict(matrix.all_healthy("text", tmp_path_factory.mktemp("healthy")))


def test_a_healthy_wire_gives_the_right_verdicts(healthy: dict[tuple[str, str], Any]) -> None:
    found = {key: set(outcome.verdicts.values()) for key, outcome in healthy.items()}
    assert found["healthy", "backlash"] == {"PASS"}
    assert found["worn", "backlash"] == {"FAIL"}
    assert found["lift", "stall_recovery"] == {"PASS"}
    assert not any(outcome.unasked or outcome.cause for outcome in healthy.values())


@pytest.mark.parametrize("transport", TRANSPORTS)
def test_no_fault_moves_the_axis_unasked_bends_a_verdict_or_hangs(
    matrix: ModuleType, healthy: dict[tuple[str, str], Any], tmp_path: Path, transport: str
) -> None:
    """One procedure a transport here, each on the wire that it is to be tried on; the script runs them all."""
    dice = random.Random(transport)
    procedure = dice.choice(("repeatability", "backlash"))
    own = {
        (rig, procedure): matrix.run(matrix.Case(transport, rig, procedure), tmp_path) for rig in ("healthy", "worn")
    }
    for key, outcome in own.items():
        assert outcome.verdicts == healthy[key].verdicts
    cases = list(matrix.cases(transport, {**own, ("lift", procedure): healthy["lift", procedure]}, 11))
    for case in dice.sample([case for case in cases if case.role != "brake"], SAMPLE):
        right = own[case.rig, case.procedure]
        outcome = matrix.run(case, tmp_path, deadline_s=3 * right.duration_s + 120.0)
        assert outcome.struck, str(case)
        assert matrix.fails(outcome, right) == "", str(case)


def test_every_fault_is_tried_somewhere_on_every_part(matrix: ModuleType, healthy: dict[tuple[str, str], Any]) -> None:
    cases = list(matrix.cases("text", healthy, 11))
    assert {case.role for case in cases} == set(matrix.BY_TEXT)
    tried = {
        fault
        for fault in matrix.Fault
        for transport in matrix.TRANSPORTS
        if any(matrix.applies(fault, transport, role) for role in matrix.TRANSPORTS[transport].roles)
    }
    assert tried == set(matrix.Fault)


def test_a_brake_that_loses_a_reply_ends_the_run_safely(
    matrix: ModuleType, healthy: dict[tuple[str, str], Any], tmp_path: Path
) -> None:
    cases = [
        case for case in matrix.cases("text", healthy, 11) if case.role == "brake" and case.procedure == "backlash"
    ]
    for case in random.Random(3).sample(cases, SAMPLE):
        outcome = matrix.run(case, tmp_path, deadline_s=200.0)
        assert matrix.fails(outcome, healthy["lift", "backlash"]) == "", str(case)


def test_a_move_that_nobody_asked_for_would_be_seen(matrix: ModuleType) -> None:
    """The judge itself: a relative move carried out twice, and one to elsewhere."""
    start = matrix.Start
    asked = matrix.Asked([("by", 100), ("to", 500)])
    assert asked.beyond([start(0, 100), start(100, 400)]) == ""
    assert asked.beyond([start(100, 400)]) == "", "a move that got lost is none too many"
    assert asked.beyond([start(0, 100), start(100, 100)]) == "a move by 100 from 100 that nobody asked for"
    assert asked.beyond([start(0, 100), start(0, 400)]) != ""


def test_a_correction_that_nobody_asked_for_would_be_seen(matrix: ModuleType) -> None:
    """A drive's own loop may bring the axis back to where it was sent or halted, once it was told to correct; nowhere
    else."""
    start = matrix.Start
    moved, back, elsewhere = start(0, 500), start(420, 80, path_ended=450), start(420, 90, path_ended=450)
    halted = start(440, 10, path_ended=450)
    asked = matrix.Asked([("to", 500)], corrects=True)
    assert asked.beyond([moved, back, back]) == ""
    assert asked.beyond([moved, halted]) == ""
    assert asked.beyond([moved, elsewhere]) == "a correction by 90 from 420 that nobody asked for"
    assert asked.beyond([back]) != ""
    assert matrix.Asked([("to", 500)]).beyond([moved, back]) != ""
