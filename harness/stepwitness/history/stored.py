"""The past as the store has it, and what it hasn't yet, at a cost that doesn't grow with the years.

1. Of a characteristic its newest `NEWEST` runs are read, and where nothing split the history within them, also the
   `FIRST` of it, which its baseline is made of. Between the two, runs are left out: the checks weigh the newest.
2. Of the records themselves, those of the last year.
3. Folders are read where the store hasn't their records: of those older than the newest `FILED` that it has, none.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from stepwitness.history.folders import FolderPast
from stepwitness.history.past import EarlierRun, JoinedPast, Past, Point, Subject, splits_among
from stepwitness.records.store import Store, TrendPoint

NEWEST = 366
"""A year of nights. What the EWMA weighs ends long before, and a change is dated within it."""

FIRST = 60
"""Three baselines of the usual length, since outliers don't enter one."""

FILED = 200

_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d{4}")
"""How the name of a run's folder begins, which so sorts by time."""


class StoredPast:
    """What an open store knows of earlier runs."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._splits: dict[Subject, str] = {}

    def points(self, subject: Subject, *, procedure: str, characteristic: str, since: str = "") -> Sequence[Point]:
        asked = {**_asked(subject), "procedure": procedure, "characteristic": characteristic}
        newest = [_point(one) for one in self._store.trend(**asked, since=since, limit=NEWEST)]
        if len(newest) < NEWEST or splits_among(newest):
            return newest
        begins = max(self._split(subject), since)
        first = [_point(one) for one in self._store.trend(**asked, since=begins, limit=FIRST, oldest=True)]
        known = {one.seal for one in newest}
        return [*(one for one in first if one.seal not in known and one.splits == newest[0].splits), *newest]

    def runs(self, subject: Subject, *, since: str, limit: int | None = None) -> Sequence[EarlierRun]:
        found = self._store.records(**_asked(subject), since=since, limit=limit)
        return [
            EarlierRun(one.id, one.started, one.attempt, one.previous, one.verdict, one.folder)
            for one in reversed(found)
        ]

    def _split(self, subject: Subject) -> str:
        """When the record before the last split began."""
        if subject not in self._splits:
            self._splits[subject] = self._store.last_split(**_asked(subject))
        return self._splits[subject]


def _asked(subject: Subject) -> dict[str, Any]:
    told = {"bench": subject.bench, "axis": subject.axis, "serial": subject.serial, "plan": subject.plan}
    return {**told, "simulated": subject.simulated, "unlabelled": not subject.serial}


def _point(one: TrendPoint) -> Point:
    return Point(one.seal, one.started, one.value, one.u or 0.0, one.splits)


def past_of(store: Store, reports: Path, bench: str) -> Past:
    """What the store knows of a bench, joined with the records below `reports` that it hasn't yet."""
    filed = {record.folder.rpartition("/")[2] for record in store.records(bench=bench, limit=FILED)}
    stamped = [name for name in filed if _STAMP.match(name)]
    edge = min(stamped) if len(filed) == FILED and stamped else ""
    folder = Path(reports) / bench
    names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
    unfiled = {name for name in names if name not in filed and not (_STAMP.match(name) and name < edge)}
    return JoinedPast((StoredPast(store), FolderPast(folder, only=unfiled)))
