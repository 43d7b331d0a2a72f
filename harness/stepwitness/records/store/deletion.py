"""Deleting a record is an act that leaves a record of its own: who, when, why, and the place in the chain.

1. Findings, journals and the record itself go; the seal, the run's name and the bench stay.
2. A deleted record isn't taken in again.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, delete, insert, select

from stepwitness.records.store.errors import RecordDeleted
from stepwitness.records.store.filing import now
from stepwitness.records.store.models import DeletionRow, FileRow, FindingRow, PieceRow, RecordRow, SubjectRow
from stepwitness.records.store.stored import Deletion

_KEPT: tuple[Any, ...] = (
    RecordRow.seal,
    RecordRow.name,
    SubjectRow.bench,
    RecordRow.folder,
    RecordRow.started,
    RecordRow.number,
    RecordRow.previous_seal,
)
_DELETION: tuple[Any, ...] = (
    DeletionRow.seal,
    DeletionRow.name,
    DeletionRow.bench,
    DeletionRow.folder,
    DeletionRow.started,
    DeletionRow.number,
    DeletionRow.previous_seal,
    DeletionRow.deleted,
    DeletionRow.by,
    DeletionRow.why,
)


def delete_record(connection: Connection, seal: str, *, by: str, why: str) -> None:
    """Delete the record of this seal and remember that; nothing where there is none."""
    row = connection.execute(
        select(RecordRow.id, *_KEPT)
        .join(SubjectRow, RecordRow.subject_id == SubjectRow.id)
        .where(RecordRow.seal == seal)
        .with_for_update(of=RecordRow)
    ).first()
    if row is None:
        return
    number, *kept = row
    values = (*kept, now(), by, why)
    connection.execute(
        insert(DeletionRow).values({column.key: value for column, value in zip(_DELETION, values, strict=True)})
    )
    files = select(FileRow.id).where(FileRow.record_id == number)
    connection.execute(delete(PieceRow).where(PieceRow.file_id.in_(files)))
    connection.execute(delete(FileRow).where(FileRow.record_id == number))
    connection.execute(delete(FindingRow).where(FindingRow.record_id == number))
    connection.execute(delete(RecordRow).where(RecordRow.id == number))


def deletions_of(connection: Connection, *, bench: str = "", seal: str = "") -> tuple[Deletion, ...]:
    """Every deletion, or those of a bench or a seal, in the order in which they were made."""
    wanted = select(*_DELETION).order_by(DeletionRow.deleted, DeletionRow.seal)
    if bench:
        wanted = wanted.where(DeletionRow.bench == bench)
    if seal:
        wanted = wanted.where(DeletionRow.seal == seal)
    return tuple(Deletion(*row) for row in connection.execute(wanted))


def refuse_deleted(connection: Connection, seal: str) -> None:
    """Raise `RecordDeleted` where the record of this seal was deleted."""
    for one in deletions_of(connection, seal=seal):
        by = f" by {one.by}" if one.by else ""
        raise RecordDeleted(f"the record {one.folder} was deleted on {one.deleted}{by}: {one.why}")
