"""Every fault on every wire, at every step of each procedure: does the axis stay put, and do verdicts stay right?

    python benches/measurements/fault_matrix.py [share of the cases, default 1] [seed] [transport ...]

Cases come in an order of dice, and a run that is interrupted prints the table of those it has had.

A step is a kind of request to one part (``drive: move to``, ``drive: read 6041h``, ``gauge: READ?`` …); the fault
strikes one of its occurrences, by dice. Most transports run the real line layers and the libraries below them on
virtual time, so the same seed gives the same run; those called "real" put a relay between real ports, on scaled time,
and are a sample. "In process" has no wire: the part's own calls go wrong.

Each case is judged from the physics' own truth: every move that the drive carried out was asked for, once, or is a
correction to where it was sent or halted, by a loop that was told to correct; the load stayed within the envelope; at
the end it is at rest. A drive that starts anew with its output on, just when an absolute move is sent, goes there from
the zero that it lost: its witnesses halt it, and it may pass the edge by what it takes to stop. And from the findings:
the verdict of a healthy wire, or ABORTED with its cause. And it ends within its deadline, as does each exchange. Half
of the cases run on a worn nut, whose right verdict is FAIL; those of the brake run on a vertical axis.
"""

from __future__ import annotations

import contextlib
import itertools
import random
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from stepwitness.bench.description import BenchDescription, Part
from stepwitness.bench.live import Bench, Parts
from stepwitness.bench.model import parse_bench
from stepwitness.devices.catalog import build
from stepwitness.devices.checksums import Seal, checksum
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop
from stepwitness.errors import StepwitnessError
from stepwitness.plan.model import parse_plan
from stepwitness.procedures.acquisition import acquire
from stepwitness.records.journal import JournalReadings, JournalWriter
from stepwitness.records.judgement import findings_of
from stepwitness.standin import dialects, faulty_part
from stepwitness.standin.endpoints import Endpoint, serve, stand_ins
from stepwitness.standin.faults import OF_BYTES, Dialect, Fault, FaultyWire, Injection
from stepwitness.standin.faulty_part import FaultyPart
from stepwitness.standin.relay import Relay
from stepwitness.standin.rig import Rig
from stepwitness.standin.served import ServedRig, serve_rig, watch_drive
from stepwitness.standin.virtual_host import VirtualHost

BENCH = """\
name: matrix-rig
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m, friction_torque: 30 mN*m}
drive: {part: stand-in, loop: LOOP}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm, measuring_force: 0.6 N}
meter: {part: stand-in, calibration: {certificate: TB-C-0044, expires: 2037-03-01, U: 5 mA, k: 2}}
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
       limits: {missed_stalls: 0, unrecovered: 0, standstill_error: 1 step, current_difference: 10 %}}
"""
LIFT_BENCH = """\
name: matrix-lift
axis: {name: plate-lift, step_angle: 0.9 deg, microsteps: 16, lead: 5 mm, stroke: 120 mm, orientation: vertical}
motor: {rated_current: 2 A, hold_current: 2 A, holding_torque: 0.9 N*m, friction_torque: 80 mN*m}
drive: {part: stand-in}
counter: {part: stand-in, lines: 1000, decoding: X4, on: motor}
gauge: {part: stand-in, range: 125 mm, resolution: 0.1 um, zero_at: -2.5 mm, measuring_force: 0.6 N}
brake: {part: stand-in, closing_delay: 30 ms}
inputs: {part: stand-in}
envelope: {travel: 0 mm to 13 mm, speed: 50 mm/s, acceleration: 500 mm/s^2, current: 2.2 A}
reference: {by: limit switch, side: low, at: 1 mm, speed: 5 mm/s}
safe_state: brake
back_drives: yes
blocked: {at: 0 mm, side: low, push_current: 0.3 A}
guide_friction: 6 N
stand_in: {preset: plate-lift, seed: 922, load: {stop_low: 0 mm}}
"""
LIFT_PLAN = """\
purpose: nightly
bench: matrix.bench.yaml
procedures:
  - repeatability: {targets: 2, runs: 2, speed: 20 mm/s, dwell: 0.05 s, limits: {mean_reversal: 25 um}}
  - backlash: {places: 1, repeats: 2, dwell: 0.05 s, limits: {reversal_value: 25 um}}
  - stall_recovery:
      {stall_current: 0.15 A, following_error_window: 2 steps, distance: 4 mm, attempts: 2, provocations: 1,
       healthy_moves: 2, hunting_time: 0.05 s, limits: {missed_stalls: 0, unrecovered: 0, standstill_error: 1 step}}
"""
LIFT = "lift"
ROLES = ("drive", "counter", "gauge", "meter", "drag", "inputs")
LIFT_ROLES = ("drive", "counter", "gauge", "brake", "inputs")
BY_TEXT = ("drive", "counter", "gauge", "drag", "inputs", "brake")
START_M, LIFT_START_M = 0.0015, 0.004
TIMEOUT_S = 0.5
SCALE = 3.0
WALL_S = 120
MOST_TIMEOUTS = 12
"""An exchange may take so many of its time-outs at most, retries and getting back in step included."""


