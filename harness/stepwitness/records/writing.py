"""Files that others see whole or not at all.

1. What is written goes to a draft beside its place, is synced, and takes its name in one step.
2. A write that fails leaves the place as it was, and no draft.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path


def write_new(path: Path, data: bytes) -> None:
    """Write a file that mustn't stand yet; on disk when this returns.

    Raises
    ------
    FileExistsError : where something stands there; it is left alone.
    OSError : where it can't be written.
    """
    _write(path, data, _take_new_name)


def write_over(path: Path, data: bytes) -> None:
    """Write a file, in place of the one that may stand there; on disk when this returns."""
    _write(path, data, os.replace)


def sync_directory(directory: Path) -> None:
    """Make a new or renamed file's name durable, where the system lets a folder be synced."""
    if os.name != "posix":
        return
    descriptor = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _write(path: Path, data: bytes, take_name: Callable[[Path, Path], None]) -> None:
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with open(draft, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        take_name(draft, path)
    finally:
        with contextlib.suppress(OSError):  # after a rename there is none
            draft.unlink()
    sync_directory(path.parent)


def _take_new_name(draft: Path, path: Path) -> None:
    try:
        os.link(draft, path)  # unlike a rename, a link refuses to replace
    except FileExistsError:
        raise
    except OSError:  # a file system without links, as on a memory stick
        if path.exists():
            raise FileExistsError(str(path)) from None
        os.replace(draft, path)
