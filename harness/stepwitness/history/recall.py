"""An instrument that is found out of calibration: every record that rests on it since it was last known to be good.

1. An instrument is named by its certificate, or by a word of its identity such as a serial number, and followed from
   bench to bench, as far as records name it. A role on a bench stands for what the newest record has there.
2. It was good where a check standard found it so: PASS, and what it was before. Where none ever did, every record with
   that instrument is listed.
3. A day from outside, such as that of its last valid calibration, goes before what check standards say.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from stepwitness.errors import BadInput, near_miss
from stepwitness.history.past import instant
from stepwitness.procedures.check_standard import INSTRUMENTS
from stepwitness.records.manifest import FILE
from stepwitness.records.store import Store, StoredRecord


@dataclass(frozen=True)
class Suspect:
    """A record that rests on the instrument, and in which part."""

    record: StoredRecord
    roles: tuple[str, ...]


@dataclass(frozen=True)
class Recall:
    """What rests on an instrument since it was last good, newest first.

    `last_good` is the record that found it so, or None; `since` the instant from which on, or an empty text.
    """

    instrument: str
    suspects: tuple[Suspect, ...]
    last_good: StoredRecord | None
    since: str = ""


def recall(store: Store, instrument: str, *, bench: str = "", since: str = "") -> Recall:
    """Every record since the instrument's last good one.

    Parameters
    ----------
    instrument : a certificate or a word of an identity. bench : records of that bench alone.
    since : an ISO 8601 day or instant of the last good calibration, where it is known from outside.

    Raises
    ------
    BadInput : where no record names such an instrument: a slip of the pen must not look like nothing to recall.
    """
    suspects: list[Suspect] = []
    good: StoredRecord | None = None
    records = store.records(bench=bench, limit=None)
    _refuse_unknown(records, instrument)
    for record in records:
        if since and instant(record.started) < instant(since):
            break
        if good is not None and record.started != good.started:  # of one instant, none is known to be the earlier
            break
        roles = roles_of(record.splits, instrument)
        if not roles:
            continue
        if not since and found_good(_sections(store, record), roles):
            good = good or record
        else:
            suspects.append(Suspect(record, roles))
    return Recall(instrument, tuple(suspects), good, since)


def _refuse_unknown(records: Iterable[StoredRecord], instrument: str) -> None:
    words: set[str] = set()
    for record in records:
        if roles_of(record.splits, instrument):
            return
        words.update(word for told in _named(record.splits).values() for one in told for word in (one, *one.split()))
    raise BadInput(
        "no record names such an instrument",
        found=f"'{instrument}'",
        allowed="a certificate, or a word of what a part says it is, as records have them",
        cure=near_miss(instrument, sorted(words)),
    )


def in_role(store: Store, role: str, *, bench: str) -> str:
    """The certificate, or else the identity, of the part that the newest record of a bench has in a role; an empty
    text where it has none."""
    for record in store.records(bench=bench, limit=1):
        return next(iter(_named(record.splits).get(role, ())), "")
    return ""


def roles_of(splits: Mapping[str, str], instrument: str) -> tuple[str, ...]:
    """The parts that a record knows by this word."""
    return tuple(
        role
        for role, told in sorted(_named(splits).items())
        if any(instrument == words or instrument in words.split() for words in told)
    )


def _named(splits: Mapping[str, str]) -> dict[str, list[str]]:
    """By role, what a record calls the part: its certificate first, then its identity."""
    named: dict[str, list[str]] = {}
    for name in ("calibration", "firmware"):
        for told in filter(None, splits.get(name, "").split(", ")):
            role, _, words = told.partition(" ")
            named.setdefault(role, []).append(words)
    return named


def found_good(sections: Mapping[str, Any], roles: Iterable[str]) -> bool:
    """Whether the check standards of a record found each of those parts good: all PASS, and none moved."""
    checked = {role: list(_checks(sections, role)) for role in roles}
    return all(found and all(found) for found in checked.values())


def _checks(sections: Mapping[str, Any], role: str) -> Iterator[bool]:
    moved = {
        (one["procedure"], one["characteristic"])
        for one in (sections.get("history") or {}).get("characteristics", ())
        if one["changed"]
    }
    for finding in sections["findings"]:
        key = finding["procedure"], finding["characteristic"]
        if INSTRUMENTS.get(finding["characteristic"]) == role:
            yield finding["verdict"] == "PASS" and key not in moved


def _sections(store: Store, record: StoredRecord) -> Mapping[str, Any]:
    read: dict[str, Any] = json.loads(b"".join(store.pieces(record.seal, FILE)))
    sections: dict[str, Any] = read["sections"]
    return sections
