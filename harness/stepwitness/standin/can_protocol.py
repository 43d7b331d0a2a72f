"""What a CAN adapter and the CANopen nodes behind it say on a serial line, no I/O.

1. The adapter speaks the ASCII protocol that python-can calls "slcan": one command or frame a line, ended by CR. Frames
   are passed on only while the channel is open.
2. Each node serves its objects by SDO (CiA 301; from memory): expedited and segmented reads, expedited writes, and an
   abort for whatever it doesn't know. It starts no conversation of its own.
3. A line that is no frame is answered by BEL and changes nothing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Protocol

END, OK, NOT_UNDERSTOOD = b"\r", b"\r", b"\a"
LONGEST_LINE = 64
SDO_TO_NODE, SDO_FROM_NODE = 0x600, 0x580

_FRAME = re.compile(rb"t([0-9A-Fa-f]{3})([0-8])((?:[0-9A-Fa-f]{2})*)")
_SETTING = re.compile(rb"S[0-9]|s[0-9A-Fa-f]{4}|Y[0-9]?|V|N|")


class Abort(Exception):
    """An SDO abort with its code."""

    UNSUPPORTED = 0x06010000
    READ_ONLY = 0x06010002
    NO_OBJECT = 0x06020000
    WRONG_LENGTH = 0x06070010
    WRONG_COMMAND = 0x05040001
    OUT_OF_RANGE = 0x06090030
    STATE = 0x08000022

    def __init__(self, code: int) -> None:
        super().__init__(f"{code:08X}h")
        self.code = code


class Node(Protocol):
    """The object dictionary of a node."""

    def read(self, index: int, sub: int) -> bytes:
        """The bytes of an object, or Abort."""
        ...

    def write(self, index: int, sub: int, data: bytes) -> None:
        """Take the bytes of an object, or Abort."""
        ...


class SdoServer:
    """Answers the SDO frames of one node."""

    def __init__(self, node: Node) -> None:
        self._node = node
        self._left = b""
        self._toggle = 0

    def answer(self, frame: bytes) -> bytes | None:
        """The 8 bytes of the answer to 8 bytes of a question; None where there is none."""
        if len(frame) != 8:
            return None
        command, place = frame[0], frame[1:4]
        index, sub = int.from_bytes(place[:2], "little"), place[2]
        if command & 0xE0 == 0x80:
            return None
        try:
            if command & 0xE0 == 0x40:
                return self._read(place, self._node.read(index, sub))
            if command & 0xE0 == 0x60:
                return self._segment(command & 0x10)
            if command & 0xE2 == 0x22:
                size = 4 - (command >> 2 & 3) if command & 1 else 4
                self._node.write(index, sub, frame[4 : 4 + size])
                return b"\x60" + place + bytes(4)
            raise Abort(Abort.WRONG_COMMAND)
        except Abort as abort:
            return b"\x80" + place + abort.code.to_bytes(4, "little")

    def _read(self, place: bytes, data: bytes) -> bytes:
        if 1 <= len(data) <= 4:
            return bytes((0x43 | (4 - len(data)) << 2,)) + place + data.ljust(4, b"\0")
        self._left, self._toggle = data, 0
        return b"\x41" + place + len(data).to_bytes(4, "little")

    def _segment(self, toggle: int) -> bytes:
        if toggle != self._toggle:
            raise Abort(0x05030000)
        part, self._left = self._left[:7], self._left[7:]
        self._toggle ^= 0x10
        return bytes((toggle | (7 - len(part)) << 1 | (not self._left),)) + part.ljust(7, b"\0")


class SlcanResponder:
    """An adapter on a serial line with some nodes behind it, by their number."""

    def __init__(self, nodes: Mapping[int, Node]) -> None:
        self._servers = {number: SdoServer(node) for number, node in nodes.items()}
        self._open = False
        self._rest = b""

    def hear(self, data: bytes) -> bytes:
        *lines, self._rest = (self._rest + data).split(END)
        self._rest = self._rest[-LONGEST_LINE:]
        return b"".join(self._line(line) for line in lines)

    def _line(self, line: bytes) -> bytes:
        if line in (b"O", b"L", b"C"):
            self._open = line != b"C"
            return OK
        if _SETTING.fullmatch(line):
            return OK
        frame = _FRAME.fullmatch(line)
        if frame is None or len(frame[3]) != 2 * int(frame[2]):
            return NOT_UNDERSTOOD
        if not self._open:
            return NOT_UNDERSTOOD
        return b"".join(self._frames(int(frame[1], 16), bytes.fromhex(frame[3].decode())))

    def _frames(self, identifier: int, data: bytes) -> Sequence[bytes]:
        server = self._servers.get(identifier - SDO_TO_NODE)
        answer = server.answer(data) if server is not None else None
        if answer is None:
            return ()
        return (f"t{identifier - SDO_TO_NODE + SDO_FROM_NODE:03X}8{answer.hex().upper()}\r".encode(),)