@dataclass(frozen=True)
class Transport:
    """One way to the parts.

    `over` is one of `endpoints.WAYS` or "process"; `dialect` is spoken to the parts of `roles`, the targets. `loop`
    is the drive's own.
    """

    over: str
    dialect: Dialect
    roles: tuple[str, ...]
    options: dict[str, str] = field(default_factory=dict)
    by_socket: tuple[str, ...] = ("meter",)
    real: bool = False
    loop: str = "open"


TRANSPORTS = {
    "in process": Transport("process", dialects.TEXT, (*ROLES, "brake")),
    "text": Transport("tcp", dialects.TEXT, BY_TEXT),
    "text, no tags": Transport("tcp", dialects.UNTAGGED, BY_TEXT, {"tags": "no"}),
    "text, CRC": Transport("tcp", dialects.SEALED, BY_TEXT, {"checksum": "crc16-modbus"}),
    "Modbus TCP": Transport("modbus-tcp", dialects.MODBUS_TCP, ("drive",)),
    "Modbus RTU": Transport("modbus-rtu", dialects.MODBUS_RTU, ("drive",)),
    "CANopen": Transport("canopen", dialects.SLCAN, ("drive",)),
    "SCPI socket": Transport("tcp", dialects.SCPI, ("meter", "gauge"), by_socket=("meter", "gauge")),
    "HiSLIP": Transport("hislip", dialects.HISLIP, ("meter", "gauge")),
    "text, closed": Transport("tcp", dialects.TEXT, ("drive",), loop="closed"),
    "Modbus, closed": Transport("modbus-tcp", dialects.MODBUS_TCP, ("drive",), loop="closed"),
    "CANopen, closed": Transport("canopen", dialects.SLCAN, ("drive",), loop="closed"),
    "real TCP": Transport("tcp", dialects.TEXT, ROLES[:3], real=True),
    "real serial": Transport("serial", dialects.TEXT, ROLES[:3], real=True),
    "real Modbus TCP": Transport("modbus-tcp", dialects.MODBUS_TCP, ("drive",), real=True),
    "real Modbus RTU": Transport("modbus-rtu", dialects.MODBUS_RTU, ("drive",), real=True),
    "real CANopen": Transport("canopen", dialects.SLCAN, ("drive",), real=True),
}
"""Drive and counter share one Modbus port, so that faults of that port strike both."""
REAL_SHARE = 0.07
EDGE_M = 4 * 1e-5
SPEED_M_PER_S = 0.02
"""The fastest that either plan moves."""


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


class Recorded(FaultyWire):
    """A wire that notes the kind of each request."""

    def __init__(self, injection: Injection | None, dialect: Dialect) -> None:
        super().__init__(injection, dialect=dialect)
        self.requests: list[str] = []

    def from_host(self, data: bytes, *, now_s: float) -> None:
        self.requests.append(self._dialect.step(data))
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
    longest_s: float = 0.0
    """The longest exchange, on the clock that its time-out counts on."""


@dataclass(frozen=True)
class Start:
    """A move that the drive's pulse generator began.

    `path_ended` : of a correction by the drive's own loop, where the path before it had ended.
    """

    claim: int
    microsteps: int
    path_ended: int | None = None


