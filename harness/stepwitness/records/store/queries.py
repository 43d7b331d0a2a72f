"""What is read from the store: a page of records, the findings of one, the trend of a characteristic.

Queries select columns, not objects, and each answers from an index: a page by time, a trend by characteristic and
subject.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, or_, select, tuple_

from stepwitness.records.store.errors import StoreError
from stepwitness.records.store.filing import instant
from stepwitness.records.store.models import CharacteristicRow, FindingRow, RecordRow, SplitsRow, SubjectRow
from stepwitness.records.store.stored import StoredFinding, StoredRecord, TrendPoint

_RECORD: tuple[Any, ...] = (
    RecordRow.seal,
    RecordRow.name,
    SubjectRow.bench,
    SubjectRow.axis,
    SubjectRow.serial,
    SubjectRow.plan,
    RecordRow.purpose,
    RecordRow.started,
    RecordRow.ended,
    RecordRow.verdict,
    RecordRow.worst,
    RecordRow.partial,
    RecordRow.attempt,
    RecordRow.previous,
    SubjectRow.simulated,
    RecordRow.folder,
    SplitsRow.content,
)


def _records() -> Select[Any]:
    return (
        select(*_RECORD)
        .select_from(RecordRow)
        .join(SubjectRow, RecordRow.subject_id == SubjectRow.id)
        .join(SplitsRow, RecordRow.splits_id == SplitsRow.id)
    )


def _stored(rows: Any) -> tuple[StoredRecord, ...]:
    return tuple(StoredRecord(*(*columns, splits(content))) for *columns, content in rows)


@lru_cache(maxsize=1024)
def splits(content: str) -> Mapping[str, str]:
    """The texts by name; the same object for the same content."""
    read: dict[str, str] = json.loads(content)
    return read


def records_where(
    connection: Connection,
    *,
    subject: Mapping[str, Any],
    record: Mapping[str, str],
    since: str,
    until: str,
    after: StoredRecord | None,
    limit: int | None,
) -> tuple[StoredRecord, ...]:
    """Newest first. `subject` and `record` are columns that must be equal; `until` isn't included."""
    wanted = _records().order_by(RecordRow.started.desc(), RecordRow.seal.desc()).limit(limit)
    if _equal(subject):
        numbers = _few(connection, subject)
        wanted = wanted.where(*(_equal(subject) if numbers is None else [RecordRow.subject_id.in_(numbers)]))
    wanted = wanted.where(*(getattr(RecordRow, name) == value for name, value in record.items() if value))
    if since:
        wanted = wanted.where(RecordRow.started >= instant(since))
    if until:
        wanted = wanted.where(RecordRow.started < instant(until))
    if after is not None:
        wanted = wanted.where(tuple_(RecordRow.started, RecordRow.seal) < tuple_(after.started, after.seal))
    return _stored(connection.execute(wanted))


_FEW = 200
"""Subjects that a query lists by number; more are found by joining."""


def _equal(wanted: Mapping[str, Any]) -> list[ColumnElement[bool]]:
    return [getattr(SubjectRow, name) == value for name, value in wanted.items() if value not in ("", None)]


def _few(connection: Connection, wanted: Mapping[str, Any]) -> list[int] | None:
    """The numbers of the subjects that are meant; None where they are many."""
    numbers = list(connection.scalars(select(SubjectRow.id).where(*_equal(wanted)).limit(_FEW + 1)))
    return numbers if len(numbers) <= _FEW else None


def _of_subjects(connection: Connection, wanted: Mapping[str, Any]) -> list[ColumnElement[bool]]:
    """What a finding's subject must be."""
    if not _equal(wanted):
        return []
    numbers = _few(connection, wanted)
    return [FindingRow.subject_id.in_(select(SubjectRow.id).where(*_equal(wanted)) if numbers is None else numbers)]


def record_by_seal(connection: Connection, prefix: str) -> StoredRecord | None:
    """The record whose seal begins so; None where there is none.

    Raises
    ------
    StoreError : where several do.
    """
    found = _stored(
        connection.execute(_records().where(RecordRow.seal >= prefix, RecordRow.seal < f"{prefix}g").limit(2))
    )
    if len(found) > 1:
        raise StoreError(f"several records have a seal that begins with {prefix}; give more of it")
    return found[0] if found else None


def record_by_name(connection: Connection, *, bench: str, name: str) -> StoredRecord | None:
    """The record of a run on a bench, by the run's id or by the name of its folder; on any bench where it is empty.

    Raises
    ------
    StoreError : where several are so named.
    """
    wanted = _records().where(or_(RecordRow.name == name, RecordRow.folder.in_([name, f"{bench}/{name}"])))
    if bench:
        wanted = wanted.where(SubjectRow.bench == bench)
    found = _stored(connection.execute(wanted.limit(2)))
    if len(found) > 1:
        raise StoreError(f"several records are named {name}; name one by its seal")
    return found[0] if found else None


