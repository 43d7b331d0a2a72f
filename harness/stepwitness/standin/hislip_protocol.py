"""The server's side of HiSLIP (IVI-6.1; from memory), as far as one client with queries needs it, no I/O.

1. A session has two connections; the second names the session that the first was given. Each message is a header of
   16 bytes and its payload.
2. A query's reply carries the number of the message that ended it, by which a client tells late replies.
3. A message that isn't one ends in a fatal error, after which the connection says nothing more.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import IntEnum
from itertools import count
from struct import pack, unpack

from stepwitness.standin.serving import LineProtocol, Opener, Responder

PROLOGUE = b"HS"
HEADER = ">2sBBIQ"
HEADER_SIZE = 16
LONGEST_MESSAGE = 1 << 16
VERSION = 0x0100
VENDOR = int.from_bytes(b"SW", "big")


class Kind(IntEnum):
    """Message types that the stand-in knows."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    LOCK = 4
    LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    CLEAR_COMPLETE = 8
    CLEAR_ACKNOWLEDGE = 9
    REMOTE_LOCAL = 10
    REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    MAX_MESSAGE_SIZE = 15
    MAX_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_CLEAR = 19
    STATUS = 21
    STATUS_RESPONSE = 22
    ASYNC_CLEAR_ACKNOWLEDGE = 23
    LOCK_INFO = 24
    LOCK_INFO_RESPONSE = 25


def message(kind: Kind, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    """One message."""
    return pack(HEADER, PROLOGUE, kind, control, parameter, len(payload)) + payload


class _Connection:
    """Either connection of a session."""

    def __init__(self, protocol: LineProtocol, next_session: Callable[[], int]) -> None:
        self._protocol, self._next_session = protocol, next_session
        self._rest, self._asked = b"", b""
        self._dead = False

    def hear(self, data: bytes) -> bytes:
        self._rest += data
        sent = b""
        while not self._dead and len(self._rest) >= HEADER_SIZE:
            prologue, kind, _, parameter, size = unpack(HEADER, self._rest[:HEADER_SIZE])
            if prologue != PROLOGUE or size > LONGEST_MESSAGE:
                self._dead = True
                return sent + message(Kind.FATAL_ERROR, 1)
            if len(self._rest) < HEADER_SIZE + size:
                break
            payload = self._rest[HEADER_SIZE : HEADER_SIZE + size]
            self._rest = self._rest[HEADER_SIZE + size :]
            sent += self._one(kind, parameter, payload)
        if self._dead:
            self._rest = b""
        return sent

    def _one(self, kind: int, parameter: int, payload: bytes) -> bytes:
        if kind == Kind.INITIALIZE:
            return message(Kind.INITIALIZE_RESPONSE, 0, VERSION << 16 | self._next_session())
        if kind == Kind.ASYNC_INITIALIZE:
            return message(Kind.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR)
        if kind == Kind.MAX_MESSAGE_SIZE:
            return message(Kind.MAX_MESSAGE_SIZE_RESPONSE, payload=pack(">Q", LONGEST_MESSAGE))
        if kind == Kind.DATA:
            self._asked = (self._asked + payload)[-LONGEST_MESSAGE:]
            return b""
        if kind == Kind.DATA_END:
            line, self._asked = self._asked + payload, b""
            reply = self._protocol.answer(line.decode("ascii", errors="replace").strip())
            return b"" if reply is None else message(Kind.DATA_END, 0, parameter, reply.encode("ascii") + b"\n")
        if kind in (Kind.CLEAR_COMPLETE, Kind.ASYNC_CLEAR):
            self._asked = b""
            answer = Kind.CLEAR_ACKNOWLEDGE if kind == Kind.CLEAR_COMPLETE else Kind.ASYNC_CLEAR_ACKNOWLEDGE
            return message(answer)
        answers = {
            Kind.STATUS: Kind.STATUS_RESPONSE,
            Kind.LOCK_INFO: Kind.LOCK_INFO_RESPONSE,
            Kind.REMOTE_LOCAL: Kind.REMOTE_LOCAL_RESPONSE,
        }
        if kind == Kind.LOCK:
            return message(Kind.LOCK_RESPONSE, 1)
        if kind in answers:
            return message(answers[Kind(kind)])
        return b"" if kind == Kind.TRIGGER else message(Kind.ERROR, 1)


def hislip(protocol: LineProtocol) -> Opener:
    """An opener that serves lines of SCPI by HiSLIP."""
    sessions = count(1)

    def opened() -> Responder:
        return _Connection(protocol, lambda: next(sessions) & 0xFFFF)

    return opened
