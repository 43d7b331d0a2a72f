"""The chains of the store's records: each names the one before it, and that one is there or was deleted on purpose."""

from __future__ import annotations

from typing import Any, NamedTuple

from sqlalchemy import Connection, select

from stepwitness.records.store.models import DeletionRow, RecordRow, SubjectRow


class _Link(NamedTuple):
    seal: str
    folder: str
    number: int
    previous: str | None


_KEPT: tuple[Any, ...] = (RecordRow.seal, RecordRow.folder, RecordRow.number, RecordRow.previous_seal)
_GONE: tuple[Any, ...] = (DeletionRow.seal, DeletionRow.folder, DeletionRow.number, DeletionRow.previous_seal)


def broken_chains(connection: Connection, *, bench: str = "") -> list[str]:
    """Each record whose predecessor is missing, has another number, or has two successors; in a sentence.

    Records without a chain, and those that are still on their way at its end, can't be missed here.
    """
    kept = select(*_KEPT).where(RecordRow.number.is_not(None))
    gone = select(*_GONE).where(DeletionRow.number.is_not(None))
    if bench:
        kept = kept.join(SubjectRow, RecordRow.subject_id == SubjectRow.id).where(SubjectRow.bench == bench)
        gone = gone.where(DeletionRow.bench == bench)
    links = sorted((_Link(*row) for row in connection.execute(kept.union_all(gone))), key=lambda link: link.number)
    by_seal = {link.seal: link for link in links}
    followed: dict[str, _Link] = {}
    broken = []
    for link in links:
        if link.previous is None:
            continue
        before = by_seal.get(link.previous)
        if before is None:
            broken.append(f"{link.folder}: record {link.number - 1}, which it follows, is missing")
        elif before.number != link.number - 1:
            broken.append(f"{link.folder}: record {link.number} can't follow {before.folder}, record {before.number}")
        earlier = followed.setdefault(link.previous, link)
        if earlier is not link:
            broken.append(f"{link.folder} and {earlier.folder} both follow record {link.number - 1}")
    return broken
