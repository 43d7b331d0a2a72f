"""How stand-ins are reached: what the command line says, then what the bench file says."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stepwitness.bench.description import BenchDescription, Part, Use
from stepwitness.bench.ways import WAYS, way_to_stand_ins
from stepwitness.errors import BadInput
from stepwitness.standin import endpoints


def test_every_way_is_served_or_in_process() -> None:
    assert ("process", *endpoints.WAYS) == WAYS


def test_what_is_asked_for_wins(doser: BenchDescription) -> None:
    assert way_to_stand_ins(replace(doser, use=Use.SERIAL)) == "serial"
    assert way_to_stand_ins(replace(doser, use=Use.SERIAL), "process") == "process"


@pytest.mark.parametrize(
    ("drive", "way"),
    [
        (Part("text-line", {"port": "COM5"}), "tcp"),
        (Part("stand-in"), "tcp"),
        (Part("modbus", {"port": "/dev/ttyUSB0", "unit": "1"}), "modbus-rtu"),
        (Part("modbus", {"port": "socket://192.0.2.7:502"}), "modbus-tcp"),
        (Part("cia402", {"channel": "can0"}), "canopen"),
    ],
    ids=lambda item: getattr(item, "kind", item),
)
def test_wire_is_the_one_that_the_drive_speaks(doser: BenchDescription, drive: Part, way: str) -> None:
    assert way_to_stand_ins(replace(doser, use=Use.WIRE, drive=drive)) == way


def test_an_unknown_way_is_told_with_the_near_miss(doser: BenchDescription) -> None:
    with pytest.raises(BadInput, match=r"found 'modbus-rt'; allowed: process, .*; did you mean 'modbus-rtu'\?"):
        way_to_stand_ins(doser, "modbus-rt")
