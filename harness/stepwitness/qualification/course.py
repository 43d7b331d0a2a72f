"""How far a qualification is, by the acts in its log; pure.

1. A unit is decided in a clause by its first record that isn't broken off. No later one takes its place, but where the
   clause's criterion lets a re-run for that reason count; both are kept.
2. A record counts for the plan by which it was taken: where a clause's plan changed since, its units are due again.
3. An attempt that left a unit undecided, or left no record, is kept, and the unit is due again without a reason.
4. What somebody does is one act, one line of the log: no kill parts a change of files from the deviation that tells it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from stepwitness import attempts
from stepwitness.attempts import BEGUN, LOST, TESTED, Outcomes
from stepwitness.findings import Verdict
from stepwitness.qualification.criteria import UnitResult
from stepwitness.qualification.description import Clause, HoldPoint, QualificationDescription
from stepwitness.records.judgement import PARTIAL
from stepwitness.records.ledger import OPENED, Event

CONFIRMED, RECORDED, RELEASED, DEVIATED, CHANGED = "confirmed", "recorded", "released", "deviated", "changed"

FIRST_COUNTS = "the first record that decided it"


@dataclass(frozen=True, kw_only=True)
class Attempt(attempts.Attempt):
    """One test of one unit for one clause. `plan` : digest of the plan's text. `ambient` : number of the last recorded
    environment, or None."""

    clause: str
    plan: str
    ambient: int | None = None

    @property
    def decides(self) -> bool:
        return self.outcomes is not None and self.outcomes.verdict not in (PARTIAL, Verdict.ABORTED.value)


@dataclass(frozen=True)
class Act:
    """Something that somebody did or wrote: when, who (initials, may be empty), and what it says; `rehearsed` : done by
    nobody, on stand-ins."""

    at: str
    by: str
    text: str
    about: str = ""
    rehearsed: bool = False


@dataclass(frozen=True)
class Change:
    """Files that changed in mid-course, by their new digests, and how that was written down."""

    act: Act
    files: Mapping[str, str]
    revision: str
    as_deviation: bool


@dataclass(frozen=True)
class Recorded:
    """The environment as it was recorded: a text by quantity."""

    act: Act
    values: Mapping[str, str]


@dataclass(frozen=True)
class Course:
    """A qualification so far. `files` : digests by path, as last noted; `texts` : every text that was noted, by
    digest. `revisions` : marks, the one in force last. `confirmed` : by the precondition's own words."""

    files: Mapping[str, str] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    revisions: tuple[str, ...] = ()
    opened: str = ""
    confirmed: Mapping[str, Act] = field(default_factory=dict)
    recorded: tuple[Recorded, ...] = ()
    attempts: tuple[Attempt, ...] = ()
    releases: tuple[Act, ...] = ()
    deviations: tuple[Act, ...] = ()
    changes: tuple[Change, ...] = ()

    def of(self, clause: str, serial: str) -> list[Attempt]:
        """The attempts of a unit at a clause, the first first."""
        return [one for one in self.attempts if one.clause == clause and one.serial == serial]

    @property
    def unfinished(self) -> Attempt | None:
        return attempts.unfinished(self.attempts)

    @property
    def rehearsed(self) -> bool:
        """Whether anything was passed that a person is to see to."""
        return any(act.rehearsed for act in (*self.confirmed.values(), *self.releases))

    def released(self, hold_point: str) -> Act | None:
        return next((one for one in self.releases if one.about == hold_point), None)


def counting(course: Course, clause: Clause, serial: str, plan: str) -> tuple[Attempt | None, str]:
    """The attempt that counts for a unit, and why it is that one; `plan` is the digest of the clause's plan now."""
    decided = [one for one in course.of(clause.number, serial) if one.plan == plan and one.decides]
    if not decided:
        return None, ""
    found, because = decided[0], FIRST_COUNTS
    for later in decided[1:]:
        if later.why in clause.criterion.counting:
            found, because = later, f"a re-run for {later.why.value}, which clause {clause.number} lets count"
    return found, because


def unit_result(attempt: Attempt) -> UnitResult:
    """What a decided attempt says of its unit."""
    assert attempt.outcomes is not None, "only what decided counts"
    findings = {f"{one['procedure']}.{one['characteristic']}": one for one in attempt.outcomes.findings}
    return UnitResult(attempt.serial, Verdict(attempt.outcomes.verdict), findings)


def due(
    course: Course, description: QualificationDescription, plans: Mapping[str, str]
) -> tuple[tuple[Clause, str], ...]:
    """What isn't decided, in the order of the work; `plans` are digests by clause."""
    return tuple(
        (clause, serial)
        for clause, serial in description.cells
        if counting(course, clause, serial, plans[clause.number])[0] is None
    )


def held_at(course: Course, description: QualificationDescription, clause: Clause) -> HoldPoint | None:
    """The hold point before a clause that nobody released yet."""
    return next(
        (
            point
            for point in description.hold_points
            if point.before == clause.number and course.released(point.id) is None
        ),
        None,
    )


def unconfirmed(course: Course, description: QualificationDescription) -> tuple[tuple[int, str], ...]:
    """Preconditions that nobody confirmed, with their numbers from 1."""
    return tuple(
        (number, text) for number, text in enumerate(description.preconditions, start=1) if text not in course.confirmed
    )


# -- from the acts -------------------------------------------------------------------------------------------------


def replayed(events: Sequence[Event]) -> Course:
    """The course after `events`."""
    course = Course()
    for event in events:
        course = _after(course, event)
    return course


def _after(course: Course, event: Event) -> Course:
    kind = event["event"]
    if kind in (OPENED, CHANGED):
        return _with_files(course, event)
    if kind == CONFIRMED:
        return replace(course, confirmed={**course.confirmed, event["text"]: _act(event)})
    if kind == RECORDED:
        course = replace(course, recorded=(*course.recorded, Recorded(_act(event), event["values"])))
        return _with_deviation(course, _act(event)) if event["text"] else course
    if kind == RELEASED:
        return replace(course, releases=(*course.releases, _act(event)))
    if kind == DEVIATED:
        return _with_deviation(course, _act(event))
    if kind == BEGUN:
        told = {key: event[key] for key in ("clause", "plan", "ambient")}
        return replace(course, attempts=(*course.attempts, Attempt.of(event, operator=event["by"], **told)))
    if kind in (TESTED, LOST):
        return replace(course, attempts=attempts.with_end(course.attempts, event, Outcomes.of))
    return course


def _with_files(course: Course, event: Event) -> Course:
    digests = {path: one["sha256"] for path, one in event["files"].items()}
    texts = {one["sha256"]: one["text"] for one in event["files"].values()}
    course = replace(
        course,
        files=digests if event["event"] == OPENED else {**course.files, **digests},
        texts={**course.texts, **texts},
        revisions=tuple(dict.fromkeys((*course.revisions, event["revision"]))),
        opened=course.opened or event["at"],
    )
    if event["event"] == OPENED:
        return course
    change = Change(_act(event), digests, event["revision"], event["as_deviation"])
    course = replace(course, changes=(*course.changes, change))
    return _with_deviation(course, replace(change.act, about=", ".join(digests))) if change.as_deviation else course


def _with_deviation(course: Course, act: Act) -> Course:
    return replace(course, deviations=(*course.deviations, act))


def _act(event: Event) -> Act:
    return Act(event["at"], event["by"], event.get("text", ""), event.get("about", ""), event.get("rehearsed", False))
