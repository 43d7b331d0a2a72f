"""The folders of a rig to its store: all that is sealed once and in order, however often the way there is lost.

1. A folder is the truth until the store has its record; a note beside the folders says only where nobody needs to look
   again. Without notes, or for another store, everything is asked anew and nothing is filed twice.
2. Records of one bench go in the order of their chain; those without one before, by the time of their start.
3. A record that isn't what was sealed stays behind and is told; the others don't wait for it.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from filelock import FileLock

from stepwitness.errors import StepwitnessError
from stepwitness.records.kinds import KINDS, RECORD, Kind
from stepwitness.records.manifest import open_record
from stepwitness.records.sealed import broken_places, read_sealed
from stepwitness.records.signature import is_signature
from stepwitness.records.store.errors import RecordDeleted, StoreError, StoreUnreachable
from stepwitness.records.store.store import Store
from stepwitness.records.store.stored import StoredRecord

NOTES = ".handed-over"


@dataclass(frozen=True)
class HandOver:
    """What came of it.

    Attributes
    ----------
    filed : records that the store hadn't, in the order in which it took them.
    refused : each folder that stayed behind, with the reason.
    documents : lots, qualifications and proofs that the store hadn't. signatures : those that came since, of what the
        store had already. Both as files below the folder of reports.
    """

    filed: tuple[StoredRecord, ...] = ()
    refused: tuple[str, ...] = ()
    documents: tuple[str, ...] = ()
    signatures: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Found:
    """A sealed file, its folder below the reports, when it was written, and the names of its signatures."""

    kind: Kind
    path: Path
    folder: str
    modified_ns: int
    signatures: tuple[str, ...]

    @property
    def name(self) -> str:
        return self.folder if self.kind is RECORD else f"{self.folder}/{self.kind.file}"

    @property
    def state(self) -> tuple[int, tuple[str, ...]]:
        """Nobody needs to look again before this is another one."""
        return self.modified_ns, self.signatures


@dataclass(frozen=True)
class _Unfiled:
    found: _Found
    seal: str
    order: tuple[object, ...]


def hand_over(store: Store, reports: Path, *, everything: bool = False) -> HandOver:
    """File records and other sealed documents below `reports` that the store hasn't, and signatures that came since.

    Parameters
    ----------
    everything : ask for each folder anew, as after the store was restored from a copy of long ago.

    Raises
    ------
    StoreUnreachable : where the way to the store is lost; what was filed is noted, and the rest goes next time.
    """
    reports = Path(reports)
    if not reports.is_dir():
        return HandOver()
    folder = reports / NOTES
    try:
        folder.mkdir(exist_ok=True)
        with FileLock(folder / "lock"):
            return _handed_over(store, reports, _Notes(folder / f"{store.identity}.jsonl"), everything=everything)
    except OSError as error:
        raise StoreError(f"{folder}: can't be written: {error.strerror}") from error


def _handed_over(store: Store, reports: Path, notes: _Notes, *, everything: bool) -> HandOver:
    known = {} if everything else notes.read()
    told = _Told()
    waiting = []
    for found in _sealed_below(reports):
        if known.get(found.name) == found.state:
            continue
        try:
            waiting.append(_unfiled(found))
        except (StepwitnessError, KeyError, TypeError, AttributeError) as error:
            told.refused.append(f"{found.path}: isn't a {found.kind.name} that can be read: {error}")
    for one in sorted(waiting, key=lambda one: one.order):
        try:
            _file(store, one, told)
        except StoreUnreachable:
            raise
        except RecordDeleted as error:
            told.refused.append(str(error))
        except StepwitnessError as error:
            told.refused.append(str(error))
            continue
        notes.add(one)
    return HandOver(*(tuple(item) for item in vars(told).values()))


@dataclass
class _Told:
    """`HandOver` while it grows."""

    filed: list[StoredRecord] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    documents: list[str] = field(default_factory=list)
    signatures: list[str] = field(default_factory=list)


def _file(store: Store, one: _Unfiled, told: _Told) -> None:
    found = one.found
    if store.has(one.seal):
        if found.signatures:
            told.signatures += [f"{found.folder}/{name}" for name in store.file_signatures(found.path, one.seal)]
    elif found.kind is RECORD:
        told.filed.append(store.file(found.path.parent, folder=found.folder))
    else:
        broken = broken_places(found.path)
        if broken:
            raise StoreError(f"{found.path} isn't what was sealed: {broken[0]}")
        store.file_document(found.kind.name, found.folder, found.path)
        told.documents.append(found.name)


def _sealed_below(reports: Path) -> Iterator[_Found]:
    for above, _, names in os.walk(reports):
        for kind in KINDS:
            path = Path(above, kind.file)
            if kind.file in names and path.is_file():
                signatures = tuple(sorted(name for name in names if is_signature(name, path)))
                folder = path.parent.relative_to(reports).as_posix()
                yield _Found(kind, path, folder, path.stat().st_mtime_ns, signatures)


def _unfiled(found: _Found) -> _Unfiled:
    """What waits: records in the order of their chains, then other documents."""
    if found.kind is not RECORD:
        return _Unfiled(found, str(read_sealed(found.path).seal["sha256"]), (1, found.name))
    record = open_record(found.path.parent)
    run, chain = record.sections["run"], record.sections.get("chain") or {}
    place = (str(record.sections["bench"]["name"]), int(chain.get("number") or 0), str(run["started"]), run["attempt"])
    return _Unfiled(found, str(record.seal["sha256"]), (0, *place))


class _Notes:
    """What one store has, as JSON lines; a line that was torn is as good as none."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def read(self) -> dict[str, tuple[int, tuple[str, ...]]]:
        """When each sealed file was written, and its signatures, by its name here."""
        if not self._path.exists():
            return {}
        found: dict[str, tuple[int, tuple[str, ...]]] = {}
        for line in self._path.read_text(encoding="utf-8").splitlines():
            try:
                note: dict[str, Any] = json.loads(line)
                found[note["folder"]] = note["modified_ns"], tuple(note.get("signatures", ()))
            except (ValueError, KeyError, TypeError):
                continue
        return found

    def add(self, one: _Unfiled) -> None:
        modified_ns, signatures = one.found.state
        note = {"folder": one.found.name, "seal": one.seal, "modified_ns": modified_ns, "signatures": signatures}
        with open(self._path, "a", encoding="utf-8") as file:
            file.write(json.dumps(note) + "\n")