@dataclass
class Asked:
    """Moves that the bench asked of the drive, and how each was told to end; whether its loop may correct."""

    moves: list[tuple[str, int]] = field(default_factory=list)
    corrects: bool = False

    def watch(self, drive: Any) -> None:
        by, to = drive.start_move_by, drive.start_move_to

        def noted(kind: str, start: Callable[[int], None]) -> Callable[[int], None]:
            def started(microsteps: int) -> None:
                self.moves.append((kind, microsteps))
                start(microsteps)

            return started

        drive.start_move_by, drive.start_move_to = noted("by", by), noted("to", to)
        if isinstance(drive, ClosesLoop):
            configure = drive.configure_loop

            def configured(settings: ClosedLoopSettings) -> None:
                self.corrects |= settings.attempts > 0
                configure(settings)

            drive.configure_loop = configured  # type: ignore[method-assign]

    def beyond(self, done: list[Start]) -> str:
        """A move that was carried out and not asked for, or oftener than it was, in words."""
        asked = iter(self.moves)
        ends: set[int] = set()
        for one in done:
            end = one.claim + one.microsteps
            if not one.microsteps:  # a halt that is taken back sets the target to where the drive stands
                continue
            if one.path_ended is not None:  # a halted axis is held where its path ended
                if not self.corrects or end not in {*ends, one.path_ended}:
                    return f"a correction by {one.microsteps} from {one.claim} that nobody asked for"
            elif not any(one.microsteps == value if kind == "by" else end == value for kind, value in asked):
                return f"a move by {one.microsteps} from {one.claim} that nobody asked for"
            ends.add(end)
        return ""


def description(rig: str, loop: str) -> BenchDescription:
    screw = ", screw: {backlash: 45 um}" if rig == "worn" else ""
    bench = LIFT_BENCH if rig == LIFT else BENCH.replace("SCREW", screw).replace("LOOP", loop)
    described = parse_bench(bench, "matrix.bench.yaml")
    assert described.stand_in is not None
    return replace(described, stand_in=replace(described.stand_in, start_m=LIFT_START_M if rig == LIFT else START_M))


def options_of(described: BenchDescription) -> dict[str, dict[str, str]]:
    """The options of each stand-in that change what it is: here a drive's loop."""
    return {
        role: {"loop": part.options.get("loop", "open")} if role == "drive" else {}
        for role, part in described.parts().items()
    }


def injection(case: Case, role: str, reboot: Callable[[bool], object], jump: Callable[[float], object]) -> Any:
    if case.fault is None or role != case.role:
        return None
    return Injection(case.fault, case.at, case.seed, timeout_s=TIMEOUT_S, reboot=reboot, jump=jump)


def rebooting(drive: Any) -> Callable[[bool], None]:
    return lambda enabled: drive.reboot(enabled=enabled)


def real_part(case: Case, role: str, endpoint: Endpoint, **changed: str) -> Part:
    """The part behind an endpoint; a text line counts its time-out on the bench's clock, a library on the host's."""
    transport = TRANSPORTS[case.transport]
    options: dict[str, Any] = {**endpoint["options"], **changed}  # type: ignore[dict-item]
    text = endpoint["part"] == "text-line"
    options["timeout"] = f"{TIMEOUT_S * (SCALE if transport.real and text else 1.0)} s"
    if text:
        options |= transport.options
    bits = {Fault.WRAP_16: "16", Fault.WRAP_32: "32"}.get(case.fault) if case.fault else None
    if bits and role == "counter":
        options |= {"wraps_at": bits, "most_counts_per_reading": "8000"}
    return Part(str(endpoint["part"]), options)


def port_of(endpoint: Endpoint) -> tuple[str, str, str]:
    """The option that names the port of an endpoint, its value, and the port's own name in it."""
    options: dict[str, str] = endpoint["options"]  # type: ignore[assignment]
    key = next(key for key in ("port", "channel", "resource") if key in options)
    name = options[key]
    if key == "resource":
        name = name.split("hislip0,")[-1].split("::")[0] if "hislip" in name else name.split("::")[2]
    return key, options[key], name.rpartition(":")[2]


def dialect_of(case: Case, role: str) -> Dialect:
    transport = TRANSPORTS[case.transport]
    if role in transport.roles or (role == "counter" and "modbus" in transport.over):
        return transport.dialect
    return dialects.SCPI if role in transport.by_socket else dialects.TEXT


