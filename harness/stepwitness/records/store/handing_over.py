"""The folders of a rig to its store: each record once and in order, however often the way there is lost.

1. A folder is the truth until the store has its record; a note beside the folders says only where nobody needs to look
   again. Without notes, or for another store, everything is asked anew and nothing is filed twice.
2. Records of one bench go in the order of their chain; those without one before, by the time of their start.
3. A record that isn't what was sealed stays behind and is told; the others don't wait for it.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock

from stepwitness.errors import StepwitnessError
from stepwitness.records.manifest import FILE, open_record
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
    """

    filed: tuple[StoredRecord, ...]
    refused: tuple[str, ...]


@dataclass(frozen=True)
class _Unfiled:
    folder: str
    seal: str
    modified_ns: int
    order: tuple[str, int, str, int]


def hand_over(store: Store, reports: Path, *, everything: bool = False) -> HandOver:
    """File every record below `reports` that the store hasn't.

    Parameters
    ----------
    everything : ask for each folder anew, as after the store was restored from a copy of long ago.

    Raises
    ------
    StoreUnreachable : where the way to the store is lost; what was filed is noted, and the rest goes next time.
    """
    reports = Path(reports)
    if not reports.is_dir():
        return HandOver((), ())
    folder = reports / NOTES
    try:
        folder.mkdir(exist_ok=True)
        with FileLock(folder / "lock"):
            return _handed_over(store, reports, _Notes(folder / f"{store.identity}.jsonl"), everything=everything)
    except OSError as error:
        raise StoreError(f"{folder}: can't be written: {error.strerror}") from error


def _handed_over(store: Store, reports: Path, notes: _Notes, *, everything: bool) -> HandOver:
    known = {} if everything else notes.read()
    filed: list[StoredRecord] = []
    waiting, refused = [], []
    for path in _record_files(reports):
        name = path.parent.relative_to(reports).as_posix()
        modified_ns = path.stat().st_mtime_ns
        if known.get(name) == modified_ns:
            continue
        try:
            waiting.append(_unfiled(path, name, modified_ns))
        except (StepwitnessError, KeyError, TypeError, AttributeError) as error:
            refused.append(f"{path}: isn't a record that can be read: {error}")
    for one in sorted(waiting, key=lambda one: one.order):
        try:
            if not store.has(one.seal):
                filed.append(store.file(reports / one.folder, folder=one.folder))
        except StoreUnreachable:
            raise
        except RecordDeleted as error:
            refused.append(str(error))
        except StepwitnessError as error:
            refused.append(str(error))
            continue
        notes.add(one)
    return HandOver(tuple(filed), tuple(refused))


def _record_files(reports: Path) -> Iterator[Path]:
    return (path for path in reports.rglob(FILE) if path.is_file())


def _unfiled(path: Path, folder: str, modified_ns: int) -> _Unfiled:
    record = open_record(path.parent)
    run, chain = record.sections["run"], record.sections.get("chain") or {}
    order = (str(record.sections["bench"]["name"]), int(chain.get("number") or 0), str(run["started"]), run["attempt"])
    return _Unfiled(folder, str(record.seal["sha256"]), modified_ns, order)


class _Notes:
    """Which folders one store has, as JSON lines; a line that was torn is as good as none."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def read(self) -> dict[str, int]:
        """When the record of each folder was written, by the folder's name."""
        if not self._path.exists():
            return {}
        found: dict[str, int] = {}
        for line in self._path.read_text(encoding="utf-8").splitlines():
            try:
                note: dict[str, Any] = json.loads(line)
                found[note["folder"]] = note["modified_ns"]
            except (ValueError, KeyError, TypeError):
                continue
        return found

    def add(self, one: _Unfiled) -> None:
        note = {"folder": one.folder, "seal": one.seal, "modified_ns": one.modified_ns}
        with open(self._path, "a", encoding="utf-8") as file:
            file.write(json.dumps(note) + "\n")
