"""Every fault on the wire, at every step of each procedure: does the axis stay put, and do verdicts stay right?

    python benches/measurements/fault_matrix.py [share of the cases, default 1] [seed] [transport ...]

A step is a kind of request to one part (``drive: move to``, ``gauge: travel?`` …); the fault strikes one of its
occurrences, by dice. Transports named ``text…`` run the real line layer on virtual time, so the same seed gives the
same run; ``tcp`` and ``serial`` put a relay between real ports, on scaled time, and are a sample.

Each case is judged from the physics' own truth: every move that the drive carried out was asked for, once; the load
stayed within the envelope; at the end it is at rest. And from the findings: the verdict of a healthy wire, or ABORTED
with its cause. And it ends within its deadline. Half of the cases run on a worn nut, whose right verdict is FAIL.
"""

from __future__ import annotations

import contextlib
import itertools
import random
import re
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from stepwitness.bench.description import BenchDescription, Part
from stepwitness.bench.live import Bench, Parts
from stepwitness.bench.model import parse_bench
from stepwitness.devices.catalog import build
from stepwitness.devices.checksums import Seal, checksum
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.errors import StepwitnessError
from stepwitness.plan.model import parse_plan
from stepwitness.procedures.acquisition import acquire
from stepwitness.records.journal import JournalReadings, JournalWriter
from stepwitness.records.judgement import findings_of
from stepwitness.standin import text_protocol as text
from stepwitness.standin.endpoints import stand_ins
from stepwitness.standin.faults import NEEDS_CHECKSUM, NEEDS_TAGS, TEXT_ONLY, Fault, FaultyWire, Injection
from stepwitness.standin.relay import ProcessLink, Relay
from stepwitness.standin.rig import Rig
from stepwitness.standin.served import ServedRig, serve_rig, watch_drive
from stepwitness.standin.serving import lines

BENCH = """\
name: matrix-rig
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm, measuring_force: 0.6 N}
drag: {part: stand-in}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 13 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}
safe_state: hold
back_drives: no
guide_friction: 4 N
stand_in: {preset: doser, seed: 417SCREW}
"""
PLAN = """\
purpose: nightly
bench: matrix.bench.yaml
procedures:
  - repeatability:
      {targets: 3, runs: 2, speed: 20 mm/s, dwell: 0.05 s, limits: {mean_reversal: 25 um, scale_difference: 2 %}}
  - backlash: {places: 1, repeats: 2, dwell: 0.05 s, drags: [0 N, 20 N], limits: {reversal_value: 25 um}}
  - stall_recovery:
      {stall_current: 0.05 A, following_error_window: 2 steps, attempts: 2, distance: 3 mm, provocations: 1,
       healthy_moves: 2, hunting_time: 0.05 s,
       limits: {missed_stalls: 0, unrecovered: 0, standstill_error: 1 step}}
"""
ROLES = ("drive", "counter", "gauge", "drag", "inputs")
START_M = 0.0015
TIMEOUT_S = 0.5
SCALE = 3.0
WALL_S = 120
VIRTUAL = {"text": {}, "text, no tags": {"tags": "no"}, "text, CRC": {"checksum": "crc16-modbus"}}
REAL = ("tcp", "serial")
EDGE_M = 4 * 1e-5


class Hang(BaseException):
    """The case ran beyond its deadline."""


class LimitedClock(VirtualClock):
    """Virtual time that ends; looks at the load now and then."""

    def __init__(self) -> None:
        super().__init__()
        self.ends_s = 3600.0
        self.jumped_s = 0.0
        self.look: Callable[[], object] = lambda: None
        self._looked_s = 0.0

    def sleep(self, seconds: float) -> None:
        super().sleep(seconds)
        if self.now() > self.ends_s + self.jumped_s:
            raise Hang
        if self.now() - self._looked_s > 0.02:
            self._looked_s = self.now()
            self.look()

    def jump(self, seconds: float) -> None:
        self._now_s += seconds
        self.jumped_s += seconds


@dataclass
class Recorded(FaultyWire):
    """A wire that notes the kind of each request."""

    injection: Injection | None = None
    requests: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__(self.injection)

    def from_host(self, data: bytes, *, now_s: float) -> None:
        line = data.split(b"*")[0].decode(errors="replace")
        self.requests.append(re.sub(r"@\d+ ?|[-+]?\d[\d.e+-]*", "", line).strip() or "line end")
        super().from_host(data, now_s=now_s)


