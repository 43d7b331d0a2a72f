"""The folder of a run's record: ``reports/<bench>/<minute>``, with the plan's name and a number where that exists."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from stepwitness.records.sealed import RecordError


def minute(started: str) -> str:
    """The minute of an ISO 8601 time, as folders are named."""
    return datetime.fromisoformat(started).strftime("%Y-%m-%dT%H%M")


def make_run_folder(reports: Path, *, bench: str, plan: str, stamp: str = "") -> Path:
    """A new folder for one record. Two processes never get the same.

    `stamp` : the run's `minute`, unless it begins now.

    Raises
    ------
    RecordError : where it can't be made.
    """
    above = Path(reports) / bench
    make_folder(above)
    stamp = stamp or minute(datetime.now().isoformat())
    name, number = stamp, 1
    while True:
        try:
            (above / name).mkdir()
            return above / name
        except FileExistsError:
            name = f"{stamp}-{plan}" + (f"-{number}" if number > 1 else "")
            number += 1
        except OSError as error:
            raise RecordError(f"{above / name}: can't be made: {error.strerror}") from error


def make_folder(directory: Path) -> None:
    """The folder for a record, where it isn't there yet; `RecordError` where it can't be made."""
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{directory}: can't be made: {error.strerror}") from error