def findings_of(connection: Connection, seal: str) -> tuple[StoredFinding, ...]:
    """In the record's order, those without a limit last."""
    columns: tuple[Any, ...] = (
        CharacteristicRow.procedure,
        CharacteristicRow.name,
        CharacteristicRow.title,
        CharacteristicRow.symbol,
        CharacteristicRow.kind,
        CharacteristicRow.unit,
        FindingRow.value,
        FindingRow.u,
        FindingRow.expanded,
        FindingRow.k,
        FindingRow.bound,
        FindingRow.sense,
        FindingRow.rule,
        FindingRow.verdict,
        FindingRow.statement,
        FindingRow.reason,
    )
    wanted = (
        select(*columns)
        .join(CharacteristicRow, FindingRow.characteristic_id == CharacteristicRow.id)
        .join(RecordRow, FindingRow.record_id == RecordRow.id)
        .where(RecordRow.seal == seal)
        .order_by(FindingRow.position)
    )
    return tuple(
        StoredFinding(*(*facts, sense or "", rule or "", verdict or "", statement, reason))
        for *facts, sense, rule, verdict, statement, reason in connection.execute(wanted)
    )


def trend_of(
    connection: Connection,
    *,
    procedure: str,
    characteristic: str,
    subject: Mapping[str, Any],
    since: str,
    limit: int | None,
) -> tuple[TrendPoint, ...]:
    """Oldest first; of more than `limit`, the newest. Records in which it has no value are left out."""
    named = [CharacteristicRow.name == characteristic]
    if procedure:
        named.append(CharacteristicRow.procedure == procedure)
    units = {
        number: (id, unit)
        for number, id, unit in connection.execute(
            select(CharacteristicRow.id, CharacteristicRow.procedure, CharacteristicRow.unit).where(*named)
        )
    }
    chosen = [
        FindingRow.characteristic_id.in_(list(units)),
        FindingRow.value.is_not(None),
        *_of_subjects(connection, subject),
    ]
    if since:
        chosen.append(FindingRow.started >= instant(since))
    columns: tuple[Any, ...] = (
        RecordRow.seal,
        FindingRow.started,
        FindingRow.subject_id,
        FindingRow.characteristic_id,
        FindingRow.value,
        FindingRow.expanded,
        FindingRow.k,
        FindingRow.verdict,
        FindingRow.bound,
        RecordRow.splits_id,
        FindingRow.u,
    )
    wanted = (
        select(*columns)
        .join(RecordRow, FindingRow.record_id == RecordRow.id)
        .where(and_(*chosen))
        .order_by(FindingRow.started.desc(), RecordRow.attempt.desc(), RecordRow.id.desc())
        .limit(limit)
    )
    rows = connection.execute(wanted).all()
    contents = {
        number: splits(content)
        for number, content in _by_number(connection, {row[9] for row in rows}, SplitsRow.id, SplitsRow.content)
    }
    subjects = {
        number: facts
        for number, *facts in _by_number(
            connection,
            {row[2] for row in rows},
            SubjectRow.id,
            SubjectRow.bench,
            SubjectRow.serial,
            SubjectRow.simulated,
            SubjectRow.plan,
        )
    }
    points = []
    for seal, started, of, which, value, expanded, k, verdict, bound, made_with, u in reversed(rows):
        bench, serial, simulated, plan = subjects[of]
        id, unit = units[which]
        told = contents[made_with]
        points.append(
            TrendPoint(
                seal,
                started,
                bench,
                serial,
                value,
                expanded,
                k,
                unit,
                verdict or "",
                bound,
                told,
                u,
                simulated,
                id,
                plan,
            )
        )
    return tuple(points)


def _by_number(connection: Connection, numbers: set[int], id: Any, *columns: Any) -> Iterator[Any]:
    """Columns of the rows of those numbers, `id` first."""
    ordered = sorted(numbers)
    for at in range(0, len(ordered), _FEW):
        yield from connection.execute(select(id, *columns).where(id.in_(ordered[at : at + _FEW])))


def names_of(connection: Connection, column: str) -> Sequence[str]:
    """Every bench, axis, serial or plan of the store's records, for a near miss."""
    return list(connection.scalars(select(getattr(SubjectRow, column)).distinct()))


def characteristics_of(connection: Connection) -> Sequence[str]:
    """Every characteristic that a record of the store ever had."""
    return list(connection.scalars(select(CharacteristicRow.name).distinct().order_by(CharacteristicRow.name)))
