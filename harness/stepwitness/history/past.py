"""Where earlier runs come from: one estimate of each, oldest first, and what can split them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from typing import Protocol


@dataclass(frozen=True)
class Subject:
    """Whose history: one plan on one unit on one bench; stand-ins and real parts never together."""

    bench: str
    axis: str
    serial: str
    plan: str
    simulated: bool


@dataclass(frozen=True)
class Point:
    """A characteristic in one run: value and standard uncertainty in SI; `started` is ISO 8601.

    `splits` says what the run was made with, by name; a run whose words differ from those before begins a new history.
    """

    seal: str
    started: str
    value: float
    u: float
    splits: Mapping[str, str] = field(default_factory=dict)

    @property
    def time(self) -> datetime:
        return instant(self.started)


def instant(text: str) -> datetime:
    """An ISO 8601 instant; UTC where it doesn't say."""
    told = datetime.fromisoformat(text)
    return told if told.tzinfo else told.replace(tzinfo=UTC)


@dataclass(frozen=True)
class EarlierRun:
    """A record as a whole: when it was started, which attempt it was and of what, and its verdict."""

    id: str
    started: str
    attempt: int
    previous: str | None
    verdict: str
    folder: str = ""

    @property
    def time(self) -> datetime:
        return instant(self.started)


class Past(Protocol):
    """The runs before this one."""

    def runs(self, subject: Subject, *, since: str, limit: int | None = None) -> Sequence[EarlierRun]:
        """Oldest first, from an ISO 8601 instant on; of more than `limit`, the newest."""
        ...

    def points(self, subject: Subject, *, procedure: str, characteristic: str, since: str = "") -> Sequence[Point]:
        """Oldest first, from an ISO 8601 day or instant on; `procedure` is its id in the plan.

        Of a long history since the last split, the first runs and the newest may be all.
        """
        ...


@dataclass(frozen=True)
class JoinedPast:
    """Several pasts as one: what two of them know counts once."""

    parts: Sequence[Past]

    def runs(self, subject: Subject, *, since: str, limit: int | None = None) -> Sequence[EarlierRun]:
        found = {run.id: run for part in self.parts for run in part.runs(subject, since=since, limit=limit)}
        ordered = sorted(found.values(), key=lambda run: (run.time, run.attempt))
        return ordered if limit is None else ordered[-limit:]

    def points(self, subject: Subject, *, procedure: str, characteristic: str, since: str = "") -> Sequence[Point]:
        found = {
            point.seal: point
            for part in self.parts
            for point in part.points(subject, procedure=procedure, characteristic=characteristic, since=since)
        }
        return sorted(found.values(), key=lambda point: point.time)


@dataclass(frozen=True)
class Split:
    """Where a history begins anew: the index of the first run after it, and what had changed by then."""

    index: int
    changed: tuple[str, ...]


SPLITS = {
    "firmware": "a part's firmware or identity changed",
    "bench": "the bench file changed",
    "calibration": "a calibration changed",
    "plan": "the plan was revised",
}
"""What splits a history, by its name in the store, in the words of a report."""


def splits_among(points: Sequence[Point]) -> tuple[Split, ...]:
    """Every place where something changed from one run to the next."""
    found = []
    for index in range(1, len(points)):
        before, after = points[index - 1].splits, points[index].splits
        changed = tuple(_change(name, before.get(name, ""), after.get(name, "")) for name in _differing(before, after))
        if changed:
            found.append(Split(index, changed))
    return tuple(found)


def _differing(before: Mapping[str, str], after: Mapping[str, str]) -> list[str]:
    names = dict.fromkeys([*SPLITS, *before, *after])
    return [name for name in names if before.get(name, "") != after.get(name, "")]


def _change(name: str, before: str, after: str) -> str:
    words = SPLITS.get(name, f"{name} changed")
    readable = name == "firmware" and before and after
    return f"{words} ({before}, now {after})" if readable else words


def since_day(points: Sequence[Point], day: date | None) -> list[Point]:
    """Those of a day and after, by UTC."""
    return [point for point in points if day is None or point.time.astimezone(UTC).date() >= day]
