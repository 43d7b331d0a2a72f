"""The file of a record: what it must hold, how older ones are read, and what `verify` finds broken.

1. A record is a sealed document; journals beside it are sealed line by line, in the section ``procedures``.
2. A record of an older schema is brought to this one in memory alone; its file stays as it was sealed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stepwitness.records import schema_1
from stepwitness.records.batch_checks import changed_in
from stepwitness.records.journal import SUFFIX, JournalReadings, batch_in, line_digest
from stepwitness.records.kinds import RECORD
from stepwitness.records.sealed import (
    RecordError,
    Sealed,
    broken_document,
    digest,
    read,
    sealed_in,
    write_sealed,
)

SCHEMA = "stepwitness-record/2"
SCHEMAS = (schema_1.SCHEMA, SCHEMA)
FILE = RECORD.file
SECTIONS = (
    "run",
    "plan",
    "bench",
    "axis",
    "procedures",
    "findings",
    "not_acquired",
    "software",
    "report",
    "chain",
)

UNFINISHED = "unfinished"
"""Outcome of a procedure whose journal has no end."""
UNREADABLE = "unreadable"
"""Outcome of a procedure whose journal was corrupt when the record was sealed; its lines aren't sealed."""


@dataclass(frozen=True)
class Record:
    """A record as it stands in its folder.

    Attributes
    ----------
    sections : plain JSON values, by the names in `SECTIONS`. seal : ``seal["sha256"]`` is the record's identity.
    schema : that of the file; `sections` are those of `SCHEMA` whatever it is.
    """

    directory: Path
    sections: Mapping[str, Any]
    seal: Mapping[str, Any]
    schema: str = SCHEMA

    def journal(self, procedure_id: str) -> JournalReadings:
        """The readings of one procedure."""
        return JournalReadings(journal_path(self.directory, procedure_id))


def journal_path(directory: Path, procedure_id: str) -> Path:
    """Where a procedure's journal stands in a run's folder."""
    return Path(directory) / f"{procedure_id}{SUFFIX}"


def text_digest(text: str) -> str:
    """SHA-256 of a text in UTF-8."""
    return digest(text.encode())


# -- writing and opening -------------------------------------------------------------------------------------


def refuse_existing(directory: Path) -> None:
    """Raise `RecordError` where a record stands in `directory` already."""
    target = Path(directory) / FILE
    if target.exists():
        raise RecordError(f"{target}: exists already; a record is never replaced")


def write_record(directory: Path, sections: Mapping[str, Any]) -> Path:
    """Seal `sections` and write them; the path of the record.

    Raises
    ------
    RecordError : where a record stands there already, or the folder can't be written.
    """
    return write_sealed(Path(directory) / FILE, SCHEMA, sections)


def open_record(directory: Path) -> Record:
    """The record in a run's folder; its seal isn't checked, see `verify`.

    Raises
    ------
    RecordError : where there is none, or the file isn't a record of a schema that is known here.
    """
    path = Path(directory) / FILE
    return _record(sealed_in(path, read(path), SCHEMAS))


def _record(sealed: Sealed) -> Record:
    sections = schema_1.migrated(sealed.sections) if sealed.schema == schema_1.SCHEMA else sealed.sections
    lacking = [name for name in SECTIONS if name not in sections]
    if lacking:
        raise RecordError(f"{sealed.path}: lacks the section '{lacking[0]}'")
    return Record(sealed.path.parent, sections, sealed.seal, sealed.schema)


# -- verifying -----------------------------------------------------------------------------------------------


def verify(directory: Path) -> list[str]:
    """Each place where record or journals differ from what was sealed; an empty list where all is whole."""
    path = Path(directory) / FILE
    broken: list[str] = []
    try:
        data = read(path)
        sealed = sealed_in(path, data, None)
        broken = _broken_manifest(sealed, data)
        record = _record(sealed)
    except RecordError as error:
        return broken or [str(error)]
    try:
        listed = [_Listed.of(entry) for entry in record.sections["procedures"]]
    except (KeyError, TypeError, AttributeError):
        return [*broken, f"{FILE}: the list of journals can't be read"]
    for item in listed:
        broken += _broken_journal(record.directory / item.journal, item)
    strays = {path.name for path in record.directory.glob(f"*{SUFFIX}")} - {item.journal for item in listed}
    return broken + [f"{name}: isn't in the record" for name in sorted(strays)]


def trouble_with(directory: Path, seal: str) -> str:
    """Why the record in `directory` can't be relied on as the one that was sealed as `seal`, or an empty text."""
    broken = verify(directory)
    if not broken and open_record(directory).seal["sha256"] != seal:
        return "it isn't the record that was judged"
    return broken[0] if broken else ""


def _broken_manifest(sealed: Sealed, data: bytes) -> list[str]:
    if schema_1.sealed_by_it(sealed.seal):
        return schema_1.broken_document(FILE, sealed.schema, sealed.sections, sealed.seal, data)
    broken = broken_document(sealed, data)
    if not broken and sealed.schema not in SCHEMAS:
        broken.append(f"{FILE}: the schema '{sealed.schema}' isn't known here; known: {', '.join(SCHEMAS)}")
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
    rows: Counter[bytes] = Counter()
    try:
        with open(path, "rb") as file:
            for count, line in enumerate(file, start=1):
                digest = line_digest(line)
                table, more = batch_in(line)
                if count <= len(listed.digests):
                    if digest != listed.digests[count - 1]:
                        where = changed_in(line, rows[table])
                        told = "the line isn't the one that was sealed" + (f": {where}" if where else "")
                        broken.append(f"{path.name}:{count}: {told}")
                    rows[table] += more
                elif listed.outcome != UNREADABLE and (digest or listed.outcome != UNFINISHED):
                    # an unfinished journal may end in a line that was never committed, and so never sealed
                    broken.append(f"{path.name}:{count}: the line was added after sealing")
    except OSError as error:
        return [f"{path.name}: can't be read: {error.strerror}"]
    missing = len(listed.digests) - count
    if missing > 0:
        broken.append(f"{path.name}:{count + 1}: {missing} sealed lines are missing from here on")
    return broken
