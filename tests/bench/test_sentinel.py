"""The sentinel: the axis is stopped however its owner ends, and nothing moves where no sentinel stands.

A rig is served from this process on real wires, so the physics' own truth judges; owners are processes of their own.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from stepwitness.bench import motion, ownership
from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import SafeStateError, Unguarded
from stepwitness.bench.live import Bench
from stepwitness.bench.model import load_bench
from stepwitness.bench.ownership import BenchHeld, files_of, left_unsafe
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.standin.served import ServedRig, as_real, serve_rig

pytestmark = pytest.mark.skipif(os.name != "posix", reason="owners are killed by signals of POSIX")

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"
NEEDS_TERMINALS = pytest.mark.skipif(not has_pseudo_terminals(), reason="this system has no pseudo-terminals")
SERIAL, RTU, CANOPEN = (pytest.param(over, marks=NEEDS_TERMINALS) for over in ("serial", "modbus-rtu", "canopen"))
WIRES = ["tcp", "modbus-tcp", SERIAL, RTU, CANOPEN]


def over(*wires: object) -> pytest.MarkDecorator:
    """The `room` on these wires alone."""
    return pytest.mark.parametrize("room", wires, indirect=True)


SPEED_M_PER_S = 0.005

OWNER = """\
import os, signal, sys, time
from stepwitness.bench import motion
from stepwitness.bench.assembly import open_bench
from stepwitness.bench.model import load_bench

if "names" in sys.argv:
    from stepwitness.bench import sentinel
    sentinel.SENDS_DESCRIPTORS = False
description = load_bench(sys.argv[1])
bench = open_bench(description, live=(description.name,))
bench.make_ready()
bench.set_datum(bench.gauge.travel_m() + description.gauge.zero_at_m)
bench.set_acceleration(0.5)
bench.set_speed(0.005)
if "fork" in sys.argv:
    if not os.fork():
        time.sleep(30)
        os._exit(0)
print("moving", flush=True)
try:
    for target in (0.055, 0.025) * 20:
        motion.move_to(bench, target, motion.healthy_watch(bench, speed_m_per_s=0.005), speed_m_per_s=0.005)
except Exception as error:
    print(f"{type(error).__name__}: {error}", flush=True)
    bench.close()