@dataclass(frozen=True)
class Case:
    transport: str
    rig: str
    procedure: str
    role: str = ""
    step: str = ""
    at: int = -1
    fault: Fault | None = None
    seed: int = 0

    def __str__(self) -> str:
        fault = self.fault.value if self.fault else "healthy"
        where = f"{self.transport}, {self.rig}, {self.procedure}, {self.role}: {self.step} ({self.at})"
        return f"{where}, {fault}, {self.seed}"


@dataclass
class Outcome:
    verdicts: dict[str, str]
    cause: str
    duration_s: float
    requests: dict[str, list[str]]
    unasked: str = ""
    hung: bool = False
    struck: bool = False


@dataclass
class Asked:
    """Moves that the bench asked of the drive, and how each was told to end."""

    moves: list[tuple[str, int]] = field(default_factory=list)

    def watch(self, drive: Any) -> None:
        by, to = drive.start_move_by, drive.start_move_to

        def noted(kind: str, start: Callable[[int], None]) -> Callable[[int], None]:
            def started(microsteps: int) -> None:
                self.moves.append((kind, microsteps))
                start(microsteps)

            return started

        drive.start_move_by, drive.start_move_to = noted("by", by), noted("to", to)

    def beyond(self, done: list[tuple[int, int]]) -> str:
        """A move that was carried out and not asked for, or oftener than it was, in words."""
        asked = iter(self.moves)
        for claim, microsteps in done:
            if not any(microsteps == value if kind == "by" else claim + microsteps == value for kind, value in asked):
                return f"a move by {microsteps} from {claim} that nobody asked for"
        return ""


def description(rig: str) -> BenchDescription:
    screw = ", screw: {backlash: 45 um}" if rig == "worn" else ""
    described = parse_bench(BENCH.replace("SCREW", screw), "matrix.bench.yaml")
    assert described.stand_in is not None
    return replace(described, stand_in=replace(described.stand_in, start_m=START_M))


def options(case: Case) -> dict[str, str]:
    return {"timeout": f"{TIMEOUT_S * (SCALE if case.transport in REAL else 1)} s", **VIRTUAL.get(case.transport, {})}


@contextlib.contextmanager
def on_virtual_time(case: Case, described: BenchDescription) -> Iterator[tuple[Bench, ServedRig, dict[str, Recorded]]]:
    clock = LimitedClock()
    assert described.stand_in is not None
    rig = Rig(described.axis, described.stand_in, clock)
    served = ServedRig(rig, {})
    parts = stand_ins(rig, {role: {} for role in ROLES})
    watch_drive(parts["drive"], rig, served)
    seal = Seal(checksum("crc16-modbus"), "*") if case.transport == "text, CRC" else None
    words: dict[str, Callable[[Any], text.Words]] = {role: getattr(text, f"{role}_words") for role in ROLES}
    wires = {role: Recorded(injection(case, role, parts["drive"], clock)) for role in ROLES}

    def link(port: str, *, baud: int) -> ProcessLink:
        del baud
        protocol = text.TextProtocol(words[port](parts[port]), seal=seal)
        return ProcessLink(port, lines(protocol), wires[port], clock)

    with patch("stepwitness.devices.text_line.open_link", link):
        built = {
            role: build(
                role, Part("text-line", {"port": role, **options(case), **_wraps(case, role)}), described.axis, clock
            )
            for role in ROLES
        }
        yield Bench(described, Parts.built(built), clock, simulated=True, over="process"), served, wires


@contextlib.contextmanager
def on_the_wire(case: Case, described: BenchDescription) -> Iterator[tuple[Bench, ServedRig, dict[str, Recorded]]]:
    assert described.stand_in is not None
    with contextlib.ExitStack() as stack:
        roles: dict[str, dict[str, str]] = {role: {} for role in ROLES}
        served = stack.enter_context(
            serve_rig(described.axis, described.stand_in, roles, over=case.transport, scale=SCALE)
        )
        clock = WallClock(SCALE)
        wires: dict[str, Recorded] = {}
        built = {}
        for role in ROLES:
            wires[role] = Recorded(injection(case, role, served.rig.drive(), clock))
            relay = stack.enter_context(Relay(served.parts[role].options["port"], wires[role]))
            part = Part("text-line", {"port": relay.port, **options(case), **_wraps(case, role)})
            built[role] = build(role, part, described.axis, clock)
            stack.callback(built[role].close_link)
        yield Bench(described, Parts.built(built), clock, simulated=True, over=case.transport), served, wires


