"""What the store adds to the folders: records of a unit that other runs left, and a lot's document beside them.

Folders are the truth. A store that can't be reached costs a line, and no sentence.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from stepwitness.errors import StepwitnessError
from stepwitness.records.kinds import LOT
from stepwitness.records.store import Document, StoredRecord, leave, open_store
from stepwitness.records.store.address import Address


def file_lot(reports: Path, document: Path | None) -> list[str]:
    """Hand over every record that the store hasn't, and the lot's `document` where it has its sentence.

    Returns
    -------
    What stayed behind, each in a sentence.
    """
    behind = leave(reports, None if document is None else Document.below(reports, LOT, document))
    if behind.trouble:
        return [f"not in the store yet: {behind.trouble}"]
    return [f"not in the store: {one}" for one in behind.refused]


def earlier_record(
    reports: Path, *, axis: str, serial: str, simulated: bool, but: Collection[str]
) -> StoredRecord | None:
    """The newest record of a unit that the store has, other than those whose seals are `but`; None where there is none.

    No store is made to look into, and one that can't be reached knows of none.
    """
    file = Address(reports=reports).file
    if file is not None and not file.exists():
        return None
    try:
        with open_store(reports=reports) as store:
            found = store.records(axis=axis, serial=serial, simulated=simulated, limit=len(but) + 1)
    except StepwitnessError:
        return None
    return next((one for one in found if one.seal not in but), None)