"""


class Room:
    """A served rig, a bench file of real parts for it, and owners of it."""

    def __init__(self, served: ServedRig, path: Path) -> None:
        self.served, self.path = served, path
        self.description: BenchDescription = load_bench(path)

    def owner(self, *words: str) -> subprocess.Popen[str]:
        """An owner that moves the axis."""
        process = subprocess.Popen(
            [sys.executable, "-c", OWNER, str(self.path), *words], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        assert process.stdout.readline().strip() == "moving"
        until(self.moving)
        return process

    def moving(self) -> bool:
        rig = self.served.rig
        return rig.generator.moving(rig.clock.now())

    def assert_stopped(self) -> None:
        """At rest, energised, and it stays so."""
        until(lambda: not self.moving())
        time.sleep(0.1)
        before = self.served.rig.truth()
        time.sleep(0.2)
        after = self.served.rig.truth()
        assert after.pulses == before.pulses
        assert after.load_m == pytest.approx(before.load_m, abs=2e-6)
        assert self.served.rig.generator.enabled


def until(true: Callable[[], Any], *, within_s: float = 20.0) -> None:
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s, "it didn't come to that"
        time.sleep(0.001)


def served_room(
    folder: Path, over: str, *, stop: str = "{by: drive}", roles: tuple[str, ...], bench: str = "doser"
) -> Iterator[Room]:
    file = TARNBROOK / f"{bench}.bench.yaml"
    kept = [line for line in file.read_text(encoding="utf-8").splitlines() if not line.startswith(("meter", "drag"))]
    described = load_bench(file)
    assert described.stand_in is not None
    if "supply" in roles:
        kept.append("supply: {part: stand-in}")
    with serve_rig(described.axis, described.stand_in, {role: {} for role in roles}, over=over) as served:
        path = folder / file.name
        name = f"sentinel-test-{os.getpid()}-{over}"
        path.write_text(as_real("\n".join(kept), served.parts, name=name, stop=stop), encoding="utf-8")
        yield Room(served, path)
        for left in files_of(name):
            left.unlink(missing_ok=True)


ROLES = ("drive", "counter", "gauge", "inputs")


@pytest.fixture(params=WIRES)
def room(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Room]:
    yield from served_room(tmp_path, request.param, roles=ROLES)


@pytest.fixture
def tcp_room(tmp_path: Path) -> Iterator[Room]:
    yield from served_room(tmp_path, "tcp", roles=ROLES)


def ready(room: Room) -> Bench:
    bench = open_bench(room.description, live=(room.description.name,))
    bench.make_ready()
    bench.set_datum(0.03)
    bench.set_acceleration(0.5)
    bench.set_speed(SPEED_M_PER_S)
    return bench


def test_an_owner_killed_at_random_instants_leaves_the_axis_at_rest(room: Room) -> None:
    """Two kills a wire; `benches/measurements/kill_owner.py` makes hundreds and takes the time."""
    dice = random.Random(5)
    for _ in range(2):
        owner = room.owner()
        time.sleep(dice.uniform(0.0, 0.3))
        halts = len(room.served.halts_s)
        owner.kill()
        until(lambda halts=halts: len(room.served.halts_s) > halts)
        owner.wait()
        owner.stdout.close()  # type: ignore[union-attr]
        assert left_unsafe(room.description.name) == "", "the lock comes free with the axis safe"
        room.assert_stopped()


@pytest.mark.parametrize("over", ["tcp", CANOPEN])
def test_a_vertical_axis_is_stopped_held_braked_proven_and_then_de_energised(tmp_path: Path, over: str) -> None:
    """By the sentinel alone, its owner being dead: what winding and brake were told is followed as it happens."""
    for room in served_room(tmp_path, over, roles=(*ROLES, "brake"), bench="plate-lift"):
        rig = room.served.rig
        hold_a = room.description.motor.hold_current_a
        owner = room.owner()
        at_m = rig.truth().load_m
        owner.kill()
        seen = [standing(room)]
        until(lambda seen=seen, room=room: noted(seen, standing(room)) and not seen[-1].energised)  # type: ignore[misc]
        owner.wait()
        owner.stdout.close()  # type: ignore[union-attr]
        assert left_unsafe(room.description.name) == ""
        held = [now for now in seen if now.braked and now.energised and not now.moving]
        assert all(not now.braked for now in seen if now.moving), "the brake is no way to stop a moving load"
        assert held[0].current_a == pytest.approx(hold_a), "held, until the brake has closed"
        lowered = [now.current_a for now in held if now.current_a < hold_a]
        assert lowered == sorted(lowered, reverse=True)
        assert len(lowered) > 5
        assert lowered[-1] == 0.0, "the brake was alone with the load before it was trusted"
        assert seen[-1] == Standing(moving=False, braked=True, energised=False, current_a=0.0)
        stopped_m = rig.truth().load_m
        assert stopped_m == pytest.approx(at_m, abs=2e-3)
        time.sleep(0.5)
        assert rig.truth().load_m == pytest.approx(stopped_m, abs=2e-6)


@dataclass(frozen=True)
class Standing:
    moving: bool
    braked: bool
    energised: bool
    current_a: float


def standing(room: Room) -> Standing:
    rig = room.served.rig
    now_s = rig.clock.now()
    current_a = rig.generator.amplitude_a(now_s)
    return Standing(rig.generator.moving(now_s), rig.brake_told, rig.generator.enabled, round(current_a, 6))


def noted(seen: list[Standing], now: Standing) -> bool:
    """Keep what has changed."""
    if now != seen[-1]:
        seen.append(now)
    return True


@over("modbus-tcp", SERIAL)
def test_where_no_descriptor_can_be_sent_parts_are_opened_by_name(room: Room) -> None:
    """As on Windows: the owner's pipe is a pipe, and the sentinel opens a port once its owner is gone."""
    owner = room.owner("names")
    halts = len(room.served.halts_s)
    owner.kill()
    until(lambda: len(room.served.halts_s) > halts)
    owner.wait()
    owner.stdout.close()  # type: ignore[union-attr]
    assert left_unsafe(room.description.name) == ""
    room.assert_stopped()


def test_a_child_that_holds_the_owners_pipe_doesnt_keep_the_sentinel_from_its_work(tcp_room: Room) -> None:
    owner = tcp_room.owner("fork")
    children = Path(f"/proc/{owner.pid}/task/{owner.pid}/children").read_text().split()
    owner.kill()
    owner.wait()
    try:
        tcp_room.assert_stopped()
    finally:
        for child in children:
            if b"sentinel_program" not in Path(f"/proc/{child}/cmdline").read_bytes():
                os.kill(int(child), signal.SIGKILL)
        owner.stdout.close()  # type: ignore[union-attr]


