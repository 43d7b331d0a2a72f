"""Kinds of sealed documents that stand in folders of their own: file, name in the store, and who draws their sheets."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Kind:
    """`name` : as what a document is told and kept. `renderers` : entry points that draw its sheet into its folder."""

    name: str
    file: str
    renderers: str


RECORD = Kind("record", "record.json", "stepwitness.reports")
LOT = Kind("lot", "lot.json", "stepwitness.lot_reports")
QUALIFICATION = Kind("qualification", "qualification.json", "stepwitness.qualification_reports")
INSTALLATION = Kind("installation", "installation.json", "stepwitness.installation_reports")

KINDS: Sequence[Kind] = (RECORD, LOT, QUALIFICATION, INSTALLATION)


def kind_of(file: Path) -> Kind | None:
    """The kind of a document by the name of its file; None for another file."""
    return next((kind for kind in KINDS if kind.file == file.name), None)
