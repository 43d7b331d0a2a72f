"""Which stand-in part is reached by which protocol, for each way of reaching them.

Each way puts its own protocol under the parts that it is for; the others speak text lines, over TCP (or, with the way
"serial", over pseudo-terminals) and the meter SCPI.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping
from typing import Any

from stepwitness.devices.checksums import Seal
from stepwitness.devices.interfaces import ClosesLoop
from stepwitness.standin import text_protocol as text
from stepwitness.standin.can_protocol import SlcanResponder
from stepwitness.standin.cia402_node import Cia402Node
from stepwitness.standin.hislip_protocol import hislip
from stepwitness.standin.modbus_parts import counter_bank, drive_bank
from stepwitness.standin.modbus_protocol import Bank, RtuResponder, TcpResponder
from stepwitness.standin.rig import Rig
from stepwitness.standin.scpi_protocol import ScpiProtocol, gauge_protocol, meter_protocol, supply_protocol
from stepwitness.standin.serving import HOST, Ports, lines

WAYS = ("tcp", "serial", "modbus-tcp", "modbus-rtu", "canopen", "hislip")
ON_TERMINALS = frozenset({"serial", "modbus-rtu", "canopen"})
"""Ways that need pseudo-terminals."""

NODE = 1
UNITS = {"drive": 1, "counter": 2}
SCPI: Mapping[str, Callable[[Any], ScpiProtocol]] = {
    "meter": meter_protocol,
    "gauge": gauge_protocol,
    "supply": supply_protocol,
}
Endpoint = dict[str, object]
"""Kind and options of the real part that reaches a stand-in."""


def stand_ins(rig: Rig, roles: Mapping[str, Mapping[str, str]], *, gauge_sense: int = 1) -> dict[str, Any]:
    """The stand-in part of each role; `roles` holds the options of each."""
    makers: dict[str, Callable[[], Any]] = {
        "drive": lambda: rig.drive(closed_loop=roles["drive"].get("loop") == "closed"),
        "counter": rig.counter,
        "gauge": lambda: rig.gauge(sense=gauge_sense),
        "meter": rig.meter,
        "supply": rig.supply,
        "brake": rig.brake,
        "drag": rig.drag,
        "inputs": rig.inputs,
    }
    return {role: makers[role]() for role in roles}


def serve(
    server: Ports,
    parts: Mapping[str, Any],
    *,
    over: str,
    rated_a: float = 1.0,
    seal: Seal | None = None,
    by_socket: Collection[str] = ("meter",),
) -> dict[str, Endpoint]:
    """Put each part on a port; returns its endpoint, by role.

    `rated_a` is the motor's rated current, `seal` the checksum of the text lines, `by_socket` the instruments that
    speak SCPI over a bare socket where `over` says nothing else.
    """
    served: dict[str, Endpoint] = {}
    if over in ("modbus-tcp", "modbus-rtu"):
        served |= _modbus(server, parts, rtu=over == "modbus-rtu")
    elif over == "canopen":
        drive = parts["drive"]
        node = Cia402Node(drive, rated_a=rated_a, boots=lambda: drive.boots)
        channel = server.add_terminal(lambda: SlcanResponder({NODE: node}))
        options = {"interface": "slcan", "channel": channel, "node": str(NODE), "state_timeout": "3 s", **_loop(parts)}
        served["drive"] = {"part": "cia402", "options": options}
    elif over == "hislip":
        for role in (role for role in parts if role in SCPI):
            port = server.add_tcp(hislip(SCPI[role](parts[role])))
            served[role] = {"part": "scpi", "options": {"resource": f"TCPIP::{HOST}::hislip0,{port}::INSTR"}}
    for role, part in parts.items():
        if role not in served:
            scpi = role in by_socket
            served[role] = (
                _scpi_socket(server, role, part) if scpi else _text(server, role, parts, over=over, seal=seal)
            )
    return served


def _text(server: Ports, role: str, parts: Mapping[str, Any], *, over: str, seal: Seal | None) -> Endpoint:
    opener = lines(text.TextProtocol(_WORDS[role](parts[role]), seal=seal))
    port = server.add_terminal(opener) if over == "serial" else f"socket://{HOST}:{server.add_tcp(opener)}"
    return {"part": "text-line", "options": {"port": port, **(_loop(parts) if role == "drive" else {})}}


def _scpi_socket(server: Ports, role: str, part: Any) -> Endpoint:
    resource = f"TCPIP::{HOST}::{server.add_tcp(lines(SCPI[role](part)))}::SOCKET"
    return {"part": "scpi", "options": {"resource": resource}}


def _modbus(server: Ports, parts: Mapping[str, Any], *, rtu: bool) -> dict[str, Endpoint]:
    """Drive and counter as two units on one line, as on one RS-485 pair or behind one gateway."""
    makers: dict[str, Callable[[Any], Bank]] = {"drive": drive_bank, "counter": counter_bank}
    units = {UNITS[role]: makers[role](parts[role]) for role in UNITS if role in parts}
    options: dict[str, str]
    if rtu:
        port = server.add_terminal(lambda: RtuResponder(units, time.monotonic))
        options = {"port": port, "baud": "115200", "parity": "none"}
    else:
        options = {"port": f"socket://{HOST}:{server.add_tcp(lambda: TcpResponder(units))}"}
    return {
        role: {
            "part": "modbus",
            "options": {**options, "unit": str(UNITS[role]), **(_loop(parts) if role == "drive" else {})},
        }
        for role in UNITS
        if role in parts
    }


def _loop(parts: Mapping[str, Any]) -> dict[str, str]:
    return {"loop": "closed"} if isinstance(parts["drive"], ClosesLoop) else {}


def _drive_words(drive: Any) -> text.Words:
    loop = text.loop_words(drive) if isinstance(drive, ClosesLoop) else {}
    return {**text.drive_words(drive), **loop}


_WORDS: Mapping[str, Callable[[Any], text.Words]] = {
    "drive": _drive_words,
    "counter": text.counter_words,
    "gauge": text.gauge_words,
    "supply": text.supply_words,
    "brake": text.brake_words,
    "drag": text.drag_words,
    "inputs": text.inputs_words,
}
