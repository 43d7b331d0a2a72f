"""What is read from the store: a page of records, the findings of one, the trend of a characteristic.

Queries select columns, not objects, and each answers from an index: a page by time, a trend by characteristic and
subject.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, bindparam, or_, select, tuple_

from stepwitness.records.store.errors import StoreError
from stepwitness.records.store.filing import instant
from stepwitness.records.store.models import CharacteristicRow, FindingRow, RecordRow, SplitsRow, SubjectRow
from stepwitness.records.store.stored import StoredFinding, StoredRecord, TrendPoint

_EQUAL: dict[str, Any] = {
    "bench": SubjectRow.bench,
    "axis": SubjectRow.axis,
    "serial": SubjectRow.serial,
    "plan": SubjectRow.plan,
    "simulated": SubjectRow.simulated,
    "purpose": RecordRow.purpose,
    "verdict": RecordRow.verdict,
}
"""What may be asked to be equal, by its name."""

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


# Outer joins, though each row has its partner: they keep a planner from beginning with a table of few rows and going
# through the large one for each of them.
_RECORDS: Select[Any] = (
    select(*_RECORD)
    .select_from(RecordRow)
    .join(SubjectRow, RecordRow.subject_id == SubjectRow.id)
    .outerjoin(SplitsRow, RecordRow.splits_id == SplitsRow.id)
)


def _stored(rows: Sequence[Any]) -> tuple[StoredRecord, ...]:
    return tuple([StoredRecord(*(*columns, splits(content))) for *columns, content in rows])


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
    asked = {
        **subject,
        **record,
        "since": since and instant(since),
        "until": until and instant(until),
        "after_started": after and after.started,
        "after_seal": after and after.seal,
        "limit": limit,
    }
    values = {name: value for name, value in asked.items() if _is_asked(value)}
    return _stored(connection.execute(_page(frozenset(values)), values).all())


@lru_cache(maxsize=256)
def _page(given: frozenset[str]) -> Select[Any]:
    """The query of a page by the names of what is asked: putting one together takes longer than running it."""
    conditions = {name: column == bindparam(name) for name, column in _EQUAL.items()}
    conditions["unlabelled"] = SubjectRow.serial == ""
    conditions["since"] = RecordRow.started >= bindparam("since")
    conditions["until"] = RecordRow.started < bindparam("until")
    conditions["after_seal"] = tuple_(RecordRow.started, RecordRow.seal) < tuple_(
        bindparam("after_started"), bindparam("after_seal")
    )
    wanted = _RECORDS.where(*(condition for name, condition in conditions.items() if name in given))
    wanted = wanted.order_by(RecordRow.started.desc(), RecordRow.seal.desc())
    return wanted.limit(bindparam("limit")) if "limit" in given else wanted


def _equal(wanted: Mapping[str, Any]) -> list[ColumnElement[bool]]:
    """What a subject must be; `unlabelled` asks for those without a serial number."""
    found = [_EQUAL[name] == value for name, value in wanted.items() if name in _EQUAL and _is_asked(value)]
    return [*found, SubjectRow.serial == ""] if wanted.get("unlabelled") else found


def _is_asked(value: Any) -> bool:
    return value not in ("", None)


def record_by_seal(connection: Connection, prefix: str) -> StoredRecord | None:
    """The record whose seal begins so; None where there is none.

    Raises
    ------
    StoreError : where several do.
    """
    found = _stored(
        connection.execute(_RECORDS.where(RecordRow.seal >= prefix, RecordRow.seal < f"{prefix}g").limit(2)).all()
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
    wanted = _RECORDS.where(or_(RecordRow.name == name, RecordRow.folder.in_([name, f"{bench}/{name}"])))
    if bench:
        wanted = wanted.where(SubjectRow.bench == bench)
    found = _stored(connection.execute(wanted.limit(2)).all())
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


_POINT: tuple[Any, ...] = (
    RecordRow.seal,
    FindingRow.started,
    SubjectRow.bench,
    SubjectRow.serial,
    FindingRow.value,
    FindingRow.expanded,
    FindingRow.k,
    CharacteristicRow.unit,
    FindingRow.verdict,
    FindingRow.bound,
    SplitsRow.content,
    FindingRow.u,
    SubjectRow.simulated,
    CharacteristicRow.procedure,
    SubjectRow.plan,
)


_POINTS: Select[Any] = (
    select(*_POINT)
    .select_from(FindingRow)
    .outerjoin(CharacteristicRow, FindingRow.characteristic_id == CharacteristicRow.id)
    .outerjoin(SubjectRow, FindingRow.subject_id == SubjectRow.id)
    .outerjoin(RecordRow, FindingRow.record_id == RecordRow.id)
    .outerjoin(SplitsRow, RecordRow.splits_id == SplitsRow.id)
    .where(FindingRow.value.is_not(None))
)
_POINTS_IN_ORDER = (FindingRow.started, RecordRow.attempt, RecordRow.id)


def trend_of(
    connection: Connection,
    *,
    procedure: str,
    characteristic: str,
    subject: Mapping[str, Any],
    since: str,
    limit: int | None,
    oldest: bool,
) -> tuple[TrendPoint, ...]:
    """Oldest first; of more than `limit`, the newest, or the `oldest`. Records without a value of it are left out."""
    named = select(CharacteristicRow.id).where(CharacteristicRow.name == characteristic)
    if procedure:
        named = named.where(CharacteristicRow.procedure == procedure)
    order = _POINTS_IN_ORDER if oldest else tuple(column.desc() for column in _POINTS_IN_ORDER)
    wanted = _POINTS.where(_among(connection, FindingRow.characteristic_id, named)).order_by(*order).limit(limit)
    if of := _equal(subject):
        wanted = wanted.where(_among(connection, FindingRow.subject_id, select(SubjectRow.id).where(*of)))
    if since:
        wanted = wanted.where(FindingRow.started >= instant(since))
    rows = connection.execute(wanted).all()
    return tuple(
        TrendPoint(seal, started, bench, serial, value, expanded, k, unit, verdict or "", bound, splits(told), *rest)
        for seal, started, bench, serial, value, expanded, k, unit, verdict, bound, told, *rest in (
            rows if oldest else reversed(rows)
        )
    )


def _among(connection: Connection, column: Any, numbers: Select[Any]) -> ColumnElement[bool]:
    """A column is one of the numbers. Of one alone it is told which: the index then gives the order by time, and of a
    long history no more is read than the limit lets through."""
    few = connection.scalars(numbers.limit(2)).all()
    condition: ColumnElement[bool] = column == few[0] if len(few) == 1 else column.in_(numbers)
    return condition


def last_split_of(connection: Connection, *, subject: Mapping[str, Any]) -> str:
    """When the last record began that was made with something else than the newest one; empty where none was."""
    mine = RecordRow.subject_id.in_(select(SubjectRow.id).where(*_equal(subject)))
    newest = select(RecordRow.splits_id).where(mine).order_by(RecordRow.started.desc(), RecordRow.seal.desc()).limit(1)
    wanted = select(RecordRow.started).where(mine, RecordRow.splits_id != newest.scalar_subquery())
    return connection.scalar(wanted.order_by(RecordRow.started.desc()).limit(1)) or ""


def names_of(connection: Connection, column: str) -> Sequence[str]:
    """Every bench, axis, serial or plan of the store's records, for a near miss."""
    return list(connection.scalars(select(getattr(SubjectRow, column)).distinct()))


def characteristics_of(connection: Connection) -> Sequence[str]:
    """Every characteristic that a record of the store ever had."""
    return list(connection.scalars(select(CharacteristicRow.name).distinct().order_by(CharacteristicRow.name)))
