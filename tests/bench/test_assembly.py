"""From a description to an open bench, by every way."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench import motion, ownership
from stepwitness.bench.assembly import open_bench, stand_in_parts
from stepwitness.bench.description import BenchDescription, Part, Stop, StopMethod
from stepwitness.bench.errors import NotArmed
from stepwitness.bench.live import Bench
from stepwitness.bench.model import load_bench
from stepwitness.bench.ownership import BenchHeld, files_of, left_unsafe
from stepwitness.devices import catalog
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.errors import LinkLost
from stepwitness.devices.interfaces import ClosesLoop, DriveStatus, Identity
from stepwitness.errors import BadInput, Place
from stepwitness.standin.rig import Rig

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"
REAL = Part("text-line", {"port": "loop://"}, Place("rig.yaml", 5, "drive"))
STOP = Stop(StopMethod.DRIVE)


def test_stand_ins_in_process_run_on_virtual_time(doser: BenchDescription) -> None:
    with open_bench(doser) as bench:
        assert (bench.simulated, bench.over) == (True, "process")
        motion.prepare(bench, speed_m_per_s=0.02)
        assert bench.clock.now() > 5.0, "30 mm to the switch at 5 mm/s"
        assert bench.witnessed_travel_m() == pytest.approx(0.0, abs=1e-5)


def test_only_the_parts_that_the_bench_has(doser: BenchDescription, lift: BenchDescription) -> None:
    for description in (doser, lift, replace(doser, gauge=None, inputs=None)):
        assert description.stand_in is not None
        rig = Rig(description.axis, description.stand_in, VirtualClock())
        assert set(stand_in_parts(rig, description)) == set(description.parts())


def test_a_stand_in_drive_closes_its_loop_where_the_file_says_so(doser: BenchDescription) -> None:
    with open_bench(replace(doser, drive=Part("stand-in", {"loop": "closed"}))) as bench:
        assert isinstance(bench.loop, ClosesLoop)


def test_the_gauge_has_the_sense_of_the_file(doser: BenchDescription) -> None:
    assert doser.gauge is not None
    readings = []
    for sense in (1, -1):
        with open_bench(replace(doser, gauge=replace(doser.gauge, sense=sense))) as bench:
            assert bench.gauge is not None
            readings.append(bench.gauge.travel_m())
    assert readings[0] == pytest.approx(-readings[1], abs=2e-6)


@pytest.mark.parametrize("over", ["tcp", "serial"])
def test_stand_ins_on_the_wire(over: str) -> None:
    description = load_bench(TARNBROOK / "doser.bench.yaml")
    with open_bench(description, over=over, scale=3.0) as bench:
        assert (bench.simulated, bench.over) == (True, over)
        assert bench.identities["counter"] == "stepwitness stand-in counter seed 417"
        bench.make_ready()
        bench.set_datum(0.03)
        sweep = bench.sweep(current=True)
        assert sweep.counted_m == pytest.approx(0.03, abs=2e-6)
        assert sweep.gauge_m == pytest.approx(0.03, abs=2e-6)
        assert sweep.current_a == pytest.approx(0.6, abs=0.02)


def test_an_unknown_way(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match="found 'pigeon'; allowed: process, tcp, serial"):
        open_bench(doser, over="pigeon")


class Reading:
    """A part of a bench that is only read: it notes what it is told."""

    def __init__(self, told: list[str]) -> None:
        self._told = told

    def identity(self) -> Identity:
        return Identity(model="a real drive")

    def status(self) -> DriveStatus:
        return DriveStatus(enabled=True, moving=False)

    def position(self) -> int:
        return 3200

    def counts(self) -> int:
        return 2000

    def travel_m(self) -> float:
        return 0.002

    def __getattr__(self, name: str) -> Any:
        if name.startswith(("_", "latch")):
            raise AttributeError(name)
        return lambda *_: self._told.append(name)


@pytest.fixture(autouse=True)
def locks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Real parts are locked for the whole machine; these tests have a machine of their own."""
    monkeypatch.setattr(ownership, "machine_folder", lambda: tmp_path / "locks")
    monkeypatch.setattr(ownership, "PATIENCE_S", 0.2)


def _only_read(doser: BenchDescription, monkeypatch: pytest.MonkeyPatch) -> tuple[Bench, list[str]]:
    told: list[str] = []
    monkeypatch.setattr(catalog, "build", lambda *_: Reading(told))
    parts = [replace(REAL, options={"port": f"loop://{number}"}) for number in range(3)]
    assert doser.gauge is not None
    real = replace(
        doser, drive=parts[0], counter=parts[1], inputs=None, gauge=replace(doser.gauge, part=parts[2]), stand_in=None
    )
    return open_bench(real), told


def test_real_parts_that_arent_armed_are_read(doser: BenchDescription, monkeypatch: pytest.MonkeyPatch) -> None:
    bench, told = _only_read(doser, monkeypatch)
    assert (bench.simulated, bench.over, bench.identities["drive"]) == (False, "live", "a real drive")
    sweep = bench.sweep()
    assert (sweep.claim_m, sweep.counted_m, sweep.gauge_m) == pytest.approx((0.002, 0.002, 0.002))
    bench.close()
    assert told == ["close_link"] * 3, "not even the safe state is commanded: the axis may be somebody else's"