@contextlib.contextmanager
def on_virtual_time(case: Case, described: BenchDescription) -> Iterator[tuple[Bench, ServedRig, dict[str, Any]]]:
    clock, transport = LimitedClock(), TRANSPORTS[case.transport]
    assert described.stand_in is not None
    host = VirtualHost(clock)
    rig = Rig(described.axis, described.stand_in, clock)
    served = ServedRig(rig, {})
    parts = stand_ins(rig, options_of(described))
    watch_drive(parts["drive"], rig, served)

    def jump(seconds: float) -> None:
        host.jumped_s += seconds
        if seconds > 0:
            clock.jump(seconds)

    def wire(role: str) -> Recorded:
        return Recorded(injection(case, role, rebooting(parts["drive"]), jump), dialect_of(case, role))

    seal = Seal(checksum("crc16-modbus"), "*") if "checksum" in transport.options else None
    with host.installed():
        rated_a = described.motor.rated_current_a
        endpoints = serve(host, parts, over=transport.over, rated_a=rated_a, seal=seal, by_socket=transport.by_socket)
        wires: dict[str, Any] = {}
        laid: dict[str, str] = {}
        for role, endpoint in endpoints.items():
            name = port_of(endpoint)[2]
            if name not in laid:
                laid[name] = role
                wires[role] = wire(role)
                beside = Recorded(None, dialects.HISLIP) if wires[role]._dialect is dialects.HISLIP else None
                host.lay(name, wires[role], beside=beside)
        built: dict[str, Any] = {}
        with closing(built):
            for role, endpoint in endpoints.items():
                built[role] = build(role, real_part(case, role, endpoint), described.axis, clock)
            yield Bench(described, Parts.built(built), clock, simulated=True, over="process"), served, wires


@contextlib.contextmanager
def in_process(case: Case, described: BenchDescription) -> Iterator[tuple[Bench, ServedRig, dict[str, Any]]]:
    clock = LimitedClock()
    assert described.stand_in is not None
    rig = Rig(described.axis, described.stand_in, clock)
    served = ServedRig(rig, {})
    parts = stand_ins(rig, options_of(described))
    watch_drive(parts["drive"], rig, served)
    reboot = rebooting(parts["drive"])
    faulty = {role: FaultyPart(injection(case, role, reboot, clock.jump), clock) for role in parts}
    for role, part in parts.items():
        faulty[role].put_on(part)
    yield Bench(described, Parts.built(parts), clock, simulated=True, over="process"), served, faulty


@contextlib.contextmanager
def on_the_wire(case: Case, described: BenchDescription) -> Iterator[tuple[Bench, ServedRig, dict[str, Any]]]:
    assert described.stand_in is not None
    over = TRANSPORTS[case.transport].over
    with contextlib.ExitStack() as stack:
        roles = options_of(described)
        served = stack.enter_context(serve_rig(described.axis, described.stand_in, roles, over=over, scale=SCALE))
        clock, reboot = WallClock(SCALE), rebooting(served.rig.drive())
        wires: dict[str, Any] = {}
        ports: dict[str, str] = {}
        built: dict[str, Any] = {}
        stack.enter_context(closing(built))
        for role, part in served.parts.items():
            endpoint: Endpoint = {"part": part.kind, "options": part.options}
            key, port, _ = port_of(endpoint)
            if key == "resource":
                built[role] = build(role, real_part(case, role, endpoint), described.axis, clock)
                continue
            if port not in ports:
                wires[role] = Recorded(injection(case, role, reboot, lambda _: None), dialect_of(case, role))
                ports[port] = stack.enter_context(Relay(port, wires[role])).port
            built[role] = build(role, real_part(case, role, endpoint, **{key: ports[port]}), described.axis, clock)
        yield Bench(described, Parts.built(built), clock, simulated=True, over=over), served, wires


@contextlib.contextmanager
def closing(built: dict[str, Any]) -> Iterator[None]:
    try:
        yield
    finally:
        for part in built.values():
            with contextlib.suppress(Exception):
                part.close_link()


