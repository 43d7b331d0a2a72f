"""What our layer costs on top of the bare library, for each wire: round trips to the same stand-in, in one run.

    python benches/measurements/wire_round_trip.py [round trips a block, default 200] [blocks, default 9]

Blocks of bare and of our round trips take turns, so that a busy machine slows both. Prints the median of each and the
median of the ratios of neighbouring blocks; the goal is 1.25 at most.

Then the same of sweeps over three witnesses: how many a second the wire allows, asked for the same values in the same
order by the bare libraries, and how many the sampler takes; the goal is 80 % at least.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

from stepwitness.axis import Axis
from stepwitness.bench.model import load_bench
from stepwitness.bench.sampler import Coordinates, Sampler
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import WallClock
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.devices.part import Part
from stepwitness.standin.client import start_server
from stepwitness.standin.endpoints import ON_TERMINALS

GOAL = 1.25
SAMPLING_GOAL = 0.8
BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
Trip = Callable[[], object]


QUESTIONS = {"drive": b"position?\n", "counter": b"counts?\n", "gauge": b"travel?\n"}
"""By role, on a text line."""


@contextmanager
def bare_socket(part: Part, role: str = "drive") -> Iterator[Trip]:
    import socket

    question = QUESTIONS[role]

    host, port = part.options["port"].removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port))) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def trip() -> float:
            connection.sendall(question)
            reply = b""
            while not reply.endswith(b"\n"):
                reply += connection.recv(4096)
            return float(reply.split()[0])

        yield trip


@contextmanager
def bare_serial(part: Part, role: str = "drive") -> Iterator[Trip]:
    import serial

    question = QUESTIONS[role]
    with serial.Serial(part.options["port"], 115_200, timeout=3.0) as port:

        def trip() -> float:
            port.write(question)
            return float(port.read_until(b"\n").split()[0])

        yield trip


@contextmanager
def bare_modbus(part: Part, role: str = "drive") -> Iterator[Trip]:
    with bare_modbus_client(part) as client:
        yield modbus_trip(client, role)


def modbus_trip(client: Any, role: str) -> Trip:
    unit, register = (1, 2) if role == "drive" else (2, 0)
    return lambda: client.read_input_registers(register, count=2, device_id=unit).registers


@contextmanager
def bare_modbus_client(part: Part) -> Iterator[Any]:
    from pymodbus.client import ModbusSerialClient, ModbusTcpClient

    port = part.options["port"]
    client: Any
    if port.startswith("socket://"):
        host, number = port.removeprefix("socket://").split(":")
        client = ModbusTcpClient(host, port=int(number), timeout=3.0, retries=0)
    else:
        client = ModbusSerialClient(port, baudrate=115_200, timeout=3.0, retries=0)
    client.connect()
    try:
        yield client
    finally:
        client.close()


@contextmanager
def bare_canopen(part: Part, role: str = "drive") -> Iterator[Trip]:
    import canopen

    assert role == "drive"

    network = canopen.Network()
    node = network.add_node(1, canopen.ObjectDictionary())
    network.NOTIFIER_CYCLE = 0.05
    network.connect(interface="slcan", channel=part.options["channel"], bitrate=500_000, sleep_after_open=0.0)
    time.sleep(0.05)
    try:
        yield lambda: int.from_bytes(node.sdo.upload(0x6064, 0), "little", signed=True)
    finally:
        network.disconnect()


@contextmanager
def bare_visa(part: Part) -> Iterator[Trip]:
    import pyvisa

    session: Any = pyvisa.ResourceManager("@py").open_resource(
        part.options["resource"], read_termination="\n", write_termination="\n", timeout=3000
    )
    try:
        yield lambda: float(session.query("MEAS:CURR?"))
    finally:
        session.close()


@contextmanager
def ours(role: str, part: Part, axis: Axis) -> Iterator[Trip]:
    made = build(role, part, axis, WallClock())
    try:
        yield made.current_a if role == "meter" else made.position
    finally:
        made.close_link()


WIRES: tuple[tuple[str, str, str, Callable[[Part], Any]], ...] = (
    ("text line, TCP", "tcp", "drive", bare_socket),
    ("text line, serial", "serial", "drive", bare_serial),
    ("Modbus TCP", "modbus-tcp", "drive", bare_modbus),
    ("Modbus RTU", "modbus-rtu", "drive", bare_modbus),
    ("CANopen", "canopen", "drive", bare_canopen),
    ("SCPI, socket", "tcp", "meter", bare_visa),
    ("SCPI, HiSLIP", "hislip", "meter", bare_visa),
)


def block(opened: Any, trips: int) -> float:
    """Seconds of one round trip, the median of a block."""
    with opened as trip:
        taken = []
        for number in range(trips + 10):
            started_s = time.perf_counter()
            trip()
            if number >= 10:
                taken.append(time.perf_counter() - started_s)
    return statistics.median(taken)


SWEPT = ("drive", "counter", "drive", "gauge")
"""What a sweep over three witnesses asks, in its order."""


@contextmanager
def bare_sweep(parts: dict[str, Part]) -> Iterator[Trip]:
    """The bare libraries, asking what a sweep asks; parts on one port share one client."""
    with ExitStack() as stack:
        trips: dict[str, Trip] = {}
        clients: dict[str, Any] = {}
        for role in dict.fromkeys(SWEPT):
            part = parts[role]
            if part.kind == "modbus":
                port = part.options["port"]
                if port not in clients:
                    clients[port] = stack.enter_context(bare_modbus_client(part))
                trips[role] = modbus_trip(clients[port], role)
            elif part.kind == "cia402":
                trips[role] = stack.enter_context(bare_canopen(part))
            else:
                bare = bare_socket if part.options["port"].startswith("socket://") else bare_serial
                trips[role] = stack.enter_context(bare(part, role))
        order = [trips[role] for role in SWEPT]

        def sweep() -> None:
            for trip in order:
                trip()

        yield sweep


@contextmanager
def our_sweep(parts: dict[str, Part], axis: Axis) -> Iterator[Trip]:
    clock = WallClock()
    with ExitStack() as stack:
        built: dict[str, Any] = {}
        for role in dict.fromkeys(SWEPT):
            built[role] = build(role, parts[role], axis, clock)
            stack.callback(built[role].close_link)
        yield Sampler(clock, **built, meter=None, coordinates=Coordinates(axis)).sweep


def compared(bare: Callable[[], Any], mine: Callable[[], Any], trips: int, blocks: int) -> tuple[float, float, float]:
    """Median seconds of a bare and of our round trip, and the median ratio of neighbouring blocks."""
    pairs = [(block(bare(), trips), block(mine(), trips)) for _ in range(blocks)]
    theirs_s, mine_s = (statistics.median(column) for column in zip(*pairs, strict=True))
    return theirs_s, mine_s, statistics.median(own / theirs for theirs, own in pairs)


def sampling(axis: Axis, trips: int, blocks: int) -> float:
    """Print the sweeps; the worst share of what the wire allows."""
    worst = 1.0
    print(f"\n{'three witnesses':20} {'wire, /s':>9} {'ours, /s':>9} {'share':>6}   goal {SAMPLING_GOAL}")
    for name, way in dict.fromkeys((name, way) for name, way, role, _ in WIRES if role == "drive"):
        if way in ON_TERMINALS and not has_pseudo_terminals():
            continue
        with start_server(BENCH, over=way, scale=1.0) as served:
            parts = served.parts
            theirs_s, mine_s, ratio = compared(
                lambda parts=parts: bare_sweep(parts), lambda parts=parts: our_sweep(parts, axis), trips, blocks
            )
        worst = min(worst, 1 / ratio)
        print(f"{name:20} {1 / theirs_s:9.0f} {1 / mine_s:9.0f} {1 / ratio:6.2f}", flush=True)
    return worst


def main() -> int:
    trips = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    blocks = int(sys.argv[2]) if len(sys.argv) > 2 else 9
    worst = 0.0
    print(f"{'wire':20} {'bare, ms':>9} {'ours, ms':>9} {'ratio':>6}   goal {GOAL}")
    description = load_bench(BENCH)
    for name, way, role, bare in WIRES:
        if way in ON_TERMINALS and not has_pseudo_terminals():
            continue
        with start_server(BENCH, over=way, scale=1.0) as served:
            part = served.parts[role]
            theirs_s, mine_s, ratio = compared(
                lambda bare=bare, part=part: bare(part),
                lambda role=role, part=part: ours(role, part, description.axis),
                trips,
                blocks,
            )
        worst = max(worst, ratio)
        print(f"{name:20} {1e3 * theirs_s:9.3f} {1e3 * mine_s:9.3f} {ratio:6.2f}", flush=True)
    share = sampling(description.axis, trips, blocks)
    return int(worst > GOAL or share < SAMPLING_GOAL)


if __name__ == "__main__":
    sys.exit(main())
