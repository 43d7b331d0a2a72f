"""Sheets and pictures for people, drawn by whatever renderers are installed: by entry point, never by import."""

from __future__ import annotations

from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

from stepwitness.errors import StepwitnessError
from stepwitness.records.kinds import RECORD

PICTURES = "stepwitness.trend_pictures"
"""The group of those that draw the picture of a trend."""


def rendered(directory: Path, group: str = RECORD.renderers) -> tuple[Path | None, list[str]]:
    """What the first renderer of `group` wrote for `directory`, and each one that failed, in a sentence.

    A renderer may be anybody's: its mistake costs its sheet, never a record.
    """
    first: Path | None = None
    troubles = []
    for entry in entry_points(group=group):
        try:
            written = Path(entry.load()(directory))
        except Exception as error:
            told = f"{type(error).__name__}: {error}"
            troubles.append(f"the report '{entry.name}' of {directory} failed: {told}")
            continue
        first = first or written
    return first, troubles


def picture_of(values: Any, group: str = PICTURES) -> str:
    """The text of the picture that the first renderer of `group` makes of `values`.

    Raises
    ------
    StepwitnessError : where none is installed, or it fails.
    """
    for entry in entry_points(group=group):
        try:
            return str(entry.load()(values))
        except Exception as error:
            raise StepwitnessError(f"the picture '{entry.name}' failed: {type(error).__name__}: {error}") from error
    raise StepwitnessError(f"nothing is installed that draws it (no entry point in '{group}')")
