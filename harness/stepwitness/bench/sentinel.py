"""The owner's side of the sentinel: a process of its own that stops the axis should this one die.

1. It is started before anything moves, in a session of its own, with the parts' descriptors open already, and says
   when it stands. It watches this process by a handle, and a heartbeat for a process that is stopped but not dead.
2. Nothing moves without it: whoever is about to move asks `why_not`.
3. It is disarmed only once the axis is in its safe state; otherwise it brings the safe state about itself.
4. It holds the lock of the bench's owner until then, so that the next owner comes after the safe state.

The hang of a whole host is beyond it, as beyond any software on that host: only a drive's own watchdog helps then.
"""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stepwitness.bench.description import BenchDescription, StopMethod
from stepwitness.bench.errors import Unguarded
from stepwitness.bench.lock import FOR_ALL_USERS, machine_folder
from stepwitness.errors import StepwitnessError

BEAT_S = 0.1
SILENCE_S = 1.0
"""After so long without a heartbeat the owner counts as stopped, and the axis is halted."""

DEAF_S = 3.0
"""After so long without an echo the sentinel counts as gone."""

STARTING_S = 30.0
ACTING_S = 30.0
PATIENCE_S = 20.0
"""How long the sentinel of an owner that died is waited for."""

BEAT, DISARM, ACT = b".", b"d", b"a"
READY, ECHO, HALTED, SAFE, FAILED = "ready", "echo", "halted", "safe", "failed"


class BenchHeld(StepwitnessError):
    """Another owner, or the sentinel of one that died, still holds the bench."""


def files_of(bench: str) -> tuple[Path, Path, Path]:
    """Lock, note and log of a bench's sentinel, the same for every process of this machine."""
    folder = machine_folder()
    return folder / f"{bench}.sentinel.lock", folder / f"{bench}.sentinel.json", folder / f"{bench}.sentinel.log"


def left_unsafe(bench: str) -> str:
    """What the note of an earlier owner says, where its axis isn't known to be safe; else an empty text.

    Waits for the sentinel of an owner that died.

    Raises
    ------
    BenchHeld : where it doesn't end, or its owner lives.
    """
    from filelock import FileLock, Timeout

    lock_path, note, _ = files_of(bench)
    try:
        lock_path.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(lock_path, mode=FOR_ALL_USERS)
        lock.acquire(timeout=PATIENCE_S, poll_interval=0.05)
    except Timeout:
        raise BenchHeld(f"bench '{bench}' is held: {_told(note) or 'by another process'}") from None
    except OSError as error:
        raise BenchHeld(f"bench '{bench}' can't be locked: {error.strerror} ({lock_path})") from None
    try:
        return _told(note)
    finally:
        lock.release()


def forget(bench: str) -> None:
    """The axis is known to be safe: an earlier owner's note has done its work."""
    files_of(bench)[1].unlink(missing_ok=True)


def _told(note: Path) -> str:
    try:
        written = json.loads(note.read_text(encoding="utf-8"))
        return f"{written['owner']}: {written['state']}"
    except FileNotFoundError:
        return ""
    except (OSError, ValueError, TypeError, KeyError):
        return "an owner whose note can't be read"


def _owner() -> str:
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = "somebody"
    return f"process {os.getpid()} of {user} on {socket.gethostname()}, since {time.strftime('%Y-%m-%d %H:%M:%S')}"


def halts_of(description: BenchDescription, parts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """What stops the axis at once: bytes, each with the descriptor that they are written to."""
    assert description.stop is not None
    ways = {StopMethod.DRIVE: ("drive", "halt"), StopMethod.SUPPLY: ("supply", "output_off")}
    role, name = ways.get(description.stop.by, ("", ""))
    part = parts.get(role)
    descriptor = getattr(part, "descriptor", -1)
    if part is None or descriptor < 0 or os.name != "posix":
        return []
    return [{"role": role, "descriptor": descriptor, "words": part.last_words(name).hex()}]


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
        self._bench = description.name
        lock, note, log = files_of(description.name)
        descriptors = {role: getattr(part, "descriptor", -1) for role, part in parts.items()}
        self._descriptors = {role: number for role, number in descriptors.items() if number >= 0 and os.name == "posix"}
        orders = {
            "owner_pid": os.getpid(),
            "owner": _owner(),
            "path": description.path,
            "text": description.text,
            "lock": str(lock),
            "note": str(note),
            "halts": halts_of(description, parts),
            "descriptors": self._descriptors,
            "silence_s": SILENCE_S,
        }
        self._told, self._heard_s = "", time.monotonic()
        self._news = threading.Condition()
        self._ending = threading.Event()
        with log.open("ab") as complaints:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "stepwitness.bench.sentinel_program"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=complaints,
                **_apart(self._descriptors),
            )
        threading.Thread(target=self._listen, daemon=True, name="sentinel's word").start()
        self._send(json.dumps(orders).encode() + b"\n")
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

    def disarm(self) -> None:
        """The axis is in its safe state, and the sentinel may go."""
        self._send(DISARM)
        self._end()

    def act(self) -> str:
        """Have the sentinel bring about the safe state itself; returns its last word."""
        self._send(ACT)
        self._await((SAFE, FAILED), ACTING_S)
        self._end()
        return self._told or "the sentinel said nothing"

    # -- the process -------------------------------------------------------------------------------------------

    def _end(self, *, kill: bool = False) -> None:
        self._ending.set()
        assert self._process.stdin is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        if kill:
            self._process.kill()
        try:
            self._process.wait(ACTING_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def _send(self, data: bytes) -> None:
        assert self._process.stdin is not None
        with contextlib.suppress(OSError, ValueError):  # ended; `why_not` tells
            self._process.stdin.write(data)
            self._process.stdin.flush()

    def _beat(self) -> None:
        while not self._ending.wait(BEAT_S):
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


def _apart(descriptors: Mapping[str, int]) -> dict[str, Any]:
    """How the process is kept apart from what ends this one: a session, or on Windows a console, of its own."""
    if os.name == "posix":
        return {"start_new_session": True, "pass_fds": tuple(sorted(set(descriptors.values())))}
    flags = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0) | getattr(subprocess, "CREATE_NO_WINDOW", 0)
    return {"creationflags": flags}
