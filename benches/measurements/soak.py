"""Many moves over a wire with faults: is memory flat, is any step lost, does the axis end where it was sent?

    python benches/measurements/soak.py [moves, default 100000] [mean exchanges between faults, default 200] [seed]

A rig is served on a pseudo-terminal (TCP where there is none) behind a relay; on the drive's wire a fault strikes again
and again, of the kinds that a run survives: delay, loss, duplicates, truncation, garbage, wrong tags, stale replies,
drip. A move whose start isn't known to have happened is read back and sent again as an absolute one. Prints memory
and lost steps by the physics' own truth, every fiftieth of the way, so that a run that is cut shows how far it came.
"""

from __future__ import annotations

import gc
import random
import resource
import sys
import time
from collections import Counter
from pathlib import Path

from stepwitness.bench.description import Part
from stepwitness.bench.model import load_bench
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import WallClock
from stepwitness.devices.errors import BadReply, NoReply, NotStarted, Refused
from stepwitness.devices.interfaces import Drive
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.standin.dialects import TEXT
from stepwitness.standin.faults import Fault, FaultyWire, Injection
from stepwitness.standin.relay import Relay
from stepwitness.standin.served import serve_rig

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
SCALE = 20.0
TIMEOUT_S = 0.02
LINES = 50
GROWTH_MB = 1.0
"""More than this, from the first line to the end, is a leak."""
SURVIVED = (
    Fault.DELAY,
    Fault.LOST_REQUEST,
    Fault.LOST_REPLY,
    Fault.DUPLICATE,
    Fault.TRUNCATED,
    Fault.GARBAGE,
    Fault.WRONG_UNIT,
    Fault.STALE,
    Fault.DRIP,
)


class FaultAfterFault(FaultyWire):
    """A wire on which the next fault is drawn as soon as one has struck and its reply is through."""

    def __init__(self, dice: random.Random, mean: int) -> None:
        super().__init__(dialect=TEXT)
        self._seeds, self._mean = dice, mean
        self.faults: Counter[str] = Counter()
        self._draw()

    def from_host(self, data: bytes, *, now_s: float) -> None:
        if self._injection is not None and self._requests > self._injection.at:
            self._draw()
        super().from_host(data, now_s=now_s)

    def _draw(self) -> None:
        at = self._requests + self._seeds.randrange(1, 2 * self._mean)
        if self.struck and self._injection is not None:
            self.faults[self._injection.fault.value] += 1
        self._injection = Injection(self._seeds.choice(SURVIVED), at, timeout_s=TIMEOUT_S)
        self._dice = random.Random(self._seeds.random())
        self.struck = False


def move(drive: Drive, target: int) -> None:
    """To `target` and at rest, whatever the wire does."""
    while True:
        try:
            if not drive.status().moving:
                if drive.position() == target:
                    return
                drive.start_move_to(target)
        except (NotStarted, NoReply, BadReply, Refused):  # refused: a request that came mangled
            continue


def resident_mb() -> float:
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        return pages * resource.getpagesize() / 1e6
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> int:
    moves = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    mean = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    dice = random.Random(int(sys.argv[3]) if len(sys.argv) > 3 else 1)
    described = load_bench(BENCH)
    assert described.stand_in is not None
    over = "serial" if has_pseudo_terminals() else "tcp"
    wire = FaultAfterFault(dice, mean)
    with (
        serve_rig(described.axis, described.stand_in, {"drive": {}}, over=over, scale=SCALE) as served,
        Relay(served.parts["drive"].options["port"], wire) as relay,
    ):
        options = {"port": relay.port, "timeout": f"{TIMEOUT_S * SCALE} s"}
        drive = build("drive", Part("text-line", options), described.axis, WallClock(SCALE))
        drive.enable()
        drive.set_speed(40_000.0)
        drive.set_acceleration(800_000.0)
        time.sleep(0.1)
        start = served.rig.truth()
        begun_s, first_mb, carried_out = time.monotonic(), 0.0, 0
        for number in range(1, moves + 1):
            move(drive, dice.randrange(-1600, 1600))
            if number == max(1, moves // LINES):
                gc.collect()
                first_mb = resident_mb()
            if number % max(1, moves // LINES) == 0:
                truth = served.rig.truth()
                carried_out += len(served.moves)
                served.moves.clear()  # what a measurement notes must not look like a leak
                print(
                    f"{number:7d} moves, {carried_out} carried out, {wire.faults.total()} faults, "
                    f"{resident_mb():.1f} MB, lost steps {truth.slipped_full_steps - start.slipped_full_steps}, "
                    f"drive against pulses {drive.position() - truth.pulses}, {time.monotonic() - begun_s:.0f} s",
                    flush=True,
                )
        move(drive, 0)
        time.sleep(0.1)
        truth = served.rig.truth()
        lost = truth.slipped_full_steps - start.slipped_full_steps
        growth_mb = resident_mb() - first_mb
        drive.close_link()
    print(", ".join(f"{count} {name}" for name, count in sorted(wire.faults.items())))
    good = not lost and truth.pulses == 0 and growth_mb < GROWTH_MB
    print(f"over {over}: {lost} steps lost, {growth_mb:+.1f} MB since the first line  {'ok' if good else 'NOT MET'}")
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
