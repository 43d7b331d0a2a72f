"""An attempt at one unit, as a ledger keeps it: begun, brought to its end, taken up again or given up.

1. An attempt is in the ledger before anything moves for it, and one that left no record stays there with the reason.
2. What its process left when it died is sealed as it is; it is never taken for nothing.
3. What else an attempt says (its clause, how its unit counts) belongs to the ledger that it stands in.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Enum
from pathlib import Path
from typing import Any, Protocol, Self, TypeVar

from stepwitness.errors import StepwitnessError
from stepwitness.records.ledger import Event
from stepwitness.records.manifest import FILE, Record, trouble_with
from stepwitness.records.run_folder import make_run_folder

BEGUN, TESTED, LOST = "begun", "tested", "lost"

UNDECIDED = "the attempt before left the unit undecided"

_FINDING_KEYS = (
    *("procedure", "characteristic", "title", "symbol", "value", "u", "U", "k", "limit", "sense", "unit"),
    *("limit_text", "verdict", "statement", "reason", "shown"),
)


class Refused(StepwitnessError):
    """Something that isn't done, with the reason."""


class Why(Enum):
    """Why a unit that is decided is tested again."""

    REWORK = "rework"
    STUDY = "study"
    DISPUTE = "dispute"


@dataclass(frozen=True)
class Outcomes:
    """What a record says of its unit: id, seal, verdict and sentence of the record, and its findings in short."""

    record: str
    seal: str
    verdict: str
    statement: str
    findings: tuple[Mapping[str, Any], ...]

    @classmethod
    def of(cls, event: Event, **own: Any) -> Self:
        told = {key: event[key] for key in ("record", "seal", "verdict", "statement")}
        return cls(**told, findings=tuple(event["findings"]), **own)


@dataclass(frozen=True, kw_only=True)
class Attempt:
    """One test of one unit. `begun` : when, UTC, ISO 8601. `folder` : of its record, below the folder of reports.
    `outcomes` : None until there is a record; `lost` says why there is none and won't be."""

    serial: str
    number: int
    begun: str
    folder: str
    operator: str = ""
    why: Why | None = None
    reason: str = ""
    previous: str = ""
    outcomes: Outcomes | None = None
    lost: str = ""

    @classmethod
    def of(cls, event: Event, **own: Any) -> Self:
        told = {key: event[key] for key in ("serial", "number", "folder", "reason", "previous")}
        return cls(**told, begun=event["at"], why=Why(event["why"]) if event["why"] else None, **own)

    @property
    def ended(self) -> bool:
        return self.outcomes is not None or bool(self.lost)

    @property
    def came_of_it(self) -> str:
        """What its record says, or why there is none."""
        return self.outcomes.statement if self.outcomes is not None else self.lost


A = TypeVar("A", bound=Attempt)


class Keeper(Protocol[A]):
    """Who keeps attempts in a ledger, and says what else belongs to each."""

    @property
    def reports(self) -> Path: ...
    def end(self, attempt: A) -> A:
        """Note what the attempt's record says of its unit."""

    def give_up(self, attempt: A, cause: str) -> A:
        """Note that the attempt left no record."""


# -- what is noted -------------------------------------------------------------------------------------------------


def beginning(
    before: Sequence[Attempt], reports: Path, *, bench: str, plan: str, why: Why | None, note: str
) -> dict[str, Any]:
    """What is noted of the attempt after those `before`, whose folder is made here."""
    recorded = [one.outcomes.record for one in before if one.outcomes is not None]
    folder = make_run_folder(reports, bench=bench, plan=plan)
    return {
        "number": len(before) + 1,
        "folder": folder.relative_to(reports).as_posix(),
        "why": why.value if why is not None else "",
        "reason": f"{why.value}: {note}".removesuffix(": ") if why is not None else UNDECIDED if before else "",
        "previous": recorded[-1] if recorded else "",
    }


def outcomes_in(record: Record) -> dict[str, Any]:
    """What is noted of an attempt's record."""
    run = record.sections["run"]
    return {
        "record": run["id"],
        "seal": record.seal["sha256"],
        "verdict": run["verdict"],
        "statement": run["statement"],
        "findings": [{key: one[key] for key in _FINDING_KEYS} for one in record.sections["findings"]],
    }


def with_end(attempts: Sequence[A], event: Event, outcomes: Callable[[Event], Outcomes]) -> tuple[A, ...]:
    """The attempts after the last of them was tested or lost."""
    *before, last = attempts
    ended = replace(last, lost=event["cause"]) if event["event"] == LOST else replace(last, outcomes=outcomes(event))
    return (*before, ended)


def unfinished(attempts: Iterable[A]) -> A | None:
    """An attempt whose end nobody noted: its process died, or is still at it."""
    return next((attempt for attempt in attempts if not attempt.ended), None)


# -- from the beginning to the end ---------------------------------------------------------------------------------


def carried_out(keeper: Keeper[A], attempt: A, *, run: Callable[[Path], None], told: Callable[[A], None]) -> A:
    """The attempt brought to its end by `run`, into its folder; `told` is given what has a record. Raises as `run`."""
    folder = keeper.reports / attempt.folder
    try:
        run(folder)
    except BaseException as error:
        if (folder / FILE).exists():
            told(keeper.end(attempt))
        else:
            keeper.give_up(attempt, str(error) or "it was broken off before anything was acquired")
        raise
    attempt = keeper.end(attempt)
    told(attempt)
    return attempt


def taken_up(keeper: Keeper[A], attempt: A, *, seal: Callable[[Path], Path | None]) -> A:
    """The attempt brought to its end whose process died: with its record, or one that `seal` makes of what it left."""
    folder = keeper.reports / attempt.folder
    if not (folder / FILE).exists() and seal(folder) is None:
        return keeper.give_up(attempt, "nothing was acquired before the process died")
    return keeper.end(attempt)


def clear(folder: Path) -> None:
    """Remove the folder of an attempt that left nothing; it stays where anything is in it."""
    with contextlib.suppress(OSError):
        folder.rmdir()


def check_records(attempts: Iterable[A], reports: Path, *, named: Callable[[A], str]) -> None:
    """Refuse to rest anything on records that aren't those that were sealed.

    Raises
    ------
    Refused : the first such record, with the place that changed.
    """
    for attempt in attempts:
        if attempt.outcomes is None:
            continue
        folder = reports / attempt.folder
        trouble = trouble_with(folder, attempt.outcomes.seal)
        if trouble:
            raise Refused(f"the record of {named(attempt)} in {folder} can't be relied on: {trouble}")
