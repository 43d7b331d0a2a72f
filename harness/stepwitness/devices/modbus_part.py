"""What all Modbus parts do with their register map."""

from __future__ import annotations

from stepwitness.devices.interfaces import Identity
from stepwitness.devices.modbus import ModbusUnit
from stepwitness.devices.register_map import IDENTITY, PROBE, RegisterMap
from stepwitness.devices.registers import Reads
from stepwitness.errors import BadInput, Place


def identity_of(unit: ModbusUnit, registers: RegisterMap) -> Identity:
    """What the unit says it is: ``maker;model;serial;version``, or a text that is its model."""
    if IDENTITY not in registers.registers:
        return Identity()
    text = str(unit.values(Reads({IDENTITY: registers.registers[IDENTITY]}))[IDENTITY])
    fields = [part.strip() for part in text.split(";")]
    if len(fields) == 1:
        return Identity(model=fields[0])
    return Identity(*(fields + [""] * 4)[:4])


def check_probe(unit: ModbusUnit, registers: RegisterMap, place: Place, *, first: str) -> None:
    """Read the probe, or item `first` where the map has no probe.

    A wrong word order reads a plausible wrong number, so only a register whose value is known can prove it.

    Raises
    ------
    BadInput : where the probe reads another value than the map says.
    """
    if registers.probe is None:
        unit.values(Reads({first: registers.registers[first]}))
        return
    probe, expected = registers.probe
    found = unit.values(Reads({PROBE: probe}))[PROBE]
    if found == expected:
        return
    swapped = probe.other_order()
    words = probe.encode(float(found))
    other = swapped.decode(words) == expected
    raise BadInput(
        f"{unit.name}: the probe reads another value than the register map says",
        place=place.below(PROBE),
        found=f"{found} in {probe}",
        allowed=f"{expected:.0f}",
        cure=f"its words come the other way round: write '{swapped.order.value}'"
        if other
        else "compare unit, addresses and types with the unit's own register map",
    )
