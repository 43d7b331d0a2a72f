"""How a Modbus unit is stopped over a descriptor that its owner left (`last_words`): writes that are echoed.

1. Each write is sent until its own reply has come, then the next one.
2. RTU: nothing is sent before the line was silent for 3.5 characters, which ends half a frame and lets a reply to the
   dead pass (Modbus over Serial Line 1.02, 2.5.1.1; from memory). The units' own pause may be longer: it doubles.
3. TCP: a process that is killed leaves no half of a request, as a small write to a socket is whole or not at all; a
   connection that may hold a half for other reasons is never handed over. Transaction numbers are far from those that
   the owner counted, so that no late reply is taken for ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from struct import pack

from stepwitness.devices.checksums import CRC16_MODBUS
from stepwitness.devices.registers import Register, Space

FIRST_TAG = 0xFF00
"""Where it completes half a header of the dead, that has a length which none may have, and is dropped."""
BITS_A_CHARACTER = 11
SHORTEST_SILENCE_S = 1.75e-3
"""3.5 characters above 19 200 baud (Modbus over Serial Line 1.02, 2.5.1.1; from memory)."""
ANSWERING_S = 0.01
"""What a unit is given beyond the time that its frames take on the line (common practice, no source)."""
_TRIES_RTU, _TRIES_TCP = 7, 3
"""A connection that doesn't answer is better opened anew; a line is the same one then."""
_REPEATED_BYTES = 5
"""Function, address and value or number of registers: what a reply to a write repeats."""


@dataclass
class ModbusWords:
    """Writes to one unit, in order. `baud` is for RTU; 0 means TCP."""

    unit: int
    requests: tuple[bytes, ...]
    baud: int = 0
    _at: int = field(default=0, repr=False)
    _tag: int = field(default=FIRST_TAG, repr=False)
    _heard: bytes = field(default=b"", repr=False)

    @property
    def silence_s(self) -> float:
        return max(3.5 * BITS_A_CHARACTER / self.baud, SHORTEST_SILENCE_S) if self.baud else 0.0

    @property
    def patience_s(self) -> float:
        if not self.baud:
            return ANSWERING_S
        characters = max(len(request) for request in self.requests) + 3 + _REPEATED_BYTES + 3
        return ANSWERING_S + characters * BITS_A_CHARACTER / self.baud

    @property
    def tries(self) -> int:
        return _TRIES_RTU if self.baud else _TRIES_TCP

    @property
    def confirmed(self) -> bool:
        return self._at == len(self.requests)

    def begin(self) -> bytes:
        self._tag += 1
        self._heard = b""
        return self._framed(self.requests[self._at])

    def hear(self, data: bytes) -> bytes:
        self._heard += data
        if self._framed(self.requests[self._at][:_REPEATED_BYTES]) not in self._heard:
            return b""
        self._at += 1
        return b"" if self.confirmed else self.begin()

    def unheard(self) -> Sequence[bytes]:
        self._tag += 1
        return [self._framed(request) for request in self.requests]

    def _framed(self, message: bytes) -> bytes:
        body = bytes((self.unit,)) + message
        if self.baud:
            return body + CRC16_MODBUS.of(body).to_bytes(2, "little")
        return pack(">HHH", self._tag, 0, len(body)) + body


def write_request(register: Register, words: Sequence[int]) -> bytes:
    """The message that writes `words` to a register or coil."""
    if register.space is Space.COIL:
        return pack(">BHH", 5, register.address, 0xFF00 if words[0] else 0)
    return pack(f">BHHB{len(words)}H", 16, register.address, len(words), 2 * len(words), *words)
