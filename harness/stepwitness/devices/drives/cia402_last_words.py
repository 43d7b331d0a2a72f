"""How a drive of IEC 61800-7-201 is halted over a descriptor that its owner left (`last_words`): CANopen by hand.

1. The controlword in force is read, written back with its halt bit, and read again: only what it then shows counts. The
   bits beside it stay, for with those of "enable operation" a halt could switch a drive on.
2. From the second try on, and where nothing may be read, a halt goes out before any answer: a drive that moves and
   can't be heard is stopped too. Its
   word is that of an enabled drive; where the drive isn't enabled, its owner was about to.
3. A node that aborts, because the dead left a transfer open, is asked again at once. Half a line is ended first.

Frames are those of the adapters that python-can calls "slcan" and of "socketcan" (struct can_frame), and SDO is that of
CiA 301; all from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from struct import Struct

from stepwitness.devices.drives.cia402_objects import CONTROLWORD
from stepwitness.devices.drives.cia402_states import CONTROLWORDS, Command, Control

SDO_TO_NODE, SDO_FROM_NODE = 0x600, 0x580
INTERFACES = ("slcan", "socketcan")
"""Those of python-can whose descriptor carries frames that are written here."""
ANSWERING_S = 0.015
"""How long an answer is waited for (common practice, no source)."""

_PLACE = CONTROLWORD.index.to_bytes(2, "little") + bytes((CONTROLWORD.sub,))
_READ = b"\x40" + _PLACE + bytes(4)
_TOLD, _TAKEN, _ABORTED, _COMMAND = 0x40, 0x60, 0x80, 0xE0
_BLIND = CONTROLWORDS[Command.ENABLE_OPERATION] | Control.HALT
_CAN_FRAME = Struct("=IB3x8s")


def _write(word: int) -> bytes:
    return b"\x2b" + _PLACE + word.to_bytes(2, "little") + bytes(2)


@dataclass
class Cia402Words:
    """Halt of one node. `interface` is one of `INTERFACES`."""

    node: int
    interface: str
    patience_s: float = ANSWERING_S
    silence_s: float = 0.0
    tries: int = 10
    confirmed: bool = False
    _question: bytes = field(default=b"", repr=False)
    _refused: bool = field(default=False, repr=False)
    _rest: bytes = field(default=b"", repr=False)

    def begin(self) -> bytes:
        self._question = _write(_BLIND) if self._question else _READ
        self._refused, self._rest = False, b""
        return self._opening + self._framed(self._question)

    def unheard(self) -> Sequence[bytes]:
        return (self._opening + self._framed(_write(_BLIND)),)

    @property
    def _opening(self) -> bytes:
        """Ends half a line, and opens the adapter's channel, which its owner may have died while closing."""
        return b"\rO\r" if self.interface == "slcan" else b""

    def hear(self, data: bytes) -> bytes:
        answers = [self._answer(frame) for frame in self._frames(data)]
        return self._framed(self._question) if any(answers) and not self.confirmed else b""

    def _answer(self, frame: bytes) -> bool:
        """Take one answer; whether there is something to say to it."""
        kind, place = frame[0] & _COMMAND, frame[1:4]
        if kind == _ABORTED and not self._refused:
            self._refused = True
        elif place != _PLACE:
            return False
        elif kind == _TOLD:
            word = int.from_bytes(frame[4:6], "little")
            self.confirmed = bool(word & Control.HALT)
            self._question = _write(word | Control.HALT)
        elif kind == _TAKEN:
            self._question = _READ
        else:
            return False
        return True

    def _framed(self, data: bytes) -> bytes:
        identifier = SDO_TO_NODE + self.node
        if self.interface == "slcan":
            return b"t%03X8%s\r" % (identifier, data.hex().upper().encode())
        return _CAN_FRAME.pack(identifier, len(data), data)

    def _frames(self, data: bytes) -> Iterator[bytes]:
        """What the node has answered; a part of a frame is kept."""
        self._rest += data
        identifier = SDO_FROM_NODE + self.node
        if self.interface == "slcan":
            *lines, self._rest = re.split(rb"[\r\a]", self._rest)
            for line in lines:
                if found := re.match(rb"t(?i:%03X)8([0-9A-Fa-f]{16})" % identifier, line):
                    yield bytes.fromhex(found[1].decode())
        else:
            while len(self._rest) >= _CAN_FRAME.size:
                frame, self._rest = self._rest[: _CAN_FRAME.size], self._rest[_CAN_FRAME.size :]
                number, size, content = _CAN_FRAME.unpack(frame)
                if (number, size) == (identifier, 8):
                    yield content
