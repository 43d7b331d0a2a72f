"""How soon the axis is told to halt when the process that moves it is killed: SIGKILL at random instants of motion.

    python benches/measurements/kill_owner.py [kills a wire, default 100] [wires, default tcp,serial] [seed]

Owners are forked from a process that has everything loaded. Each opens the bench with its sentinel and moves to and
fro; the rig is served by this process, which notes when the halt arrives and looks at the physics' own truth
afterwards. Prints min/median/max from the kill to the halt on the wire; the goals are a median of at most 10 ms and a
maximum of at most 50 ms, and an axis at rest and energised every time.
"""

from __future__ import annotations

import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from stepwitness.bench import motion
from stepwitness.bench.assembly import open_bench
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import load_bench, parse_bench
from stepwitness.bench.ownership import left_unsafe
from stepwitness.standin.served import ServedRig, as_real, serve_rig

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
ROLES = ("drive", "counter", "gauge", "inputs")
GOAL_MEDIAN_S, GOAL_MAX_S = 0.010, 0.050
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


def kill_once(breeder: subprocess.Popen[str], served: ServedRig, dice: random.Random) -> tuple[float, str]:
    """Seconds from one kill to the halt on the wire, and what was wrong afterwards."""
    assert breeder.stdin is not None
    assert breeder.stdout is not None
    breeder.stdin.write("go\n")
    breeder.stdin.flush()
    pid = int(breeder.stdout.readline())
    if (word := breeder.stdout.readline().strip()) != "moving":
        return float("nan"), f"the owner didn't move: {word}"
    time.sleep(dice.uniform(0.05, 1.2))
    rig = served.rig
    while not rig.generator.moving(rig.clock.now()):
        time.sleep(dice.uniform(0.0, 0.005))
    served.halts_s.clear()
    killed_s = time.monotonic()
    os.kill(pid, signal.SIGKILL)
    while not served.halts_s and time.monotonic() < killed_s + 2.0:
        time.sleep(0.0005)
    halted_s = served.halts_s[0] if served.halts_s else float("inf")
    breeder.stdout.readline()
    unsafe = left_unsafe(NAME)
    moves = len(served.moves)
    time.sleep(0.15)
    truth, energised = rig.truth(), rig.generator.enabled
    time.sleep(0.05)
    wrong = []
    if unsafe:
        wrong.append(f"left unsafe: {unsafe}")
    if abs(rig.truth().load_m - truth.load_m) > 1e-6 or rig.generator.moving(rig.clock.now()):
        wrong.append("still moving")
    if len(served.moves) != moves or not energised:
        wrong.append("moved or de-energised after the halt")
    return halted_s - killed_s, "; ".join(wrong)


def measure(over: str, kills: int, seed: int) -> bool:
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
        found = [kill_once(breeder, served, dice) for _ in range(kills)]
        assert breeder.stdin is not None
        breeder.stdin.close()
        breeder.wait()
    times = sorted(seconds for seconds, _ in found)
    wrong = [text for _, text in found if text]
    median, most = statistics.median(times), times[-1]
    good = not wrong and median <= GOAL_MEDIAN_S and most <= GOAL_MAX_S
    print(
        f"{over:8} {len(found)} kills: halt on the wire after {times[0] * 1e3:.2f} / {median * 1e3:.2f} / "
        f"{most * 1e3:.2f} ms (min/median/max); 5 slowest: {', '.join(f'{t * 1e3:.1f}' for t in times[-5:])}; "
        f"halted, at rest and energised {len(found) - len(wrong)} of {len(found)}  {'ok' if good else 'NOT MET'}",
        flush=True,
    )
    for one in wrong[:5]:
        print(f"  {one}")
    return good


def main() -> int:
    if sys.argv[1:2] == ["--breed"]:
        breed(sys.argv[2])
        return 0
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    wires = sys.argv[2].split(",") if len(sys.argv) > 2 else ["tcp", "serial"]
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    held = [measure(over, kills, seed) for over in wires]
    return 0 if all(held) else 1


if __name__ == "__main__":
    sys.exit(main())
