"""What a piece of work leaves to the store at its end: records that the store hasn't, and a sealed document of its own.

Folders are the truth. A store that can't be reached is told, and costs neither work nor verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from stepwitness.errors import StepwitnessError
from stepwitness.records.kinds import Kind
from stepwitness.records.store.handing_over import hand_over
from stepwitness.records.store.store import open_store


@dataclass(frozen=True)
class Document:
    """A sealed document, as what the store keeps it (`kind`), and by which key among those: its folder of reports."""

    kind: str
    key: str
    path: Path

    @classmethod
    def below(cls, reports: Path, kind: Kind, path: Path) -> Document:
        """One whose key is its folder below `reports`."""
        return cls(kind.name, path.parent.absolute().relative_to(reports.absolute()).as_posix(), path)


@dataclass(frozen=True)
class Behind:
    """What the store hasn't got: `refused`, folders each with its reason; `trouble`, why the store wasn't reached."""

    refused: tuple[str, ...] = ()
    trouble: str = ""


def leave(reports: Path, document: Document | None = None, *, where: str | None = None, records: bool = True) -> Behind:
    """Hand over every record below `reports` that the store hasn't, unless not `records`, and file a document.

    `where` : the store, as for `open_store`.
    """
    refused: tuple[str, ...] = ()
    try:
        with open_store(where, reports=reports) as store:
            if records:
                refused = hand_over(store, reports).refused
            if document is not None:
                store.file_document(document.kind, document.key, document.path)
    except StepwitnessError as error:
        return Behind(refused, " ".join(str(error).splitlines()))
    return Behind(refused)