def run(case: Case, folder: Path, *, deadline_s: float = 3600.0) -> Outcome:
    """One case, from opening the bench to closing it."""
    described = description(case.rig, TRANSPORTS[case.transport].loop)
    plan = parse_plan(LIFT_PLAN if case.rig == LIFT else PLAN, "matrix.plan.yaml", described)
    planned = next(one for one in plan.procedures if one.procedure.name == case.procedure)
    journal_path = folder / f"{time.monotonic_ns()}.journal.jsonl"
    transport = TRANSPORTS[case.transport]
    opened = on_the_wire if transport.real else in_process if transport.over == "process" else on_virtual_time
    asked, cause, hung, outside = Asked(), "", False, ""
    done: list[Start] = []
    signal.alarm(WALL_S)
    try:
        with opened(case, described) as (bench, served, wires):
            rig, clock = served.rig, bench.clock
            start_by = rig.generator.start_by

            path_ended = correction_of(rig)

            def started(microsteps: int, now_s: float) -> None:
                claim = rig.generator.claim
                start_by(microsteps, now_s)
                done.append(Start(claim, microsteps, path_ended()))

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
            stopping_m = SPEED_M_PER_S**2 / (2 * described.envelope.acceleration_m_per_s2)
            edge_m = EDGE_M + (stopping_m if case.fault is Fault.REBOOT_ENABLED else 0.0)
            if highest[0] > described.envelope.high_m + edge_m:
                outside = f"the load was at {highest[0] * 1e3:.3f} mm"
            if rig.plant.pulses_sent > sum(abs(one.microsteps) for one in done):
                outside = "more pulses than moves"
            struck = any(wire.struck for wire in wires.values())
            requests = {
                role: wire.calls if isinstance(wire, FaultyPart) else wire.requests for role, wire in wires.items()
            }
            longest_s = longest_exchange_s(bench, case)
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
        longest_s=longest_s,
    )


def correction_of(rig: Rig) -> Callable[[], int | None]:
    """Tells where the path ended that the drive's own loop corrects at the moment; None while it corrects nothing."""
    loop = getattr(rig.drive(), "_loop", None)
    if loop is None:
        return lambda: None
    send_again = loop._send_again
    ended: list[int | None] = [None]

    def corrects(settings: ClosedLoopSettings, now_s: float) -> None:
        ended[0] = rig.generator.claim
        try:
            send_again(settings, now_s)
        finally:
            ended[0] = None

    loop._send_again = corrects
    return lambda: ended[0]


def longest_exchange_s(bench: Bench, case: Case) -> float:
    """Of those in the parts' logs, on the clock that their time-outs count on; nothing where that clock jumped."""
    if case.fault is Fault.CLOCK_JUMP:
        return 0.0
    parts = [bench.drive._drive, bench.counter, bench.gauge, bench.meter, bench.brake, bench.drag, bench.inputs]
    scale = SCALE if TRANSPORTS[case.transport].real else 1.0
    entries = (entry for part in parts for entry in getattr(part, "log", ()))
    return max((entry.ended_s - entry.asked_s for entry in entries), default=0.0) / scale


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
        for role in TRANSPORTS[transport].roles:
            known = LIFT if role == "brake" else "healthy"
            steps = sorted(set(healthy[known, procedure].requests[role]))
            for step, fault in itertools.product(steps, Fault):
                if not applies(fault, transport, role):
                    continue
                rig = LIFT if role == "brake" else next(rigs)
                places = [at for at, name in enumerate(healthy[rig, procedure].requests[role]) if name == step]
                if not places:
                    continue
                yield Case(transport, rig, procedure, role, step, dice.choice(places), fault, dice.randrange(10**6))


def applies(fault: Fault, transport: str, role: str) -> bool:
    """Whether a fault can happen there."""
    way = TRANSPORTS[transport]
    if fault not in (faulty_part.FAULTS if way.over == "process" else OF_BYTES | way.dialect.faults):
        return False
    if fault in (Fault.WRAP_16, Fault.WRAP_32):
        return role == "counter" or "modbus" in way.over
    if fault in (Fault.REBOOT, Fault.REBOOT_ENABLED, Fault.STUCK_BUSY):
        return role == "drive"
    return not (fault is Fault.CLOCK_JUMP and way.real)


def fails(outcome: Outcome, healthy: Outcome) -> str:
    """What is wrong about the outcome of a case, or an empty text."""
    if outcome.hung:
        return "hang"
    if outcome.unasked:
        return f"unasked: {outcome.unasked}"
    if outcome.longest_s > MOST_TIMEOUTS * TIMEOUT_S:
        return f"late: an exchange took {outcome.longest_s:.1f} s"
    aborted = {name for name, verdict in outcome.verdicts.items() if verdict == "ABORTED"}
    if aborted and not outcome.cause:
        return "no cause"
    wrong = {name for name in set(outcome.verdicts) - aborted if outcome.verdicts[name] != healthy.verdicts[name]}
    return f"wrong verdict: {', '.join(f'{name} {outcome.verdicts[name]}' for name in sorted(wrong))}" if wrong else ""


