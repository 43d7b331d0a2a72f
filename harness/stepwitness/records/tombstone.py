"""What stays in a run's folder of a record that was deleted on purpose: a sealed note that keeps the chain whole.

1. The note is on disk before anything goes.
2. It holds the record's seal and place in its chain, who deleted it, when and why; nothing of what the record held.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stepwitness.records.manifest import open_record
from stepwitness.records.sealed import RecordError, open_sealed, write_sealed

SCHEMA = "stepwitness-deletion/1"
FILE = "deleted.json"


@dataclass(frozen=True)
class Tombstone:
    """The seal of a deleted record, and the section ``chain`` that it had; empty for one without a chain."""

    folder: str
    sha256: str
    chain: Mapping[str, Any]


def bury(directory: Path, *, deleted: str, by: str, why: str) -> None:
    """Delete what stands in a run's folder, and leave the note.

    Parameters
    ----------
    deleted : when, UTC, ISO 8601. by : initials, or empty. why : the reason.

    Raises
    ------
    RecordError : where there is no record, the note can't be written or something can't be deleted.
    """
    directory = Path(directory)
    record = open_record(directory)
    sections = {
        "record": {"seal": str(record.seal["sha256"])},
        "chain": record.sections.get("chain") or {},
        "deletion": {"deleted": deleted, "by": by, "why": why},
    }
    if not (directory / FILE).exists():  # an earlier try may have come so far
        write_sealed(directory / FILE, SCHEMA, sections)
    try:
        for path in directory.iterdir():
            if path.name != FILE:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
    except OSError as error:
        raise RecordError(f"{directory}: can't be deleted: {error.strerror}") from error


def tombstones(above: Path) -> Iterator[Tombstone]:
    """Of the folders in `above`; what can't be read is none."""
    for path in sorted(Path(above).glob(f"*/{FILE}")):
        with contextlib.suppress(RecordError, KeyError, TypeError):
            sections = open_sealed(path, (SCHEMA,)).sections
            yield Tombstone(path.parent.name, str(sections["record"]["seal"]), dict(sections["chain"]))
