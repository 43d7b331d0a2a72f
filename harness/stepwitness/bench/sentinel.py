"""The owner's side of the sentinel: a process of its own that stops the axis should this one die.

1. It is started before anything moves, in a session of its own, with the parts' descriptors open already, and says
   when it stands. It watches this process by a handle, and a heartbeat for a process that is stopped but not dead.
2. Nothing moves without it: whoever is about to move asks `why_not`.
3. It is disarmed only once the axis is in its safe state; otherwise it brings the safe state about itself.
4. It is handed each port's descriptor, and within a heartbeat the new one of a port that was opened anew by itself.
5. It holds the lock of the bench's owner until then, so that the next owner comes after the safe state.

The hang of a whole host is beyond it, as beyond any software on that host: only a drive's own watchdog helps then.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from stepwitness.bench.description import BenchDescription, StopMethod
from stepwitness.bench.errors import Unguarded
from stepwitness.bench.ownership import files_of, this_process
from stepwitness.devices.last_words import LastWords, Told

BEAT_S = 0.1
SILENCE_S = 1.0
"""After so long without a heartbeat the owner counts as stopped, and the axis is halted."""

DEAF_S = 3.0
"""After so long without an echo the sentinel counts as gone."""

STARTING_S = 30.0
ACTING_S = 30.0
SENDS_DESCRIPTORS = os.name == "posix"
"""On Windows a port is a handle, and the sentinel opens it by its name once the owner is gone."""

BEAT, DISARM, ACT = b".", b"d", b"a"
READY, ECHO, HALTED, SAFE, FAILED = "ready", "echo", "halted", "safe", "failed"

_QUICK_WAYS = {StopMethod.DRIVE: ("drive", "halt"), StopMethod.SUPPLY: ("supply", "output_off")}
"""Role of the part that stops the axis, and what it is told."""


def words_of(description: BenchDescription, parts: Mapping[str, Any]) -> dict[str, LastWords]:
    """What stops the axis at once, by the role of the part that does; empty where nothing can be said in time.

    A part can be stopped so that has a `descriptor` and `last_words(name)`, which gives bytes or `LastWords`.
    """
    assert description.stop is not None
    role, name = _QUICK_WAYS.get(description.stop.by, ("", ""))
    part = parts.get(role)
    if part is None or getattr(part, "descriptor", -1) < 0:
        return {}
    words = part.last_words(name)
    return {role: Told(words) if isinstance(words, bytes) else words}


def duplicates_of(parts: Mapping[str, Any]) -> dict[str, int]:
    """Descriptors that a sentinel can be given, by role, each a duplicate that nobody closes meanwhile."""
    found: dict[str, int] = {}
    for role, part in parts.items() if SENDS_DESCRIPTORS else ():
        with contextlib.suppress(OSError):  # lost just now, or none at all
            found[role] = os.dup(getattr(part, "descriptor", -1))
    return found


class Sentinel:
    """A sentinel that stands."""

    def __init__(self, description: BenchDescription, parts: Mapping[str, Any]) -> None:
        """Start it; returns once it stands.

        Parameters
        ----------
        parts : live parts by role, bare.

        Raises
        ------
        Unguarded : where it doesn't come to stand; nothing may move then.
        """
        self._bench, self._description, self._parts = description.name, description, parts
        self._handing, self._handed = threading.Lock(), frozenset[tuple[str, int, int]]()
        lock, note, log = files_of(description.name)
        orders = {
            "owner_pid": os.getpid(),
            "owner": this_process(),
            "path": description.path,
            "text": description.text,
            "lock": str(lock),
            "note": str(note),
            "silence_s": SILENCE_S,
        }
        self._told, self._heard_s = "", time.monotonic()
        self._news = threading.Condition()
        self._ending = threading.Event()
        with log.open("ab") as complaints:
            self._process, self._voice = _started(complaints)
        threading.Thread(target=self._listen, daemon=True, name="sentinel's word").start()
        self.hand_over(orders=orders)
        if self._await((READY, FAILED), STARTING_S) != READY:
            told = self._told or f"it said nothing within {STARTING_S:g} s"
            self._end(kill=True)
            raise Unguarded(
                f"bench '{self._bench}': its sentinel doesn't stand, so nothing may move: {told}; log: {log}"
            )
        self._heard_s = time.monotonic()
        threading.Thread(target=self._beat, daemon=True, name="heartbeat").start()

    @property
    def pid(self) -> int:
        return self._process.pid

    def why_not(self) -> str:
        """Why nothing may move, or an empty text."""
        if self._told.partition(" ")[0] in (HALTED, SAFE, FAILED):
            return f"the sentinel has acted ({self._told}); the axis was stopped and has to be referenced again"
        if self._process.poll() is not None:
            return "the sentinel that stops the axis should this process die has ended"
        if time.monotonic() - self._heard_s > DEAF_S:
            return "the sentinel that stops the axis should this process die doesn't answer"
        return ""

    def hand_over(self, **more: object) -> None:
        """Give the sentinel the ports' descriptors, where they aren't those that it has."""
        with self._handing:
            if self._ending.is_set():
                return
            duplicates = duplicates_of(self._parts)
            try:
                found = frozenset((role, *_file_of(number)) for role, number in duplicates.items())
                if found != self._handed or more:
                    words = words_of(self._description, {role: self._parts[role] for role in duplicates})
                    said = {role: pickle.dumps(one).hex() for role, one in words.items()}
                    message = {"roles": list(duplicates), "words": said, **more}
                    self._send(json.dumps(message).encode() + b"\n", tuple(duplicates.values()))
                    self._handed = found
            finally:
                for number in duplicates.values():
                    os.close(number)

    def disarm(self) -> None:
        """The axis is in its safe state, and the sentinel may go."""
        self._send(DISARM)
        self._end()

    def act(self, let_go: Callable[[], None]) -> str:
        """Have the sentinel bring about the safe state itself; returns its last word.

        `let_go` closes the ports here, for two on one line would take each other's replies.
        """
        self._ending.set()
        with self._handing:  # what the sentinel has by now it keeps
            let_go()
        self._send(ACT)
        self._await((SAFE, FAILED), ACTING_S)
        self._end()
        return self._told or "the sentinel said nothing"

    # -- the process -------------------------------------------------------------------------------------------

    def _end(self, *, kill: bool = False) -> None:
        self._ending.set()
        self._voice.close()
        if kill:
            self._process.kill()
        try:
            self._process.wait(ACTING_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _send(self, data: bytes, descriptors: Sequence[int] = ()) -> None:
        with contextlib.suppress(OSError, ValueError):  # ended; `why_not` tells
            self._voice.say(data, descriptors)

    def _beat(self) -> None:
        while not self._ending.wait(BEAT_S):
            self.hand_over()
            self._send(BEAT)

    def _listen(self) -> None:
        assert self._process.stdout is not None
        with self._process.stdout as stream:
            for line in stream:
                word = line.decode(errors="replace").strip()
                with self._news:
                    self._heard_s = time.monotonic()
                    if word != ECHO:
                        self._told = word
                    self._news.notify_all()
        with self._news:
            self._news.notify_all()

    def _await(self, words: tuple[str, ...], within_s: float) -> str:
        """The first of `words` that it says; empty where it says none of them in time, or ends."""
        ends_s = time.monotonic() + within_s
        with self._news:
            while (word := self._told.partition(" ")[0]) not in words:
                if time.monotonic() > ends_s or (self._process.poll() is not None and not self._told):
                    return ""
                self._news.wait(0.1)
        return word


def _file_of(descriptor: int) -> tuple[int, int]:
    """What tells one open port from another whose descriptor has the same number."""
    found = os.fstat(descriptor)
    return found.st_dev, found.st_ino


class _Voice:
    """The way to the sentinel: a pipe, or where descriptors can be sent a socket. One message at a time."""

    def __init__(self, way: Any) -> None:
        self._way, self._lock = way, threading.Lock()

    def say(self, data: bytes, descriptors: Sequence[int]) -> None:
        with self._lock:
            if not isinstance(self._way, socket.socket):
                self._way.write(data)
                self._way.flush()
            elif descriptors:
                sent = socket.send_fds(self._way, [data], descriptors)
                self._way.sendall(data[sent:])
            else:
                self._way.sendall(data)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._way.close()


def _started(complaints: Any) -> tuple[subprocess.Popen[bytes], _Voice]:
    """The process, kept apart from what ends this one: in a session, or on Windows a console, of its own."""
    command = [sys.executable, "-m", "stepwitness.bench.sentinel_program"]
    apart: dict[str, Any] = {"start_new_session": True}
    if os.name != "posix":
        names = ("CREATE_NEW_PROCESS_GROUP", "CREATE_NO_WINDOW", "HIGH_PRIORITY_CLASS")
        apart = {"creationflags": sum(getattr(subprocess, name, 0) for name in names)}
    if not SENDS_DESCRIPTORS:
        process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=complaints, **apart)
        return process, _Voice(process.stdin)
    ours, theirs = socket.socketpair()
    ours.settimeout(DEAF_S)
    with theirs:
        process = subprocess.Popen(command, stdin=theirs.fileno(), stdout=subprocess.PIPE, stderr=complaints, **apart)
    return process, _Voice(ours)
