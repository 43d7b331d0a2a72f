"""What to try when a Modbus unit has never answered, from the bytes that were heard instead."""

from __future__ import annotations

from collections.abc import Sequence

from stepwitness.devices.checksums import CRC16_MODBUS

SHORTEST_FRAME = 5


def what_to_try(heard: bytes, *, unit: int, rtu: bool, answering: Sequence[int]) -> str:
    """One sentence of advice.

    Parameters
    ----------
    heard : since the request. answering : other units that answer an echo on the same port.
    """
    if answering:
        others = ", ".join(map(str, answering))
        return f"unit {unit} is silent, but unit {others} answers: try 'unit: {answering[0]}'"
    line = "baud rate, parity and stop bits" if rtu else "host and port"
    if not heard:
        return f"no unit answers: is it powered and connected, are {line} its own?"
    if not rtu:
        return "that isn't Modbus TCP: another service may answer on this port"
    if len(heard) >= SHORTEST_FRAME and CRC16_MODBUS.of(heard[:-2]) == int.from_bytes(heard[-2:], "little"):
        return f"a frame of unit {heard[0]} came instead: try its number, or look for a second master on the line"
    if heard[0] == unit:
        return "a frame whose CRC doesn't match: look for noise, a missing terminator, or a second owner of the port"
    return "that makes no frame: try another baud rate or parity"
