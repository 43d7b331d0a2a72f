"""What goes wrong on a wire, seeded: bytes in, bytes and the times at which they are due out. No I/O.

1. A wire passes everything until its fault strikes, at one request chosen by number; what is left of the run is
   healthy again, but for faults that stay (`LASTING`).
2. A chunk is what one write brought. Bytes keep their order in each direction, whatever delays them.
3. Nothing here makes a part move: a request that a fault invents is a question for who is there, and one that is
   repeated moves nothing.
4. What a fault does to the meaning of a reply is the protocol's own (`Dialect`); what it does to bytes is done here.
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Protocol


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
    TAKEN = "port taken"


LASTING = frozenset({Fault.STUCK_BUSY, Fault.WRAP_16, Fault.WRAP_32, Fault.TAKEN})
OF_BYTES = frozenset(
    {
        Fault.DELAY,
        Fault.LOST_REQUEST,
        Fault.LOST_REPLY,
        Fault.DUPLICATE,
        Fault.TRUNCATED,
        Fault.GARBAGE,
        Fault.DISCONNECT,
        Fault.RETURN,
        Fault.REBOOT,
        Fault.REBOOT_ENABLED,
        Fault.DRIP,
        Fault.CLOCK_JUMP,
        Fault.TAKEN,
    }
)
"""Faults that any protocol can have; the others need a reply of its own kind."""

_NOISE = bytes(range(128, 256))


class Dialect(Protocol):
    """A protocol's own faults.

    Attributes
    ----------
    faults : those that it can have and whose reader could tell; beyond `OF_BYTES`.
    question : asks a part who it is, as another owner of the port may. shared : whether a port can have two owners at
    once, as a serial line can; else one that is taken hangs up. self_checking : whether what has garbage in its midst
    can be told; where it can't, the carrier sees to that (TCP), and garbage comes between frames alone.
    """

    @property
    def faults(self) -> frozenset[Fault]: ...

    @property
    def question(self) -> bytes: ...

    @property
    def shared(self) -> bool: ...

    @property
    def self_checking(self) -> bool: ...

    def step(self, request: bytes) -> str:
        """What a request is called in a table, without its numbers."""
        ...

    def moves(self, request: bytes) -> bool:
        """Whether a request must never be doubled."""
        ...

    def tampered(self, fault: Fault, request: bytes, reply: bytes, dice: random.Random) -> bytes:
        """The reply to `request` as `fault` makes it; as it is where the two don't go together."""
        ...

    def counting(self, request: bytes, reply: bytes, change: Callable[[int], int]) -> bytes:
        """The reply with the counts in it changed; as it is where it holds none."""
        ...