def test_real_parts_that_are_only_read_have_one_owner_too(
    doser: BenchDescription, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench, _ = _only_read(doser, monkeypatch)
    held = rf"bench 'doser-rig-1' is held: process {os.getpid()} of .*: reading"
    with pytest.raises(BenchHeld, match=held):
        _only_read(doser, monkeypatch)
    with pytest.raises(BenchHeld, match=held):
        left_unsafe("doser-rig-1")
    bench.close()
    assert left_unsafe("doser-rig-1") == ""
    _only_read(doser, monkeypatch)[0].close()


def test_a_reader_that_died_leaves_nothing_to_be_made_safe(
    doser: BenchDescription, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = "import os, sys; from stepwitness.bench import ownership; from pathlib import Path\n"
    script += "ownership.machine_folder = lambda: Path(sys.argv[1])\n"
    script += "with ownership.held_to_read('doser-rig-1'): os._exit(7)"
    ended = subprocess.run([sys.executable, "-c", script, str(ownership.machine_folder())], check=False)
    assert ended.returncode == 7
    assert files_of("doser-rig-1")[1].exists()
    assert left_unsafe("doser-rig-1") == ""
    bench, told = _only_read(doser, monkeypatch)
    assert "halt" not in told
    bench.close()


def test_an_axis_that_its_owner_left_is_halted_by_a_reader_and_made_safe_by_the_next_that_may(
    doser: BenchDescription, monkeypatch: pytest.MonkeyPatch
) -> None:
    ownership.machine_folder().mkdir()
    ownership.write_note(files_of("doser-rig-1")[1], owner="process 1 of ada", state="armed")
    bench, told = _only_read(doser, monkeypatch)
    assert told == ["halt"]
    with pytest.raises(NotArmed, match="the axis was left by process 1 of ada: armed, and is halted"):
        bench.drive.start_move_by(10)
    bench.close()
    assert left_unsafe("doser-rig-1") == "process 1 of ada: armed"


COMMANDS: list[tuple[str, Callable[[Bench], object]]] = [
    ("get ready", lambda bench: bench.make_ready()),
    ("move", lambda bench: bench.drive.start_move_by(10)),
    ("move to", lambda bench: bench.drive.start_move_to(10)),
    ("enable", lambda bench: bench.drive.enable()),
    ("disable", lambda bench: bench.drive.disable()),
    ("set a position", lambda bench: bench.set_datum(0.03)),
    ("set a speed", lambda bench: bench.set_speed(0.001)),
    ("set a current", lambda bench: bench.drive.set_run_current(0.1)),
    ("set a holding current", lambda bench: bench.drive.set_hold_current(0.1)),
    ("set an output", lambda bench: bench.drive.set_output(1, True)),
    ("reference", motion.reference),
    ("prepare", lambda bench: motion.prepare(bench, speed_m_per_s=0.01)),
]


@pytest.mark.parametrize("command", [command for _, command in COMMANDS], ids=[name for name, _ in COMMANDS])
def test_what_isnt_armed_refuses_before_anything_is_sent_and_says_the_cure(
    doser: BenchDescription, monkeypatch: pytest.MonkeyPatch, command: Callable[[Bench], object]
) -> None:
    bench, told = _only_read(doser, monkeypatch)
    cure = "only read; arm it with '--live doser-rig-1', once its file says 'stop: {by: drive}'"
    with pytest.raises(NotArmed, match=cure):
        command(bench)
    assert told == []


def test_a_bench_is_armed_by_its_own_name_alone(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match=r"doesn't name this bench.*found doser-rig-2; allowed: '--live doser-rig-1'"):
        open_bench(replace(doser, drive=REAL), live=("doser-rig-2",))


def test_a_bench_that_cant_be_stopped_isnt_armed(doser: BenchDescription) -> None:
    real = replace(doser, drive=REAL, counter=None, gauge=None, inputs=None, stand_in=None)
    with pytest.raises(BadInput, match=r"rig\.yaml:5 drive: .*how its axis is stopped.*allowed: .*stop: {by: drive}"):
        open_bench(real, live=("doser-rig-1",))


def test_live_takes_no_stand_ins(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match="'--live' with a stand-in for the counter"):
        open_bench(replace(doser, drive=REAL), live=("doser-rig-1",))


def test_parts_that_are_open_are_closed_where_a_later_one_cant_be(
    doser: BenchDescription, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = []

    class Opened:
        def __init__(self, role: str) -> None:
            self.role = role

        def close_link(self) -> None:
            closed.append(self.role)
            raise LinkLost("and it went badly too")

    def build(role: str, *_: Any) -> Opened:
        if role == "gauge":
            raise LinkLost("no such port")
        return Opened(role)

    monkeypatch.setattr(catalog, "build", build)
    assert doser.gauge is not None
    drive, counter, inputs, gauge = (replace(REAL, options={"port": f"loop://{number}"}) for number in range(4))
    real = replace(
        doser, drive=drive, counter=counter, inputs=inputs, gauge=replace(doser.gauge, part=gauge), stand_in=None
    )
    real = replace(real, stop=STOP)
    with pytest.raises(LinkLost, match="no such port"):
        open_bench(real, live=("doser-rig-1",))
    assert closed == ["drive", "counter"]


def test_two_parts_on_one_port_are_told_before_any_is_opened(
    doser: BenchDescription, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(catalog, "build", lambda *_: pytest.fail("a part was opened"))
    assert doser.gauge is not None
    real = replace(doser, drive=REAL, counter=replace(REAL, place=Place("rig.yaml", 6, "counter")), gauge=None)
    with pytest.raises(BadInput, match=r"rig.yaml:6 counter.port: two parts on one port; found 'loop://' of the drive"):
        open_bench(replace(real, inputs=None, meter=None, drag=None, stand_in=None, stop=STOP), live=("doser-rig-1",))
