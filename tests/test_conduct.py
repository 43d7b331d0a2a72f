from __future__ import annotations

import os
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench import assembly, live
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import SafeStateError, UnprovokedStall
from stepwitness.bench.lock import BenchInUse, BenchLock, Owner, machine_folder
from stepwitness.bench.model import parse_bench
from stepwitness.conduct import conduct
from stepwitness.devices.errors import LinkLost
from stepwitness.errors import BadInput
from stepwitness.findings import Characteristic, Estimate
from stepwitness.plan.description import Plan
from stepwitness.plan.model import parse_plan
from stepwitness.procedures.procedure import Forecast, Procedure
from stepwitness.quantities import Kind
from stepwitness.records.manifest import RecordError, open_record, verify

BENCH = """\
name: doser-rig-1
axis: {name: doser, serial: TB-0417, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm,
       orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}
safe_state: hold
back_drives: no
stand_in: {preset: doser, seed: 417}
"""

REAL = BENCH.replace("drive: {part: stand-in}", "drive: {part: text-line, port: COM5}")
REAL = REAL.replace("counter: {part: stand-in,", "counter: {part: text-line, port: COM6,")
REAL = REAL.replace("inputs: {part: stand-in}\n", "stop: {by: drive}\n").replace(
    "stand_in: {preset: doser, seed: 417}\n", ""
)
REAL = REAL.replace(
    "reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}", "reference: {by: datum, at: 0 mm}"
)

PLAN = """\
purpose: incoming
bench: doser.bench.yaml
procedures:
  - sway: {id: first, limits: {offset: 25 um}}
  - sway: {id: second, limits: {offset: 25 um}}
"""


@dataclass(frozen=True)
class NoSettings:
    pass


class Sway:
    """A procedure that moves a little; `acts` say how each of its motions ends, the first first."""

    def __init__(self) -> None:
        self.moved = 0
        self.acts: list[Callable[[], None]] = []
        self.procedure = Procedure(
            name="sway",
            title="sway",
            version="1",
            settings=NoSettings,
            characteristics=(Characteristic("offset", "offset", Kind.TRAVEL, "um", "own definition", "offset", "O"),),
            check=lambda _bench, _settings: Forecast("one sway", 3.0, 0.02, 0.03),
            run=self._run,
            evaluate=lambda readings, *_: tuple(
                Estimate("offset", row["offset_m"], 1e-6) for row in readings.rows("sways")
            ),
        )

    def _run(self, bench: Any, _settings: Any, journal: Any) -> None:
        self.moved += 1
        bench.make_ready()
        bench.set_datum(0.03)
        bench.set_speed(0.02)
        bench.set_acceleration(0.2)
        bench.drive.start_move_by(8000)
        journal.write("sways", {"offset_m": 10e-6})
        journal.commit()
        if self.acts:
            self.acts.pop(0)()
        bench.clock.sleep(3.0)


def raising(error: BaseException) -> Callable[[], None]:
    def act() -> None:
        raise error

    return act


@pytest.fixture
def sway() -> Sway:
    return Sway()


@pytest.fixture
def bench() -> BenchDescription:
    return parse_bench(BENCH, "doser.bench.yaml")


@pytest.fixture
def plan(bench: BenchDescription, sway: Sway) -> Plan:
    return parse_plan(PLAN, "unit.plan.yaml", bench, {"sway": sway.procedure})


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[live.Bench]:
    """Every bench that is opened."""
    seen: list[live.Bench] = []

    def noting(*given: Any, **more: Any) -> live.Bench:
        seen.append(assembly.open_bench(*given, **more))
        return seen[-1]

    monkeypatch.setattr("stepwitness.conduct.open_bench", noting)
    return seen


def run_of(directory: Path) -> dict[str, Any]:
    return dict(open_record(directory).sections["run"])


def verdicts(directory: Path) -> dict[str, str]:
    return {one["procedure"]: one["verdict"] for one in open_record(directory).sections["findings"]}


def assert_closed_at_rest(benches: list[live.Bench]) -> None:
    """Each bench was let go, its motor holding and at rest."""
    assert benches
    for one in benches:
        assert not one._open
        status = one.drive.status()
        assert status.enabled
        assert not status.moving


def test_a_whole_plan_leaves_a_sealed_record_of_the_unit_that_was_mounted(
    plan: Plan, bench: BenchDescription, tmp_path: Path, opened: list[live.Bench]
) -> None:
    lines: list[str] = []
    record = conduct(plan, bench, tmp_path / "run", serial="TB-0918", told=lines.append)
    assert record == tmp_path / "run" / "record.json"
    assert verify(tmp_path / "run") == []
    sections = open_record(tmp_path / "run").sections
    assert sections["axis"] == {"name": "doser", "serial": "TB-0918"}
    told = sections["run"]
    assert (told["verdict"], told["simulated"], told["over"], told["partial"]) == ("PASS", True, "process", False)
    assert told["statement"].startswith("doser, serial TB-0918: PASS.")
    assert sections["bench"]["identities"]["drive"]
    assert (tmp_path / "run" / "report.html").is_file()
    assert [line.replace("\u2009", " ") for line in lines] == [
        f"{id}: one sway, 3 s on the axis" for id in ("first", "second")
    ]
    assert_closed_at_rest(opened)