@dataclass(frozen=True)
class Injection:
    """A fault at request number `at` of its wire (from 0), as the dice of `seed` make it.

    `timeout_s` is the reader's deadline, which delays and drips are measured by. Hooks reach what no byte does: the
    part's own reboot (with a following enable), and the host's clock, told by how much: forward as after a sleep of the
    host, back as by a correction of its time of day.
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
    injection : what strikes; None for a healthy wire.

    Attributes
    ----------
    cuts : how often it was cut, so that a connection knows whether it was cut meanwhile. struck : whether the fault
    has struck.
    """

    def __init__(self, injection: Injection | None = None, *, dialect: Dialect) -> None:
        self._injection = injection
        self._dialect = dialect
        self._dice = random.Random(injection.seed if injection else 0)
        self._to_part: deque[tuple[float, bytes]] = deque()
        self._to_host: deque[tuple[float, bytes]] = deque()
        self._requests = 0
        self._request = self._last_reply = b""
        self._offset: int | None = None
        self.back_at_s = -math.inf
        self.down = False
        self.cuts = 0
        self.struck = False

    # -- bytes in ----------------------------------------------------------------------------------------------

    def from_host(self, data: bytes, *, now_s: float) -> None:
        """A chunk that the host wrote. Raises `Down` where the wire is cut."""
        self.check_up(now_s)
        number, self._requests = self._requests, self._requests + 1
        self._request = data
        if self._strikes(number):
            data = self._on_request(data, now_s)
        elif self.struck and self._taken and self._dice.random() < 0.5:
            data = self._dialect.question + data
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
        self.check_up(now_s)
        return _due(self._to_host, now_s)

    # -- faults ------------------------------------------------------------------------------------------------

    def _strikes(self, number: int) -> bool:
        return self._injection is not None and number == self._injection.at

    @property
    def _taken(self) -> bool:
        return self._injection is not None and self._injection.fault is Fault.TAKEN

    def check_up(self, now_s: float) -> None:
        """Raise `Down` where the wire is cut."""
        if self.down and now_s >= self.back_at_s:
            self.down = False
        if self.down:
            raise Down("the wire is cut")

    def _cut(self, back_at_s: float) -> None:
        self.down, self.back_at_s = True, back_at_s
        self.cuts += 1
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
                return self._with_noise(data)
            case Fault.DUPLICATE if dice.random() < 0.5 and not self._dialect.moves(data):
                return data + data
            case Fault.DISCONNECT:
                self.down, self.back_at_s = True, math.inf
                self.cuts += 1
                self._to_host.clear()
                return data if dice.random() < 0.5 else b""  # some requests go through before the cable does
            case Fault.RETURN:
                self._cut(now_s + dice.uniform(0.1, 2.0) * injection.timeout_s)
            case Fault.REBOOT:
                injection.reboot(False)
            case Fault.REBOOT_ENABLED:
                injection.reboot(True)
            case Fault.CLOCK_JUMP:
                injection.jump(dice.choice((5.0, 60.0, 3600.0, -60.0, -3600.0)))
            case Fault.TAKEN if not self._dialect.shared:
                self._cut(math.inf)
        return data

    def _on_reply(self, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        injection = self._injection
        if injection is None or not self.struck:
            return [(now_s, data)]
        if injection.fault in LASTING:
            return self._lasting(injection.fault, data, now_s)
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
                return [(now_s, self._with_noise(data))]
            case Fault.STALE:
                return [(now_s, self._last_reply or data)]
            case Fault.DRIP:
                gap_s = dice.uniform(0.02, 2.0) * long_s / max(1, len(data))
                return [(now_s + gap_s * number, data[number : number + 1]) for number in range(len(data))]
        return [(now_s, self._dialect.tampered(injection.fault, self._request, data, dice))]

    def _lasting(self, fault: Fault, data: bytes, now_s: float) -> list[tuple[float, bytes]]:
        if fault is Fault.TAKEN:  # what comes goes to either owner
            return [(now_s, data)] if self._dice.random() < 0.5 else []
        if fault is Fault.STUCK_BUSY:
            return [(now_s, self._dialect.tampered(fault, self._request, data, self._dice))]
        half = 1 << (15 if fault is Fault.WRAP_16 else 31)

        def wrapped(counts: int) -> int:
            if self._offset is None:  # so that the end lies close, on the one side or on the other
                self._offset = self._dice.choice((half - 40, -half + 40)) - counts
            return (counts + self._offset + half) % (2 * half) - half

        return [(now_s, self._dialect.counting(self._request, data, wrapped))]

    def _with_noise(self, data: bytes) -> bytes:
        dice = self._dice
        at = dice.randrange(len(data) + 1) if self._dialect.self_checking else dice.choice((0, len(data)))
        return data[:at] + bytes(dice.choices(_NOISE, k=dice.randrange(1, 40))) + data[at:]

    def _put(self, queue: deque[tuple[float, bytes]], due_s: float, data: bytes) -> None:
        queue.append((max(due_s, queue[-1][0]) if queue else due_s, data))


def _due(queue: deque[tuple[float, bytes]], now_s: float) -> bytes:
    pieces = []
    while queue and queue[0][0] <= now_s:
        pieces.append(queue.popleft()[1])
    return b"".join(pieces)
