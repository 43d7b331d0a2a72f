"""A past that lives in a list, and the limit that most of its tests look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest

from stepwitness.findings import Characteristic, Limit
from stepwitness.history.past import EarlierRun, Point, Subject
from stepwitness.quantities import Kind

FIRST = datetime(2026, 9, 1, 2, 10, tzinfo=UTC)


@dataclass
class ListedPast:
    """Points by procedure and characteristic, whoever asks."""

    by_name: dict[tuple[str, str], Sequence[Point]] = field(default_factory=dict)
    earlier: Sequence[EarlierRun] = ()

    def points(self, subject: Subject, *, procedure: str, characteristic: str) -> Sequence[Point]:  # noqa: ARG002
        return self.by_name.get((procedure, characteristic), ())

    def runs(self, subject: Subject, *, since: str) -> Sequence[EarlierRun]:  # noqa: ARG002
        return [run for run in self.earlier if run.started >= since]


Night = Callable[..., Point]


@pytest.fixture
def past() -> ListedPast:
    return ListedPast()


@pytest.fixture
def night() -> Night:
    """A point of the night of that number, in metres."""

    def made(number: int, value_m: float, *, u_m: float = 1e-7, splits: Mapping[str, str] | None = None) -> Point:
        started = (FIRST + timedelta(days=number)).isoformat(timespec="seconds")
        return Point(f"seal-{number}", started, value_m, u_m, splits or {"plan": "a"})

    return made


@pytest.fixture
def limit() -> Limit:
    reversal = Characteristic("reversal_value", "reversal value", Kind.TRAVEL, "um", "own definition", "so", "B")
    return Limit(reversal, 25e-6, "um", "25 um")
