"""Kinds of sealed documents: the name of each one's file, as what the store keeps it, and who draws its page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Kind:
    """A document that has a folder of its own.

    Attributes
    ----------
    name : as what the document is told and kept. file : its name there.
    renderers : the entry point group of those that draw its page into its folder.
    """

    name: str
    file: str
    renderers: str


RECORD = Kind("record", "record.json", "stepwitness.reports")
LOT = Kind("lot", "lot.json", "stepwitness.lot_reports")
QUALIFICATION = Kind("qualification", "qualification.json", "stepwitness.qualification_reports")
INSTALLATION = Kind("installation", "installation.json", "stepwitness.installation_reports")

KINDS: Sequence[Kind] = (RECORD, LOT, QUALIFICATION, INSTALLATION)

RESUMPTION_FILE = "resumption-{}.json"
"""A note that a supplier's inspection goes on, by its number: sealed, beside the folders of the supplier's lots."""

RESUMPTION_FILES = RESUMPTION_FILE.format("*[0-9]")
"""All of them, as a pattern that their signatures don't match."""


def kind_of(file: Path) -> Kind | None:
    """The kind of a document by the name of its file; None for another file."""
    return next((kind for kind in KINDS if kind.file == file.name), None)
