"""What goes wrong on a wire, seeded: bytes in, bytes and the times at which they are due out. No I/O.

1. A wire passes everything until its fault strikes, at one request chosen by number; what is left of the run is
   healthy again, but for faults that stay (`LASTING`).
2. A chunk is what one write brought. Bytes keep their order in each direction, whatever delays them.
3. Nothing here makes a part move: a fault never invents a request, and a request that is repeated is one that moves
   nothing.
"""

from __future__ import annotations

import math
import random
import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum


class Fault(Enum):
    """One kind of fault, as a table of results names it."""

    DELAY = "delay"
    LOST_REQUEST = "lost request"
    LOST_REPLY = "lost reply"
    DUPLICATE = "duplicate"
    TRUNCATED = "truncated"
    GARBAGE = "garbage"
    WRONG_CHECKSUM = "wrong checksum"
    WRONG_UNIT = "wrong unit"
    STALE = "stale reply"
    DISCONNECT = "disconnect"
    RETURN = "disconnect, return"
    REBOOT = "reboot"
    REBOOT_ENABLED = "reboot, enabled"
    STUCK_BUSY = "stuck busy"
    ERROR_REPLY = "error reply"
    NOT_A_NUMBER = "not a number"
    OVERRANGE = "overrange"
    WRAP_16 = "wrap at 16 bits"
    WRAP_32 = "wrap at 32 bits"
    DRIP = "slow drip"
    CLOCK_JUMP = "clock jump"


LASTING = frozenset({Fault.STUCK_BUSY, Fault.WRAP_16, Fault.WRAP_32})
NEEDS_TAGS = frozenset({Fault.STALE, Fault.WRONG_UNIT})
"""Faults that no reader could tell from a good reply on a line without tags."""
NEEDS_CHECKSUM = frozenset({Fault.WRONG_CHECKSUM})
TEXT_ONLY = frozenset(
    {
        Fault.WRONG_CHECKSUM,
        Fault.WRONG_UNIT,
        Fault.STUCK_BUSY,
        Fault.ERROR_REPLY,
        Fault.NOT_A_NUMBER,
        Fault.OVERRANGE,
        Fault.WRAP_16,
        Fault.WRAP_32,
    }
)
"""Faults that are made by rewriting lines of text."""

_TAG = re.compile(rb"@(\d+) ")
_NUMBER = re.compile(rb"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")
_WHOLE = re.compile(rb"[-+]?\d+")
_NOISE = bytes(range(128, 256))


def _nothing() -> None:
    pass


@dataclass(frozen=True)
class Injection:
    """A fault at request number `at` of its wire (from 0), as the dice of `seed` make it.

    `timeout_s` is the reader's deadline, which delays and drips are measured by. Hooks reach what no byte does: the
    part's own reboot (with a following enable), and the host's clock, told by how much.
    """

    fault: Fault
    at: int
    seed: int = 0
    timeout_s: float = 1.0
    reboot: Callable[[bool], object] = lambda _: None
    jump: Callable[[float], object] = lambda _: None


class Down(ConnectionError):
    """The wire is cut."""


