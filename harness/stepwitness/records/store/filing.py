"""A run's folder into rows: what is asked often goes into tables, every sealed byte into files.

1. A record goes in whole, in one transaction, or not at all.
2. Whoever files a seal that is there already changes nothing.
3. Words of several rows go in sorted, so that two writers never wait for each other crosswise.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, insert, select
from sqlalchemy.dialects.postgresql import insert as insert_postgresql
from sqlalchemy.dialects.sqlite import insert as insert_sqlite

from stepwitness.records.manifest import FILE, Record
from stepwitness.records.splits import splits_in
from stepwitness.records.store.models import (
    Base,
    CharacteristicRow,
    FindingRow,
    RecordRow,
    SplitsRow,
    SubjectRow,
)
from stepwitness.records.store.pieces import put_file


def table_of(model: type[Base]) -> Table:
    """The table behind a model."""
    table = model.__table__
    assert isinstance(table, Table)
    return table


def put_record(connection: Connection, record: Record, folder: str) -> None:
    """File a record that was verified; nothing changes where its seal is there."""
    sections, seal = record.sections, str(record.seal["sha256"])
    run, chain = sections["run"], sections.get("chain") or {}
    subject = {
        "bench": sections["bench"]["name"],
        "axis": sections["axis"]["name"],
        "serial": sections["axis"]["serial"],
        "plan": sections["plan"]["name"],
        "simulated": run["simulated"],
    }
    [subject_id] = _numbered(connection, SubjectRow, [subject])
    [splits_id] = _numbered(connection, SplitsRow, [{"content": _json(splits_in(sections))}])
    started = instant(run["started"])
    record_id = put_once(
        connection,
        RecordRow,
        {
            "seal": seal,
            "name": run["id"],
            "subject_id": subject_id,
            "splits_id": splits_id,
            "purpose": sections["plan"]["purpose"],
            "started": started,
            "ended": instant(run["ended"]),
            "verdict": run["verdict"],
            "worst": run["worst"],
            "partial": run["partial"],
            "attempt": run["attempt"],
            "previous": run["previous"],
            "folder": folder,
            "number": chain.get("number"),
            "previous_seal": chain.get("previous"),
            "filed": now(),
        },
    )
    if record_id is None:
        return
    _put_findings(connection, sections, record_id=record_id, subject_id=subject_id, started=started)
    for name in (FILE, *(entry["journal"] for entry in sections["procedures"])):
        put_file(connection, record_id, Path(record.directory) / name)


def _put_findings(
    connection: Connection, sections: Mapping[str, Any], *, record_id: int, subject_id: int, started: str
) -> None:
    rows = _finding_rows(sections)
    if not rows:
        return
    numbers = _numbered(connection, CharacteristicRow, [characteristic for characteristic, _ in rows])
    connection.execute(
        insert(FindingRow),
        [
            {
                "record_id": record_id,
                "position": position,
                "characteristic_id": number,
                "subject_id": subject_id,
                "started": started,
                **columns,
            }
            for position, (number, (_, columns)) in enumerate(zip(numbers, rows, strict=True))
        ],
    )


def _finding_rows(sections: Mapping[str, Any]) -> list[tuple[dict[str, Any], dict[str, Any]]]:
    """Characteristic and columns of each finding in the record's order, then of each estimate without a limit."""
    estimates = {
        (entry["id"], estimate["name"]): estimate for entry in sections["procedures"] for estimate in entry["estimates"]
    }
    findings = {(one["procedure"], one["characteristic"]): one for one in sections["findings"]}
    rows = []
    for key in (*findings, *(key for key in estimates if key not in findings)):
        finding, estimate = findings.get(key), estimates.get(key)
        told = finding if finding is not None else estimates[key]
        characteristic = {
            "procedure": key[0],
            "name": key[1],
            "title": told["title"],
            "symbol": told["symbol"],
            "kind": estimate["kind"] if estimate else "",
            "unit": told["unit"],
        }
        columns = {
            "value": told["value"],
            "u": told["u"],
            "expanded": told["U"],
            "k": told["k"],
            "bound": finding["limit"] if finding else None,
            "sense": finding["sense"] if finding else None,
            "rule": finding["rule"] if finding else None,
            "verdict": finding["verdict"] if finding else None,
            "statement": told["statement"],
            "reason": told["reason"],
        }
        rows.append((characteristic, columns))
    return rows


# -- rows that stand once ------------------------------------------------------------------------------------


def put_once(connection: Connection, model: type[Base], columns: Mapping[str, Any]) -> int | None:
    """Insert a row; its number, or None where one with the same key is there."""
    dialect = insert_postgresql if connection.dialect.name == "postgresql" else insert_sqlite
    table = table_of(model)
    statement = dialect(table).values(**columns).on_conflict_do_nothing().returning(table.c.id)
    return connection.execute(statement).scalar()


def _numbered(connection: Connection, model: type[Base], rows: Sequence[Mapping[str, Any]]) -> list[int]:
    """The number of each of `rows` in a table where each stands once."""
    by_digest = {_digest(row): row for row in rows}
    found = _numbers(connection, model, by_digest)
    lacking = sorted(set(by_digest) - set(found))
    for digest in lacking:
        put_once(connection, model, {"digest": digest, **by_digest[digest]})
    if lacking:
        found |= _numbers(connection, model, lacking)
    return [found[_digest(row)] for row in rows]


def _numbers(connection: Connection, model: type[Base], digests: Iterable[str]) -> dict[str, int]:
    table = table_of(model)
    statement = select(table.c.digest, table.c.id).where(table.c.digest.in_(list(digests)))
    return {row.digest: row.id for row in connection.execute(statement)}


def _digest(row: Mapping[str, Any]) -> str:
    return hashlib.sha256(_json(row).encode()).hexdigest()


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


# -- times ---------------------------------------------------------------------------------------------------


def instant(text: str) -> str:
    """An ISO 8601 time or day as the store sorts it: UTC, to the second. A time without a zone is UTC already."""
    told = datetime.fromisoformat(text)
    return (told if told.tzinfo else told.replace(tzinfo=UTC)).astimezone(UTC).isoformat(timespec="seconds")


def now() -> str:
    """The present, as the store sorts it."""
    return datetime.now(UTC).isoformat(timespec="seconds")