@over("tcp", "modbus-tcp", RTU, CANOPEN)
def test_an_owner_that_is_stopped_falls_silent_and_is_told_when_it_goes_on(room: Room) -> None:
    owner = room.owner()
    owner.send_signal(signal.SIGSTOP)
    room.assert_stopped()
    note = json.loads(files_of(room.description.name)[1].read_text(encoding="utf-8"))
    assert note["state"] == "halted, because its owner fell silent"
    owner.send_signal(signal.SIGCONT)
    told, _ = owner.communicate(timeout=20)
    assert owner.returncode == 0
    assert "the sentinel has acted (halted halted, because its owner fell silent)" in told
    room.assert_stopped()


@over("modbus-tcp", SERIAL, RTU, CANOPEN)
@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="what another process has open is seen on Linux")
def test_a_link_that_was_opened_anew_is_handed_to_the_sentinel(room: Room) -> None:
    """On a serial port the sentinel has the old descriptor too, and with it the port's lock."""

    def open_in_sentinel() -> set[str]:
        found = set()
        for one in Path(f"/proc/{guard._process.pid}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):  # closed meanwhile
                found.add(os.readlink(one))
        return found

    with contextlib.closing(ready(room)) as bench:
        drive: Any = bench.drive._drive
        guard: Any = bench._sentinel
        old = os.readlink(f"/proc/self/fd/{drive.descriptor}")
        assert old in open_in_sentinel()
        if room.served.parts["drive"].options.get("port", "").startswith("socket"):
            drive._unit._bus._connect_anew()  # as it does by itself after a failure
            bench.drive.referenced = False
        else:
            bench.drive.reconnect()
        assert not bench.drive.referenced
        new = os.readlink(f"/proc/self/fd/{drive.descriptor}")
        until(lambda: new in open_in_sentinel() and (new == old or old not in open_in_sentinel()))
        bench.set_datum(0.03)
        bench.drive.start_move_by(8000)
        assert room.moving()
        drive.halt = lambda: 1 / 0
        with pytest.raises(SafeStateError, match="division by zero") as caught:
            bench.close()
        assert caught.value.__notes__ == ["the sentinel: safe asked to act"]
        room.assert_stopped()


@over("tcp", RTU, CANOPEN)
def test_a_connection_that_is_dead_too_is_opened_anew(room: Room) -> None:
    """What the sentinel was handed leads nowhere any more."""
    ours, theirs = socket.socketpair()
    bench = ready(room)
    drive: Any = bench.drive._drive
    guard: Any = bench._sentinel
    words = drive.last_words("halt")
    dead = SimpleNamespace(descriptor=ours.fileno(), last_words=lambda _: words)
    guard._parts = {**guard._parts, "drive": dead}
    guard.hand_over()
    guard._ending.set()  # no heartbeat finds what it has handed over since
    theirs.close()
    ours.close()
    bench.drive.start_move_by(8000)
    drive.halt = lambda: 1 / 0
    with pytest.raises(SafeStateError, match="division by zero") as caught:
        bench.close()
    assert caught.value.__notes__ == ["the sentinel: safe asked to act"]
    room.assert_stopped()


def test_the_end_of_the_thread_that_opened_the_bench_is_no_death_of_its_owner(tcp_room: Room) -> None:
    opened: list[Bench] = []
    thread = threading.Thread(target=lambda: opened.append(ready(tcp_room)))
    thread.start()
    thread.join()
    (bench,) = opened
    halts = len(tcp_room.served.halts_s)
    bench.drive.start_move_by(8000)
    time.sleep(0.3)
    assert bench._sentinel is not None
    assert bench._sentinel.why_not() == ""
    assert len(tcp_room.served.halts_s) == halts
    bench.close()


@over("tcp", RTU)
def test_a_clean_close_disarms(room: Room) -> None:
    bench = open_bench(room.description, live=(room.description.name,))
    assert json.loads(files_of(room.description.name)[1].read_text(encoding="utf-8"))["state"] == "armed"
    bench.close()
    assert left_unsafe(room.description.name) == ""
    assert not files_of(room.description.name)[1].exists()


def test_nothing_moves_once_the_sentinel_is_gone(tcp_room: Room) -> None:
    bench = ready(tcp_room)
    guard: Any = bench._sentinel

    def kill(_: Any) -> bool:
        if guard._process.poll() is None:
            guard._process.kill()
            guard._process.wait()
        return True

    watch = motion.healthy_watch(bench, speed_m_per_s=SPEED_M_PER_S)
    with pytest.raises(Unguarded, match="has ended"):
        motion.move_to(bench, 0.035, watch, speed_m_per_s=SPEED_M_PER_S, on_sweep=kill)
    tcp_room.assert_stopped()
    moves = len(tcp_room.served.moves)
    with pytest.raises(Unguarded, match="has ended"):
        bench.drive.start_move_by(100)
    assert len(tcp_room.served.moves) == moves
    bench.close()


def test_what_an_owner_and_its_sentinel_left_is_made_safe_before_the_next_owner_moves(tcp_room: Room) -> None:
    owner = tcp_room.owner()
    note = files_of(tcp_room.description.name)[1]
    os.kill(json.loads(note.read_text(encoding="utf-8"))["pid"], signal.SIGKILL)
    owner.kill()
    owner.wait()
    owner.stdout.close()  # type: ignore[union-attr]
    assert tcp_room.moving(), "nobody is left to stop it"
    assert "armed" in left_unsafe(tcp_room.description.name)
    with open_bench(tcp_room.description, live=(tcp_room.description.name,)) as bench:
        assert not tcp_room.moving()
        assert not bench.drive.referenced


def test_a_folder_of_locks_that_cant_be_had_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "stepwitness-locks").write_text("a file where the folder belongs", encoding="utf-8")
    monkeypatch.setattr("stepwitness.bench.lock.shared_folder", lambda: tmp_path)
    with pytest.raises(BenchHeld, match="bench 'rig' can't be locked: "):
        left_unsafe("rig")


