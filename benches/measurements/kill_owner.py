"""How soon the axis is told to halt when the process that moves it is killed: SIGKILL at random instants of motion.

    python benches/measurements/kill_owner.py [--kills 100] [--over tcp,serial,...] [--seed 1]

Owners are forked from a process that has everything loaded. Each opens the bench with its sentinel and moves to and
fro; the rig is served by this process, which notes when the halt arrives and looks at the physics' own truth
afterwards. Prints a table of the times from the kill to the halt at the drive; the goals are a median of at most 10 ms
and a maximum of at most 50 ms, and an axis at rest and energised every time. Beside the slowest stands when the system
told that the owner was dead, which a sentinel can't know before: on a busy machine the dead wait for a processor too.

A real drive has a processor of its own. Where the system lets it, this process therefore goes before all others, as the
drive's stand-in; the owners don't.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import select
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from stepwitness.bench import motion
from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import load_bench, parse_bench
from stepwitness.bench.ownership import left_unsafe
from stepwitness.standin.served import ServedRig, as_real, serve_rig

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
ROLES = ("drive", "counter", "gauge", "inputs")
WIRES = ("tcp", "serial", "modbus-tcp", "modbus-rtu", "canopen")
GOAL_MEDIAN_S, GOAL_MAX_S = 0.010, 0.050
WAITED_S, POLL_S = 2.0, 0.0005
SPEED_M_PER_S = 0.02
NAME = f"kill-owner-{os.getpid()}"


def own(description: BenchDescription) -> None:
    """Open the bench and move to and fro until killed."""
    bench = open_bench(description, live=(description.name,))
    bench.make_ready()
    assert bench.gauge is not None
    assert description.gauge is not None
    bench.set_datum(bench.gauge.travel_m() + description.gauge.zero_at_m)
    bench.set_acceleration(description.envelope.acceleration_m_per_s2)
    bench.set_speed(SPEED_M_PER_S)
    watch = motion.healthy_watch(bench, speed_m_per_s=SPEED_M_PER_S)
    print("moving", flush=True)
    for target_m in (0.02, 0.04) * 1000:
        motion.move_to(bench, target_m, watch, speed_m_per_s=SPEED_M_PER_S)


def breed(path: str) -> None:
    """Fork an owner for each line that is read, and tell its process id."""
    description = load_bench(path)
    for _ in sys.stdin:
        pid = os.fork()
        if not pid:
            try:
                own(description)
            finally:
                os._exit(1)
        print(pid, flush=True)
        os.waitpid(pid, 0)
        print("dead", flush=True)


@dataclass(frozen=True)
class Kill:
    """One kill: seconds to the halt at the drive and until the system told of the death, and what was wrong
    afterwards."""

    seconds: float
    death_s: float
    wrong: str


def kill_once(breeder: subprocess.Popen[str], served: ServedRig, dice: random.Random) -> Kill | None:
    """One kill, or None where the owner ended by itself before it moved, as on a machine too busy for its time-outs."""
    assert breeder.stdin is not None
    assert breeder.stdout is not None
    breeder.stdin.write("go\n")
    breeder.stdin.flush()
    pid = int(breeder.stdout.readline())
    if breeder.stdout.readline().strip() != "moving":
        return None
    time.sleep(dice.uniform(0.05, 1.2))
    rig = served.rig
    while not rig.generator.moving(rig.clock.now()):
        time.sleep(dice.uniform(0.0, 0.005))
    served.halts_s.clear()
    with watched(pid) as is_dead:
        killed_s = now_s = time.monotonic()
        os.kill(pid, signal.SIGKILL)
        death_s = float("nan")
        while not (served.halts_s and death_s > 0) and now_s < killed_s + WAITED_S:
            time.sleep(POLL_S)
            now_s = time.monotonic()
            if not death_s > 0 and is_dead():
                death_s = now_s - killed_s
    seconds = served.halts_s[0] - killed_s if served.halts_s else float("inf")
    breeder.stdout.readline()
    return Kill(seconds, death_s, wrong_afterwards(served))


@contextlib.contextmanager
def watched(pid: int) -> Iterator[Callable[[], bool]]:
    """What tells whether a process is dead, as its sentinel is told."""
    handle, waiting = os.pidfd_open(pid), select.poll()
    waiting.register(handle, select.POLLIN)
    try:
        yield lambda: bool(waiting.poll(0))
    finally:
        os.close(handle)


def wrong_afterwards(served: ServedRig) -> str:
    """What the note says, and what is true of the axis once its safe state should have been reached."""
    rig, unsafe = served.rig, left_unsafe(NAME)
    moves = len(served.moves)
    time.sleep(0.15)
    truth, energised = rig.truth(), rig.generator.enabled
    time.sleep(0.05)
    wrong = [f"left unsafe: {unsafe}"] if unsafe else []
    if abs(rig.truth().load_m - truth.load_m) > 1e-6 or rig.generator.moving(rig.clock.now()):
        wrong.append("still moving")
    if len(served.moves) != moves or not energised:
        wrong.append("moved or de-energised after the halt")
    return "; ".join(wrong)


def killed(over: str, kills: int, seed: int) -> list[Kill]:
    """Kill owners of one rig over one wire."""
    text = BENCH.read_text(encoding="utf-8")
    described = load_bench(BENCH)
    assert described.stand_in is not None
    sections = {f"{role}:" for role in described.parts() if role not in ROLES}
    lines = [line for line in text.splitlines() if line.split(" ")[0] not in sections]
    roles: dict[str, dict[str, str]] = {role: {} for role in ROLES}
    with (
        serve_rig(described.axis, described.stand_in, roles, over=over) as served,
        tempfile.TemporaryDirectory() as folder,
    ):
        path = Path(folder) / "doser.bench.yaml"
        path.write_text(as_real("\n".join(lines), served.parts, name=NAME), encoding="utf-8")
        parse_bench(path.read_text(encoding="utf-8"), str(path))
        breeder = subprocess.Popen(
            [sys.executable, __file__, "--breed", str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        dice = random.Random(seed)
        try:
            found: list[Kill] = []
            for _ in range(2 * kills):
                if len(found) < kills and (kill := kill_once(breeder, served, dice)) is not None:
                    found.append(kill)
            return found
        finally:
            assert breeder.stdin is not None
            breeder.stdin.close()
            breeder.wait()


def told(over: str, kills: list[Kill]) -> bool:
    """Print one row of the table; whether the goals were met."""
    times = sorted(kill.seconds for kill in kills)
    safe = sum(not kill.wrong for kill in kills)
    halted = sum(kill.seconds < WAITED_S for kill in kills)
    met = safe == halted == len(kills) and statistics.median(times) <= GOAL_MEDIAN_S and times[-1] <= GOAL_MAX_S
    after_s = max(kill.seconds - kill.death_s for kill in kills if kill.seconds < WAITED_S)
    row = " ".join(f"{1e3 * value:8.2f}" for value in (times[0], statistics.median(times), times[-1], after_s))
    slowest = ", ".join(
        f"{1e3 * kill.seconds:.1f} ({1e3 * kill.death_s:.1f})"
        for kill in sorted(kills, key=lambda kill: kill.seconds)[-3:]
    )
    counts = f"{halted:>4} of {len(kills):<4} {safe:>4} of {len(kills):<4}"
    print(f"{over:<10} {len(kills):>5} {row} {counts} {'met' if met else 'NOT MET':<7}  {slowest}", flush=True)
    for wrong in [kill.wrong for kill in kills if kill.wrong][:5]:
        print(f"  {wrong}", flush=True)
    return met


def go_first() -> str:
    """Have this process go before all others; says whether it does. What it starts goes too, but for `go_as_usual`."""
    try:
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(os.sched_get_priority_max(os.SCHED_RR)))
    except (AttributeError, OSError):
        return "the drive's stand-in shares the processors with all else"
    return "the drive's stand-in goes before all else"


def go_as_usual() -> None:
    if hasattr(os, "sched_setscheduler"):
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def main() -> int:
    if sys.argv[1:2] == ["--breed"]:
        go_as_usual()
        breed(sys.argv[2])
        return 0
    parser = argparse.ArgumentParser(description="Kill owners of a moving axis and time the halt.")
    parser.add_argument("--kills", type=int, default=100, help="a wire")
    parser.add_argument("--over", default=",".join(WIRES), help="wires, separated by commas")
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args()
    print(go_first())
    print(f"goals: median {1e3 * GOAL_MEDIAN_S:g} ms, max {1e3 * GOAL_MAX_S:g} ms, every axis halted and at rest")
    columns = "".join(f"{name:>9}" for name in ("min ms", "median", "max", "max*"))
    counts = f"{'halted':>12} {'at rest':>12}"
    print(f"{'wire':<10} {'kills':>5}{columns}{counts} goals    slowest (death told after) ms", flush=True)
    met = [told(over, killed(over, chosen.kills, chosen.seed)) for over in chosen.over.split(",")]
    print("* from when the system told of the owner's death, on this process' polls of 0.5 ms")
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"load of the machine over the last 1, 5 and 15 minutes: {load} on {os.cpu_count()} processors")
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
