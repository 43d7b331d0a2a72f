"""The findings of records as plain rows, for other programs: one a finding, with what its record says.

Numbers are SI; `record_verdict` is the record's, `verdict` the finding's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict
from typing import Any

from stepwitness.records.store.store import Store
from stepwitness.records.store.stored import StoredRecord

PAGE = 200

COLUMNS: dict[str, type] = {
    "seal": str,
    "id": str,
    "bench": str,
    "axis": str,
    "serial": str,
    "plan": str,
    "purpose": str,
    "started": str,
    "ended": str,
    "record_verdict": str,
    "partial": bool,
    "attempt": int,
    "simulated": bool,
    "procedure": str,
    "characteristic": str,
    "title": str,
    "symbol": str,
    "kind": str,
    "unit": str,
    "value": float,
    "u": float,
    "expanded": float,
    "k": float,
    "limit": float,
    "sense": str,
    "rule": str,
    "verdict": str,
    "statement": str,
    "reason": str,
}
"""Each column and its type; numbers may be missing."""


def finding_rows(store: Store, records: Iterable[StoredRecord]) -> Iterator[dict[str, Any]]:
    """A row for each finding and estimate, in the order of `records`."""
    for record in records:
        told = asdict(record)
        told["record_verdict"] = told.pop("verdict")
        for finding in store.findings(record.seal):
            row = {**told, **asdict(finding)}
            yield {name: row[name] for name in COLUMNS}


def every_record(store: Store, **chosen: Any) -> Iterator[StoredRecord]:
    """All records that `Store.records` would page through, newest first."""
    after: StoredRecord | None = None
    while page := store.records(after=after, limit=PAGE, **chosen):
        yield from page
        after = page[-1]
