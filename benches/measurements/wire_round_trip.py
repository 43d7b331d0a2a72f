"""What our layer costs on top of the bare library, for each wire: round trips to the same stand-in, in one run.

    python benches/measurements/wire_round_trip.py [round trips a block, default 200] [blocks, default 9]

Blocks of bare and of our round trips take turns, so that a busy machine slows both. Prints the median of each and the
median of the ratios of neighbouring blocks; the goal is 1.25 at most.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from stepwitness.axis import Axis
from stepwitness.bench.model import load_bench
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import WallClock
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.devices.part import Part
from stepwitness.standin.client import start_server
from stepwitness.standin.endpoints import ON_TERMINALS

GOAL = 1.25
BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
Trip = Callable[[], object]


@contextmanager
def bare_socket(part: Part) -> Iterator[Trip]:
    import socket

    host, port = part.options["port"].removeprefix("socket://").split(":")
    with socket.create_connection((host, int(port))) as connection:
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def trip() -> int:
            connection.sendall(b"position?\n")
            reply = b""
            while not reply.endswith(b"\n"):
                reply += connection.recv(4096)
            return int(reply)

        yield trip


@contextmanager
def bare_serial(part: Part) -> Iterator[Trip]:
    import serial

    with serial.Serial(part.options["port"], 115_200, timeout=3.0) as port:

        def trip() -> int:
            port.write(b"position?\n")
            return int(port.read_until(b"\n"))

        yield trip


@contextmanager
def bare_modbus(part: Part) -> Iterator[Trip]:
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
        yield lambda: client.read_input_registers(2, count=2, device_id=1).registers
    finally:
        client.close()


@contextmanager
def bare_canopen(part: Part) -> Iterator[Trip]:
    import canopen

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
            pairs = [
                (block(bare(part), trips), block(ours(role, part, description.axis), trips)) for _ in range(blocks)
            ]
        ratio = statistics.median(mine / theirs for theirs, mine in pairs)
        theirs_s, mine_s = (statistics.median(column) for column in zip(*pairs, strict=True))
        worst = max(worst, ratio)
        print(f"{name:20} {1e3 * theirs_s:9.3f} {1e3 * mine_s:9.3f} {ratio:6.2f}", flush=True)
    return int(worst > GOAL)


if __name__ == "__main__":
    sys.exit(main())
