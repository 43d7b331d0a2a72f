"""The file of a record: its form, its seal, and what `verify` finds broken.

1. A record is canonical JSON: keys sorted, no spaces, UTF-8, floats by repr, one newline at the end. It is
   written whole or not at all, and never replaced.
2. The seal is a SHA-256 per section and one over them all; journals beside it are sealed line by line, in the
   section ``procedures``. So a broken place has a name. It isn't signed: it shows accident, not forgery.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stepwitness.errors import StepwitnessError
from stepwitness.records.journal import SUFFIX, JournalReadings, line_digest, sync_directory

SCHEMA = "stepwitness-record/1"
FILE = "record.json"
SECTIONS = ("run", "plan", "bench", "axis", "procedures", "findings", "not_acquired", "software")

UNFINISHED = "unfinished"
"""Outcome of a procedure whose journal has no end."""
UNREADABLE = "unreadable"
"""Outcome of a procedure whose journal was corrupt when the record was sealed; its lines aren't sealed."""


class RecordError(StepwitnessError):
    """A record can't be written, or can't be read as one."""


@dataclass(frozen=True)
class Record:
    """A record as it stands in its folder; `sections` are plain JSON values, by the names in `SECTIONS`."""

    directory: Path
    sections: Mapping[str, Any]
    seal: Mapping[str, Any]

    def journal(self, procedure_id: str) -> JournalReadings:
        """The readings of one procedure."""
        return JournalReadings(journal_path(self.directory, procedure_id))


def journal_path(directory: Path, procedure_id: str) -> Path:
    """Where a procedure's journal stands in a run's folder."""
    return Path(directory) / f"{procedure_id}{SUFFIX}"


def canonical(value: Any) -> bytes:
    """`value` as canonical JSON. NaN and infinities raise ValueError."""
    text = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return text.encode()


def text_digest(text: str) -> str:
    """SHA-256 of a text in UTF-8."""
    return _sha256(text.encode())


def _sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _seal(sections: Mapping[str, Any]) -> dict[str, Any]:
    digests = {name: _sha256(canonical(content)) for name, content in sections.items()}
    return {"sections": digests, "sha256": _sha256(canonical({"schema": SCHEMA, "sections": digests}))}


# -- writing and opening -------------------------------------------------------------------------------------


def refuse_existing(directory: Path) -> None:
    """Raise `RecordError` where a record stands in `directory` already."""
    target = Path(directory) / FILE
    if target.exists():
        raise RecordError(f"{target}: exists already; a record is never replaced")


def write_record(directory: Path, sections: Mapping[str, Any]) -> Path:
    """Seal `sections` and write them: to a file beside the record's, synced, then renamed.

    Raises
    ------
    RecordError : where a record stands there already, or the folder can't be written.
    """
    refuse_existing(directory)
    target = Path(directory) / FILE
    data = canonical({"schema": SCHEMA, "sections": sections, "seal": _seal(sections)}) + b"\n"
    beside = target.with_name(f"{FILE}.part")
    try:
        with open(beside, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(beside, target)
        sync_directory(target.parent)
    except OSError as error:
        raise RecordError(f"{target}: can't be written: {error.strerror}") from error
    return target


def open_record(directory: Path) -> Record:
    """The record in a run's folder; its seal isn't checked, see `verify`.

    Raises
    ------
    RecordError : where there is none, or the file isn't a record of a schema that is known here.
    """
    return _parsed(Path(directory), _read(Path(directory) / FILE))


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise RecordError(f"{path}: can't be read: {error.strerror}") from error


def _parsed(directory: Path, data: bytes) -> Record:
    path = directory / FILE
    try:
        record = json.loads(data)
    except ValueError as error:
        raise RecordError(f"{path}: isn't JSON: {error}") from None
    if not isinstance(record, dict) or record.get("schema") != SCHEMA:
        raise RecordError(f"{path}: isn't a record of the schema {SCHEMA}")
    sections, seal = record.get("sections"), record.get("seal")
    if not isinstance(sections, dict) or not isinstance(seal, dict):
        raise RecordError(f"{path}: has no sections or no seal")
    lacking = [name for name in SECTIONS if name not in sections]
    if lacking:
        raise RecordError(f"{path}: lacks the section '{lacking[0]}'")
    return Record(directory, sections, seal)


# -- verifying -----------------------------------------------------------------------------------------------


def verify(directory: Path) -> list[str]:
    """Each place where record or journals differ from what was sealed; an empty list where all is whole."""
    directory = Path(directory)
    try:
        data = _read(directory / FILE)
        record = _parsed(directory, data)
    except RecordError as error:
        return [str(error)]
    broken = _broken_manifest(record, data)
    try:
        listed = [_Listed.of(entry) for entry in record.sections["procedures"]]
    except (KeyError, TypeError, AttributeError):
        return [*broken, f"{FILE}: the list of journals can't be read"]
    for item in listed:
        broken += _broken_journal(record.directory / item.journal, item)
    strays = {path.name for path in directory.glob(f"*{SUFFIX}")} - {item.journal for item in listed}
    return broken + [f"{name}: isn't in the record" for name in sorted(strays)]


def _broken_manifest(record: Record, data: bytes) -> list[str]:
    due = _seal(record.sections)
    sealed = record.seal.get("sections")
    sealed = sealed if isinstance(sealed, dict) else {}
    broken = [
        f"{FILE}: the section '{name}' isn't the one that was sealed"
        for name in sorted({*due["sections"], *sealed})
        if due["sections"].get(name) != sealed.get(name)
    ]
    if not broken and due != record.seal:
        broken.append(f"{FILE}: the seal itself was changed")
    if not broken and data != canonical(json.loads(data)) + b"\n":
        broken.append(f"{FILE}: the file isn't in the form in which it was written")
    return broken


@dataclass(frozen=True)
class _Listed:
    """A journal as the record lists it."""

    journal: str
    outcome: str
    digests: Sequence[str]

    @classmethod
    def of(cls, entry: Mapping[str, Any]) -> _Listed:
        return cls(str(entry["journal"]), str(entry["outcome"]), [str(item) for item in entry["batches"]])


def _broken_journal(path: Path, listed: _Listed) -> list[str]:
    broken = []
    count = 0
    try:
        with open(path, "rb") as file:
            for count, line in enumerate(file, start=1):
                digest = line_digest(line)
                if count <= len(listed.digests):
                    if digest != listed.digests[count - 1]:
                        broken.append(f"{path.name}:{count}: the line isn't the one that was sealed")
                elif listed.outcome != UNREADABLE and (digest or listed.outcome != UNFINISHED):
                    # an unfinished journal may end in a line that was never committed, and so never sealed
                    broken.append(f"{path.name}:{count}: the line was added after sealing")
    except OSError as error:
        return [f"{path.name}: can't be read: {error.strerror}"]
    missing = len(listed.digests) - count
    if missing > 0:
        broken.append(f"{path.name}:{count + 1}: {missing} sealed lines are missing from here on")
    return broken