def _wraps(case: Case, role: str) -> dict[str, str]:
    bits = {Fault.WRAP_16: "16", Fault.WRAP_32: "32"}.get(case.fault) if case.fault else None
    return {"wraps_at": bits, "most_counts_per_reading": "8000"} if bits and role == "counter" else {}


def injection(case: Case, role: str, drive: Any, clock: Any) -> Injection | None:
    if case.fault is None or role != case.role:
        return None

    def reboot(enabled: bool) -> None:
        drive.disable()
        drive.set_position(0)
        if enabled:
            drive.enable()

    jump = getattr(clock, "jump", lambda _: None)
    return Injection(case.fault, case.at, case.seed, timeout_s=TIMEOUT_S, reboot=reboot, jump=jump)


def run(case: Case, folder: Path, *, deadline_s: float = 3600.0) -> Outcome:
    """One case, from opening the bench to closing it."""
    described = description(case.rig)
    plan = parse_plan(PLAN, "matrix.plan.yaml", described)
    planned = next(one for one in plan.procedures if one.procedure.name == case.procedure)
    journal_path = folder / f"{time.monotonic_ns()}.journal.jsonl"
    opened = on_virtual_time if case.transport in VIRTUAL else on_the_wire
    asked, cause, hung, outside = Asked(), "", False, ""
    done: list[tuple[int, int]] = []
    signal.alarm(WALL_S)
    try:
        with opened(case, described) as (bench, served, wires):
            rig, clock = served.rig, bench.clock
            start_by = rig.generator.start_by

            def started(microsteps: int, now_s: float) -> None:
                claim = rig.generator.claim
                start_by(microsteps, now_s)
                done.append((claim, microsteps))

            rig.generator.start_by = started  # type: ignore[method-assign]
            asked.watch(bench.drive._drive)
            highest = [0.0]
            if isinstance(clock, LimitedClock):
                clock.ends_s = deadline_s
                clock.look = lambda: highest.append(max(highest.pop(), rig.truth().load_m))
            journal = JournalWriter(journal_path, {"id": planned.id, "started_s": clock.now()})
            begun_s = clock.now()
            try:
                acquire(bench, planned, _Ending(journal))
                duration_s = clock.now() - begun_s
                bench.close()
            except StepwitnessError as error:
                cause = str(error)
            except Hang:
                hung = True
            duration_s = clock.now() - begun_s
            journal.close()
            if isinstance(clock, LimitedClock):
                clock.ends_s = float("inf")
            clock.sleep(5.0)  # a move under way when the wire was cut comes to its end
            before = rig.truth()
            clock.sleep(1.0)
            after = rig.truth()
            highest[0] = max(highest[0], after.load_m)  # the low end is the switch, which a seek may pass
            if before.pulses != after.pulses or abs(before.load_m - after.load_m) > 2e-6:
                outside = "the load still moves at the end"
            if highest[0] > described.envelope.high_m + EDGE_M:
                outside = f"the load was at {highest[0] * 1e3:.3f} mm"
            if rig.plant.pulses_sent > sum(abs(microsteps) for _, microsteps in done):
                outside = "more pulses than moves"
            struck = any(wire.struck for wire in wires.values())
            requests = {role: wire.requests for role, wire in wires.items()}
    except Hang:
        return Outcome({}, "", 0.0, {}, hung=True)
    except StepwitnessError as error:  # the bench wasn't opened, so nothing moved: its plan is aborted
        return Outcome(
            {limit.characteristic.name: "ABORTED" for limit in planned.limits},
            str(error),
            0.0,
            {},
            unasked=asked.beyond(done),
            struck=True,
        )
    finally:
        signal.alarm(0)
    readings = JournalReadings(journal_path)
    findings = findings_of(plan, planned, described, readings)
    verdicts = {finding.characteristic.name: finding.verdict.value for finding in findings}
    causes = {finding.reason or finding.statement for finding in findings if finding.verdict.value == "ABORTED"}
    journal_path.unlink()
    return Outcome(
        verdicts,
        cause or "; ".join(sorted(causes)),
        duration_s,
        requests,
        unasked=asked.beyond(done) or outside,
        hung=hung,
        struck=struck,
    )


class _Ending:
    """The journal, as `acquire` wants it."""

    def __init__(self, writer: JournalWriter) -> None:
        self._writer = writer
        self.write, self.commit = writer.write, writer.commit

    def end(self, outcome: str, cause: str = "") -> None:
        self._writer.end(outcome, cause)