class FaultyWire:
    """Both directions of one wire.

    Parameters
    ----------
    injection : what strikes; None for a healthy wire. moves : which requests mustn't be doubled.
    """

    def __init__(self, injection: Injection | None = None, *, moves: bytes = rb"move by|pulses") -> None:
        self._injection = injection
        self._dice = random.Random(injection.seed if injection else 0)
        self._moves = re.compile(moves)
        self._to_part: deque[tuple[float, bytes]] = deque()
        self._to_host: deque[tuple[float, bytes]] = deque()
        self._requests = 0
        self._last_reply = b""
        self._offset: int | None = None
        self.back_at_s = -math.inf
        self.down = False
        self.struck = False

    # -- bytes in ----------------------------------------------------------------------------------------------

    def from_host(self, data: bytes, *, now_s: float) -> None:
        """A chunk that the host wrote. Raises `Down` where the wire is cut."""
        self._check_up(now_s)
        number, self._requests = self._requests, self._requests + 1
        if self._strikes(number):
            data = self._on_request(data, now_s)
        if data:
            self._put(self._to_part, now_s, data)

    def from_part(self, data: bytes, *, now_s: float) -> None:
        """A chunk that the part wrote."""
        if self.down or not data:
            return
        for due_s, piece in self._on_reply(data, now_s):
            self._put(self._to_host, due_s, piece)
        self._last_reply = data

    # -- bytes out ---------------------------------------------------------------------------------------------

    def next_due_s(self) -> float:
        """When the next bytes are due, in either direction."""
        return min((queue[0][0] for queue in (self._to_part, self._to_host) if queue), default=math.inf)

    def due_to_part(self, now_s: float) -> bytes:
        return _due(self._to_part, now_s)

    def due_to_host(self, now_s: float) -> bytes:
        """Bytes due. Raises `Down` where the wire is cut."""
        self._check_up(now_s)
        return _due(self._to_host, now_s)

    # -- faults ------------------------------------------------------------------------------------------------

    def _strikes(self, number: int) -> bool:
        return self._injection is not None and number == self._injection.at

    def _check_up(self, now_s: float) -> None:
        if self.down and now_s >= self.back_at_s:
            self.down = False
        if self.down:
            raise Down("the wire is cut")

    def _cut(self, back_at_s: float) -> None:
        self.down, self.back_at_s = True, back_at_s
        self._to_part.clear()
        self._to_host.clear()
        raise Down("the wire is cut")

    def _on_request(self, data: bytes, now_s: float) -> bytes:
        assert self._injection is not None
        injection, dice = self._injection, self._dice
        self.struck = True
        match injection.fault:
            case Fault.LOST_REQUEST:
                return b""
            case Fault.TRUNCATED if dice.random() < 0.5:
                return data[: dice.randrange(len(data))]
            case Fault.GARBAGE if dice.random() < 0.5:
                at = dice.randrange(len(data))
                return data[:at] + self._noise() + data[at:]
            case Fault.DUPLICATE if dice.random() < 0.5 and not self._moves.search(data):
                return data + data
            case Fault.DISCONNECT:
                self.down, self.back_at_s = True, math.inf
                self._to_host.clear()
                return data if dice.random() < 0.5 else b""  # some requests go through before the cable does
            case Fault.RETURN:
                self._cut(now_s + dice.uniform(0.1, 2.0) * injection.timeout_s)
            case Fault.REBOOT:
                injection.reboot(False)
            case Fault.REBOOT_ENABLED:
                injection.reboot(True)
            case Fault.CLOCK_JUMP:
                injection.jump(dice.choice((5.0, 60.0, 3600.0)))
        return data

    def _on_reply(self, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        injection = self._injection
        if injection is None or not self.struck:
            return [(now_s, data)]
        if injection.fault in LASTING:
            return [(now_s, self._lasting(injection.fault, data))]
        if self._requests != injection.at + 1:
            return [(now_s, data)]
        return self._once(injection, data, now_s)

    def _once(self, injection: Injection, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        dice, long_s = self._dice, injection.timeout_s
        match injection.fault:
            case Fault.DELAY:
                return [(now_s + dice.uniform(0.2, 3.0) * long_s, data)]
            case Fault.LOST_REPLY:
                return []
            case Fault.DUPLICATE:
                return [(now_s, data), (now_s + dice.choice((0.0, 0.5, 1.5)) * long_s, data)]
            case Fault.TRUNCATED:
                return [(now_s, data[: dice.randrange(len(data))])]
            case Fault.GARBAGE:
                at = dice.randrange(len(data) + 1)
                return [(now_s, data[:at] + self._noise() + data[at:])]
            case Fault.WRONG_CHECKSUM:
                return [(now_s, self._altered(data))]
            case Fault.WRONG_UNIT:
                return [(now_s, _TAG.sub(lambda tag: b"@%d " % (int(tag[1]) + 1), data))]
            case Fault.STALE:
                return [(now_s, self._last_reply or data)]
            case Fault.ERROR_REPLY:
                return [(now_s, _with_text(data, b"refused: internal error 7"))]
            case Fault.NOT_A_NUMBER:
                return [(now_s, _with_number(data, b"nan"))]
            case Fault.OVERRANGE:
                return [(now_s, _with_text(data, b"out of range"))]
            case Fault.DRIP:
                gap_s = dice.uniform(0.02, 2.0) * long_s / max(1, len(data))
                return [(now_s + gap_s * number, data[number : number + 1]) for number in range(len(data))]
        return [(now_s, data)]

    def _lasting(self, fault: Fault, data: bytes) -> bytes:
        if fault is Fault.STUCK_BUSY:
            return data.replace(b"resting", b"moving")
        tag, text = _split(data)
        if not _WHOLE.fullmatch(text.strip()):
            return data
        half = 1 << (15 if fault is Fault.WRAP_16 else 31)
        counts = int(text)
        if self._offset is None:  # so that the end lies close, on the one side or on the other
            self._offset = self._dice.choice((half - 40, -half + 40)) - counts
        return tag + b"%d\n" % ((counts + self._offset + half) % (2 * half) - half)

    def _noise(self) -> bytes:
        return bytes(self._dice.choices(_NOISE, k=self._dice.randrange(1, 40)))

    def _altered(self, data: bytes) -> bytes:
        """One character changed; a digit into another one, where there is any."""
        places = [at for at, byte in enumerate(data) if chr(byte).isdigit()] or list(range(len(data) - 1))
        at = self._dice.choice(places)
        return data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]

    def _put(self, queue: deque[tuple[float, bytes]], due_s: float, data: bytes) -> None:
        queue.append((max(due_s, queue[-1][0]) if queue else due_s, data))


def _due(queue: deque[tuple[float, bytes]], now_s: float) -> bytes:
    pieces = []
    while queue and queue[0][0] <= now_s:
        pieces.append(queue.popleft()[1])
    return b"".join(pieces)


def _split(data: bytes) -> tuple[bytes, bytes]:
    tag = _TAG.match(data)
    return (data[: tag.end()], data[tag.end() :]) if tag else (b"", data)


def _with_text(data: bytes, text: bytes) -> bytes:
    return _split(data)[0] + text + b"\n"


def _with_number(data: bytes, number: bytes) -> bytes:
    tag, text = _split(data)
    return tag + _NUMBER.sub(number, text, count=1)
