"""One process on a bench at a time, and its name for whoever waits."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.errors import StepwitnessError

if TYPE_CHECKING:
    from filelock import BaseFileLock

PATIENCE_S = 10.0
"""How long a bench that another run holds is waited for."""

LOCK, NOTE = ".lock", ".owner"
FOR_ALL_USERS, _FOLDER_FOR_ALL_USERS = 0o666, 0o777
_POLL_S = 0.1


class BenchInUse(StepwitnessError):
    """The bench can't be had: another run holds it, or its lock can't be taken."""


def machine_folder() -> Path:
    """Where every process of this machine locks benches of real parts."""
    return shared_folder() / "stepwitness-locks"


def shared_folder() -> Path:
    """A folder that is the same for all users, whatever TMPDIR says to one of them; else this user's own."""
    shared = Path(os.environ.get("PROGRAMDATA", "") if os.name == "nt" else "/tmp")
    usable = shared.is_absolute() and os.access(shared, os.W_OK)
    return shared if usable else Path(tempfile.gettempdir())


def make_folder(folder: Path) -> None:
    """Make a folder of locks, for all users: whoever comes first isn't the only one to use the rig."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(OSError):
            folder.chmod(_FOLDER_FOR_ALL_USERS)


@dataclass(frozen=True)
class Owner:
    """Who holds a bench, as its note says. `started` is the run's start."""

    run: str
    process: str
    pid: int
    host: str
    started: str

    @classmethod
    def this_process(cls, run: str, *, started: str, process: str = "") -> Owner:
        """This process, working for `run`; `process` is its name for a person."""
        return cls(run, process or f"process {os.getpid()}", os.getpid(), socket.gethostname(), started)

    def __str__(self) -> str:
        return f"{self.process} on {self.host}, in a run started {self.started}"


class BenchLock:
    """An advisory lock in `folder` that ends with its process, and a note that says whose it is.

    `bench` is what makes two benches one: a name, or an id.
    """

    def __init__(self, bench: str, owner: Owner, folder: Path) -> None:
        self._bench, self._owner, self._folder = bench, owner, folder
        self._note = folder / f"{bench}{NOTE}"
        self._lock: BaseFileLock | None = None

    def acquire(self) -> None:
        """Wait for another process of the same run as long as it lives, for another run only `PATIENCE_S`.

        Raises
        ------
        BenchInUse : another run still holds the bench, or the lock's folder can't be written.
        """
        from filelock import FileLock, Timeout

        lock = FileLock(self._folder / f"{self._bench}{LOCK}", mode=FOR_ALL_USERS)
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                make_folder(self._folder)
                lock.acquire(timeout=_POLL_S, poll_interval=_POLL_S / 2)
                break
            except Timeout:
                owner = owner_in(self._note)
                if (owner is None or owner.run != self._owner.run) and time.monotonic() > deadline:
                    raise BenchInUse(f"bench '{self._bench}' is in use by {owner or 'another process'}") from None
            except OSError as error:
                raise BenchInUse(f"bench '{self._bench}' can't be locked: {error.strerror} ({self._folder})") from None
        self._lock = lock
        with contextlib.suppress(OSError):  # the note is a courtesy; a dead owner's may belong to another user
            self._note.write_text(json.dumps(asdict(self._owner)), encoding="utf-8")

    def release(self) -> None:
        """Let go; nothing where it isn't held."""
        if self._lock is not None:
            with contextlib.suppress(OSError):
                self._note.unlink()
            self._lock.release()
            self._lock = None

    def __enter__(self) -> None:
        self.acquire()

    def __exit__(self, *_: object) -> None:
        self.release()


def owner_in(note: Path) -> Owner | None:
    """The owner that a note names; None where it isn't written yet, or was just released."""
    try:
        return Owner(**json.loads(note.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError):
        return None


def is_held(lock: Path) -> bool:
    """Whether any process holds the lock in that file."""
    from filelock import FileLock, Timeout

    mine = FileLock(lock)
    try:
        mine.acquire(timeout=0)
    except Timeout:
        return True
    mine.release()
    return False
