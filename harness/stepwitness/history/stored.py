"""The past as the store has it, and what it hasn't yet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from stepwitness.history.folders import FolderPast
from stepwitness.history.past import EarlierRun, JoinedPast, Past, Point, Subject
from stepwitness.records.store import Store


class StoredPast:
    """What an open store knows of earlier runs."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def points(self, subject: Subject, *, procedure: str, characteristic: str) -> Sequence[Point]:
        found = self._store.trend(
            procedure=procedure,
            characteristic=characteristic,
            bench=subject.bench,
            axis=subject.axis,
            serial=subject.serial,
            plan=subject.plan,
            simulated=subject.simulated,
        )
        return [
            Point(one.seal, one.started, one.value, one.u or 0.0, one.splits)
            for one in found
            if one.serial == subject.serial  # an axis without a serial number asks for no other's
        ]

    def runs(self, subject: Subject, *, since: str) -> Sequence[EarlierRun]:
        found = self._store.records(
            bench=subject.bench,
            axis=subject.axis,
            serial=subject.serial,
            plan=subject.plan,
            simulated=subject.simulated,
            since=since,
            limit=None,
        )
        return [
            EarlierRun(one.id, one.started, one.attempt, one.previous, one.verdict, one.folder)
            for one in reversed(found)
            if one.serial == subject.serial
        ]


def past_of(store: Store, reports: Path, bench: str) -> Past:
    """What the store knows of a bench, joined with the records below `reports` that it hasn't yet."""
    filed = {record.folder for record in store.records(bench=bench, limit=None)}
    return JoinedPast((StoredPast(store), FolderPast(reports / bench, without=filed)))