def test_a_later_attempt_says_which_one_it_follows_and_why(plan: Plan, bench: BenchDescription, tmp_path: Path) -> None:
    conduct(plan, bench, tmp_path / "run", attempt=2, previous="abc-unit", reason="rework: new nut")
    told = run_of(tmp_path / "run")
    assert (told["attempt"], told["previous"], told["reason"]) == (2, "abc-unit", "rework: new nut")
    assert told["id"].endswith("-unit-2")


def test_an_axis_that_stopped_is_not_moved_again(
    plan: Plan, bench: BenchDescription, sway: Sway, tmp_path: Path, opened: list[live.Bench]
) -> None:
    sway.acts = [raising(UnprovokedStall("a hand, perhaps"))]
    conduct(plan, bench, tmp_path / "run")
    assert sway.moved == 1
    told = run_of(tmp_path / "run")
    assert (told["verdict"], told["worst"]) == ("PARTIAL", "ABORTED")
    assert told["partial_reason"] == "the axis wasn't moved again after 'first' was aborted: a hand, perhaps"
    assert_closed_at_rest(opened)


def test_another_failure_aborts_its_own_procedure_alone(
    plan: Plan, bench: BenchDescription, sway: Sway, tmp_path: Path
) -> None:
    sway.acts = [raising(ZeroDivisionError("a mistake"))]
    conduct(plan, bench, tmp_path / "run")
    assert verdicts(tmp_path / "run") == {"first": "ABORTED", "second": "PASS"}


def test_ctrl_c_leaves_a_safe_axis_and_a_record_and_goes_its_way(
    plan: Plan, bench: BenchDescription, sway: Sway, tmp_path: Path, opened: list[live.Bench]
) -> None:
    sway.acts = [raising(KeyboardInterrupt())]
    with pytest.raises(KeyboardInterrupt):
        conduct(plan, bench, tmp_path / "run")
    told = run_of(tmp_path / "run")
    assert (told["verdict"], told["partial_reason"]) == ("PARTIAL", "Ctrl-C")
    assert verdicts(tmp_path / "run") == {"first": "ABORTED"}
    assert (tmp_path / "run" / "report.html").is_file()
    assert_closed_at_rest(opened)


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_signal_leads_out_the_same_way_and_its_handler_is_gone_after(
    plan: Plan, bench: BenchDescription, sway: Sway, tmp_path: Path, opened: list[live.Bench]
) -> None:
    before = signal.getsignal(signal.SIGTERM)
    sway.acts = [lambda: signal.raise_signal(signal.SIGTERM)]
    with pytest.raises(KeyboardInterrupt):
        conduct(plan, bench, tmp_path / "run")
    assert run_of(tmp_path / "run")["partial_reason"] == "stopped by SIGTERM"
    assert signal.getsignal(signal.SIGTERM) is before
    assert_closed_at_rest(opened)


def test_a_safe_state_that_wasnt_reached_is_raised_after_the_record_was_sealed(
    plan: Plan, bench: BenchDescription, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lost(_: Any) -> None:
        raise SafeStateError("the drive no longer answers")

    monkeypatch.setattr(live, "to_safe_state", lost)
    with pytest.raises(SafeStateError, match="no longer answers"):
        conduct(plan, bench, tmp_path / "run")
    assert run_of(tmp_path / "run")["worst"] == "ABORTED"


def test_a_bench_that_cant_be_opened_aborts_every_limit(
    plan: Plan, bench: BenchDescription, sway: Sway, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stepwitness.conduct.open_bench", lambda *_, **__: raising(LinkLost("COM5: no such port"))())
    conduct(plan, bench, tmp_path / "run")
    assert sway.moved == 0
    assert verdicts(tmp_path / "run") == {"first": "ABORTED", "second": "ABORTED"}
    assert {one["reason"] for one in open_record(tmp_path / "run").sections["findings"]} == {"COM5: no such port"}


def test_a_record_is_never_replaced(plan: Plan, bench: BenchDescription, sway: Sway, tmp_path: Path) -> None:
    conduct(plan, bench, tmp_path / "run")
    with pytest.raises(RecordError, match="never replaced"):
        conduct(plan, bench, tmp_path / "run")
    assert sway.moved == 2


@pytest.mark.parametrize(
    ("armed", "problem"), [("", "arm it with '--live doser-rig-1'"), ("lift-rig-1", "doesn't name this bench")]
)
def test_real_parts_move_only_where_their_bench_is_named(
    plan: Plan, tmp_path: Path, sway: Sway, armed: str, problem: str
) -> None:
    with pytest.raises(BadInput, match=problem):
        conduct(plan, parse_bench(REAL, "doser.bench.yaml"), tmp_path / "run", live=armed)
    assert not (tmp_path / "run").exists()
    assert sway.moved == 0


def test_what_has_to_be_mended_in_a_file_leaves_no_folder(plan: Plan, bench: BenchDescription, tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="an unknown way to reach stand-ins"):
        conduct(plan, bench, tmp_path / "run", over="pigeon")
    assert not (tmp_path / "run").exists()


def test_a_rig_that_another_process_owns_is_left_alone(
    plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stepwitness.bench.lock.shared_folder", lambda: tmp_path)
    monkeypatch.setattr("stepwitness.bench.lock.PATIENCE_S", 0.0)
    with (
        BenchLock("doser-rig-1", Owner.this_process("another", started="now"), machine_folder()),
        pytest.raises(BenchInUse, match="doser-rig-1' is in use by process"),
    ):
        conduct(plan, parse_bench(REAL, "doser.bench.yaml"), tmp_path / "run", live="doser-rig-1")
    assert not (tmp_path / "run").exists()
