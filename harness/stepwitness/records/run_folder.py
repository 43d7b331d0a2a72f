"""The folder of a run's record: ``reports/<bench>/<minute>``, with the plan's name and a number where that exists."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path


def minute(started: str) -> str:
    """The minute of an ISO 8601 time, as folders are named."""
    return datetime.fromisoformat(started).strftime("%Y-%m-%dT%H%M")


def make_run_folder(reports: Path, *, bench: str, stamp: str, plan: str) -> Path:
    """A new folder for one record; `stamp` is the run's `minute`. Two processes never get the same."""
    above = Path(reports) / bench
    above.mkdir(parents=True, exist_ok=True)
    name, number = stamp, 1
    while True:
        try:
            (above / name).mkdir()
            return above / name
        except FileExistsError:
            name = f"{stamp}-{plan}" + (f"-{number}" if number > 1 else "")
            number += 1