def cases(transport: str, healthy: dict[tuple[str, str], Outcome], seed: int) -> Iterator[Case]:
    """Every fault at every step of each procedure, one occurrence by dice."""
    dice = random.Random(f"{seed} {transport}")
    rigs = itertools.cycle(("healthy", "worn"))
    procedures = sorted({procedure for _, procedure in healthy})
    for procedure in procedures:
        for role in ROLES:
            steps = sorted(set(healthy["healthy", procedure].requests[role]))
            for step, fault in itertools.product(steps, Fault):
                if not _applies(fault, transport, role):
                    continue
                rig = next(rigs)
                places = [at for at, name in enumerate(healthy[rig, procedure].requests[role]) if name == step]
                if not places:
                    continue
                yield Case(transport, rig, procedure, role, step, dice.choice(places), fault, dice.randrange(10**6))


def _applies(fault: Fault, transport: str, role: str) -> bool:
    if fault in NEEDS_CHECKSUM:
        return transport == "text, CRC"
    if transport == "text, CRC" and fault in TEXT_ONLY:
        return False
    if transport == "text, no tags" and fault in NEEDS_TAGS:
        return False
    if fault in (Fault.WRAP_16, Fault.WRAP_32):
        return role == "counter"
    if fault in (Fault.REBOOT, Fault.REBOOT_ENABLED, Fault.STUCK_BUSY):
        return role == "drive"
    return not (fault is Fault.CLOCK_JUMP and transport in REAL)


def fails(outcome: Outcome, healthy: Outcome) -> str:
    """What is wrong about the outcome of a case, or an empty text."""
    if outcome.hung:
        return "hang"
    if outcome.unasked:
        return f"unasked: {outcome.unasked}"
    aborted = {name for name, verdict in outcome.verdicts.items() if verdict == "ABORTED"}
    if aborted and not outcome.cause:
        return "no cause"
    wrong = {name for name in set(outcome.verdicts) - aborted if outcome.verdicts[name] != healthy.verdicts[name]}
    return f"wrong verdict: {', '.join(f'{name} {outcome.verdicts[name]}' for name in sorted(wrong))}" if wrong else ""


def main() -> int:
    share = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    transports = sys.argv[3:] or [*VIRTUAL, *REAL]
    signal.signal(signal.SIGALRM, _too_long)
    table: dict[str, Counter[str]] = defaultdict(Counter)
    told: list[str] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for transport in transports:
            healthy = {
                (rig, procedure): run(Case(transport, rig, procedure), folder)
                for rig in ("healthy", "worn")
                for procedure in ("repeatability", "backlash", "stall_recovery")
            }
            for (rig, procedure), outcome in healthy.items():
                found = ", ".join(f"{name} {verdict}" for name, verdict in outcome.verdicts.items())
                print(f"{transport}, {rig}, {procedure} in {outcome.duration_s:.1f} s: {found} {outcome.cause}")
                assert not outcome.unasked, outcome.unasked
            chosen = [case for case in cases(transport, healthy, seed) if random.Random(f"{case}").random() < share]
            for case in chosen:
                right = healthy[case.rig, case.procedure]
                outcome = run(case, folder, deadline_s=3 * right.duration_s + 120.0)
                wrong = fails(outcome, right)
                assert case.fault is not None
                row = table[case.fault.value]
                row["cases"] += 1
                row["struck"] += outcome.struck
                row["aborted"] += "ABORTED" in outcome.verdicts.values()
                row[wrong.split(":")[0] or "good"] += 1
                if wrong:
                    told.append(f"{wrong}  [{case}]  {outcome.cause[:200]}")
                    print(told[-1], flush=True)
    _print(table)
    return 1 if told else 0


def _print(table: dict[str, Counter[str]]) -> None:
    heads = ("cases", "struck", "aborted", "good", "unasked", "wrong verdict", "hang", "no cause")
    print(f"{'fault':22}" + "".join(f"{head:>16}" for head in heads))
    for fault, row in table.items():
        print(f"{fault:22}" + "".join(f"{row[head]:16d}" for head in heads))
    total = sum(table.values(), Counter())
    print(f"{'all':22}" + "".join(f"{total[head]:16d}" for head in heads))


def _too_long(*_: object) -> None:
    raise Hang


if __name__ == "__main__":
    sys.exit(main())
