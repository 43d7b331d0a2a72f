from __future__ import annotations

import sys
from collections.abc import Iterator
from typing import Any

import pytest

from stepwitness.axis import Axis
from stepwitness.devices.clock import VirtualClock
from stepwitness.standin.endpoints import ON_TERMINALS, serve, stand_ins
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig
from stepwitness.standin.serving import Server

ROLES: dict[str, dict[str, str]] = {"drive": {}, "counter": {}, "gauge": {}, "meter": {}, "supply": {}, "inputs": {}}


@pytest.fixture
def server() -> Iterator[Server]:
    made = Server(lambda: None)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("way", "kinds"),
    [
        ("tcp", {}),
        ("serial", {}),
        ("modbus-tcp", {"drive": "modbus", "counter": "modbus"}),
        ("modbus-rtu", {"drive": "modbus", "counter": "modbus"}),
        ("canopen", {"drive": "cia402"}),
        ("hislip", {"gauge": "scpi", "supply": "scpi"}),
    ],
)
def test_each_way_puts_its_protocol_under_the_parts_it_is_for(
    server: Server, doser: Axis, way: str, kinds: dict[str, str]
) -> None:
    if way in ON_TERMINALS and sys.platform == "win32":
        pytest.skip("no pseudo-terminals here")
    parts = stand_ins(Rig(doser, preset("doser"), VirtualClock()), {**ROLES, "drive": {"loop": "closed"}})
    served: dict[str, Any] = serve(server, parts, over=way, rated_a=1.2)
    expected = dict.fromkeys(ROLES, "text-line") | {"meter": "scpi"} | kinds
    assert {role: endpoint["part"] for role, endpoint in served.items()} == expected
    assert served["drive"]["options"]["loop"] == "closed"
    places = " ".join(str(endpoint["options"]) for endpoint in served.values())
    assert "0.0.0.0" not in places
    assert ("/dev/" in places) == (way in ON_TERMINALS)
    assert ("hislip0" in places) == (way == "hislip")


def test_drive_and_counter_are_two_units_on_one_line(server: Server, doser: Axis) -> None:
    served: dict[str, Any] = serve(
        server, stand_ins(Rig(doser, preset("doser"), VirtualClock()), ROLES), over="modbus-tcp"
    )
    drive, counter = served["drive"]["options"], served["counter"]["options"]
    assert drive["port"] == counter["port"]
    assert drive["unit"] != counter["unit"]
