"""Sheets for people, drawn by whatever renderers are installed: reached by entry point, never by import."""

from __future__ import annotations

from importlib.metadata import entry_points
from pathlib import Path

RENDERERS = "stepwitness.reports"
"""The group of those that draw the report of a run's folder."""


def rendered(directory: Path, group: str = RENDERERS) -> tuple[Path | None, list[str]]:
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