def test_locks_are_the_same_whatever_a_users_own_folder_for_temporary_files_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = files_of("rig")
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert files_of("rig") == before


def test_a_note_that_somebody_reads_is_waited_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows neither replaces nor removes a file that is open elsewhere."""
    note, refused, replace = tmp_path / "rig.json", iter([True, True, False]), Path.replace

    def busy(draft: Path, target: Path) -> Path:
        if next(refused):
            raise PermissionError
        return replace(draft, target)

    monkeypatch.setattr(Path, "replace", busy)
    ownership.write_note(note, owner="ada", state="armed")
    assert json.loads(note.read_text(encoding="utf-8"))["owner"] == "ada"
    assert list(refused) == []


def test_one_owner_a_bench_and_its_name_for_whoever_comes_next(tcp_room: Room, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ownership, "PATIENCE_S", 0.2)
    name = tcp_room.description.name
    with (
        open_bench(tcp_room.description, live=(name,)),
        pytest.raises(BenchHeld, match=rf"bench '{name}' is held: process {os.getpid()} of .*: armed"),
    ):
        open_bench(tcp_room.description, live=(name,))


def test_a_safe_state_that_this_process_cant_reach_is_reached_by_the_sentinel(tcp_room: Room) -> None:
    bench = ready(tcp_room)
    bench.drive.start_move_by(8000)
    bare: Any = bench.drive._drive
    bare._line._lost, bare._line._reopen = "the cable of this test was pulled", None
    with pytest.raises(SafeStateError, match="cable") as caught:
        bench.close()
    assert caught.value.__notes__ == ["the sentinel: safe asked to act"]
    tcp_room.assert_stopped()


def test_the_supply_is_cut_where_the_bench_says_so(tmp_path: Path) -> None:
    for room in served_room(tmp_path, "tcp", stop="{by: supply}", roles=(*ROLES, "supply")):
        owner = room.owner()
        owner.kill()
        owner.wait()
        owner.stdout.close()  # type: ignore[union-attr]
        until(lambda room=room: not room.served.rig.supply_on)
        assert left_unsafe(room.description.name) == ""


def test_a_second_port_halts_without_the_first(tmp_path: Path) -> None:
    """The stand-in's own port serves a second client; the owner's descriptor isn't used."""
    text = (TARNBROOK / "doser.bench.yaml").read_text(encoding="utf-8")
    assert text
    for room in served_room(tmp_path, "tcp", roles=ROLES):
        port = room.served.parts["drive"].options["port"]
        changed = room.path.read_text(encoding="utf-8").replace("{by: drive}", f"{{by: port, port: '{port}'}}")
        room.path.write_text(changed, encoding="utf-8")
        second = Room(room.served, room.path)
        owner = second.owner()
        owner.kill()
        owner.wait()
        owner.stdout.close()  # type: ignore[union-attr]
        second.assert_stopped()
