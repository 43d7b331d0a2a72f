"""Whose a bench of real parts is: one owner at a time, and what the last one left.

1. An owner that moves has a sentinel, which holds the lock until the axis is safe; one that only reads holds it itself.
   The lock ends with its process.
2. The note beside it says who holds the bench. One that stays behind means that the axis isn't known to be safe, unless
   its owner only read.
3. Every process of this machine finds both, whoever runs it.
"""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.bench.lock import FOR_ALL_USERS, machine_folder, make_folder
from stepwitness.errors import StepwitnessError

if TYPE_CHECKING:
    from filelock import BaseFileLock

PATIENCE_S = 20.0
"""How long the sentinel of an owner that died is waited for."""

READING = "reading"
_POLL_S, _READ_TRIES = 0.05, 10


class BenchHeld(StepwitnessError):
    """Another owner, or the sentinel of one that died, still holds the bench."""


def files_of(bench: str) -> tuple[Path, Path, Path]:
    """Lock, note and log of a bench, the same for every process of this machine."""
    folder = machine_folder()
    return folder / f"{bench}.sentinel.lock", folder / f"{bench}.sentinel.json", folder / f"{bench}.sentinel.log"


def left_unsafe(bench: str) -> str:
    """What the note of an earlier owner says, where its axis isn't known to be safe; else an empty text.

    Waits for the sentinel of an owner that died.

    Raises
    ------
    BenchHeld : where it doesn't end, or its owner lives.
    """
    lock = _locked(bench)
    try:
        return _unsafe(files_of(bench)[1])
    finally:
        lock.release()


@contextlib.contextmanager
def held_to_read(bench: str) -> Iterator[str]:
    """Hold the bench for this process, which moves nothing; gives what `left_unsafe` would.

    Raises
    ------
    BenchHeld : by another owner.
    """
    lock, (_, note, _) = _locked(bench), files_of(bench)
    try:
        unsafe = _unsafe(note)
        if not unsafe:  # else it must stay for the next owner that may move
            with contextlib.suppress(OSError):  # it is a courtesy; the file may be another user's
                write_note(note, owner=this_process(), state=READING)
        try:
            yield unsafe
        finally:
            if not unsafe:
                with contextlib.suppress(OSError):
                    remove_note(note)
    finally:
        lock.release()


def forget(bench: str) -> None:
    """The axis is known to be safe: an earlier owner's note has done its work."""
    remove_note(files_of(bench)[1])


def write_note(note: Path, *, owner: str, state: str) -> None:
    draft = note.with_suffix(f".{os.getpid()}")
    draft.write_text(json.dumps({"owner": owner, "state": state, "pid": os.getpid()}), encoding="utf-8")
    _while_read(lambda: draft.replace(note))


def remove_note(note: Path) -> None:
    """Nothing where there is none."""
    _while_read(lambda: note.unlink(missing_ok=True))


def _while_read(action: Callable[[], object]) -> None:
    """Do something with a note; on Windows that waits until nobody reads it."""
    for _ in range(_READ_TRIES):
        with contextlib.suppress(PermissionError):
            action()
            return
        time.sleep(_POLL_S)
    action()


def this_process() -> str:
    """This process in words, as a note names it."""
    try:
        user = getpass.getuser()
    except (OSError, KeyError, ImportError):
        user = "somebody"
    return f"process {os.getpid()} of {user} on {socket.gethostname()}, since {time.strftime('%Y-%m-%d %H:%M:%S')}"


def _locked(bench: str) -> BaseFileLock:
    from filelock import FileLock, Timeout

    path, note, _ = files_of(bench)
    try:
        make_folder(path.parent)
        lock = FileLock(path, mode=FOR_ALL_USERS)
        lock.acquire(timeout=PATIENCE_S, poll_interval=_POLL_S)
    except Timeout:
        owner, state = _told(note)
        holder = f"{owner}: {state}" if owner else "by another process"
        raise BenchHeld(f"bench '{bench}' is held: {holder}") from None
    except OSError as error:
        raise BenchHeld(f"bench '{bench}' can't be locked: {error.strerror} ({path})") from None
    return lock


def _unsafe(note: Path) -> str:
    owner, state = _told(note)
    return f"{owner}: {state}" if owner and state != READING else ""


def _told(note: Path) -> tuple[str, str]:
    """Owner and state, as the note has them; empty where there is none."""
    try:
        written = json.loads(note.read_text(encoding="utf-8"))
        return str(written["owner"]), str(written["state"])
    except FileNotFoundError:
        return "", ""
    except (OSError, ValueError, TypeError, KeyError):
        return "an owner", "its note can't be read"