def all_healthy(transport: str, folder: Path) -> dict[tuple[str, str], Outcome]:
    """Each procedure on each rig, on wires without a fault."""
    rigs = ("healthy", "worn", *((LIFT,) if "brake" in TRANSPORTS[transport].roles else ()))
    return {
        (rig, procedure): run(Case(transport, rig, procedure), folder)
        for rig in rigs
        for procedure in ("repeatability", "backlash", "stall_recovery")
    }


def main() -> int:
    share = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    transports = sys.argv[3:] or list(TRANSPORTS)
    signal.signal(signal.SIGALRM, _too_long)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    tables: dict[str, dict[str, Counter[str]]] = {transport: defaultdict(Counter) for transport in transports}
    told = done = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        healthy = {transport: _told_healthy(transport, folder) for transport in transports}
        chosen = [
            case
            for transport in transports
            for case in cases(transport, healthy[transport], seed)
            if random.Random(f"{case}").random() < share * (REAL_SHARE if TRANSPORTS[transport].real else 1.0)
        ]
        random.Random(seed).shuffle(chosen)  # so that a run that is cut has seen something of everything
        begun_s = time.monotonic()
        try:
            for case in chosen:
                assert case.fault is not None
                right = healthy[case.transport][case.rig, case.procedure]
                outcome = run(case, folder, deadline_s=3 * right.duration_s + 120.0)
                wrong = fails(outcome, right)
                row = tables[case.transport][case.fault.value]
                row["cases"] += 1
                row["struck"] += outcome.struck
                row["aborted"] += "ABORTED" in outcome.verdicts.values()
                row[wrong.split(":")[0] or "good"] += 1
                done += 1
                if wrong:
                    told += 1
                    print(f"{wrong}  [{case}]  {outcome.cause[:300]}", flush=True)
                if done % 200 == 0:
                    print(
                        f"{done} of {len(chosen)} cases, {told} judged wrong, {time.monotonic() - begun_s:.0f} s",
                        flush=True,
                    )
        except KeyboardInterrupt:
            print(f"cut after {done} of {len(chosen)} cases")
    _print(tables)
    return 1 if told else 0


def _told_healthy(transport: str, folder: Path) -> dict[tuple[str, str], Outcome]:
    healthy = all_healthy(transport, folder)
    for (rig, procedure), outcome in healthy.items():
        found = ", ".join(f"{name} {verdict}" for name, verdict in outcome.verdicts.items())
        print(f"{transport}, {rig}, {procedure} in {outcome.duration_s:.1f} s: {found} {outcome.cause}", flush=True)
        assert not outcome.unasked, outcome.unasked
        assert "ABORTED" not in outcome.verdicts.values(), outcome.cause
    return healthy


WRONGS = ("unasked", "wrong verdict", "hang", "late", "no cause")
HEADS = ("cases", "struck", "aborted", "good", *WRONGS)


def _print(tables: dict[str, dict[str, Counter[str]]]) -> None:
    """Fault by transport: cases, how many of them were aborted, and behind a ! those that were judged wrong."""
    width = max(map(len, tables)) + 1

    def cell(row: Counter[str]) -> str:
        wrong = sum(row[head] for head in WRONGS)
        return f"{row['cases']}/{row['aborted']}{f' !{wrong}' if wrong else ''}" if row["cases"] else "-"

    print(f"{'cases/aborted':20}" + "".join(f"{name:>{width}}" for name in [*tables, "all"]))
    rows = {fault.value: [table[fault.value] for table in tables.values()] for fault in Fault}
    for name, row in [*rows.items(), ("all", [sum(table.values(), Counter()) for table in tables.values()])]:
        print(f"{name:20}" + "".join(f"{cell(one):>{width}}" for one in [*row, sum(row, Counter())]))
    total = sum((row for table in tables.values() for row in table.values()), Counter())
    print(", ".join(f"{total[head]} {head}" for head in HEADS))


def _too_long(*_: object) -> None:
    raise Hang


if __name__ == "__main__":
    sys.exit(main())
