"""A qualification that this process works on: its log of acts, and what may be done with it.

1. Whatever happens is in the log before anything follows from it, so that a break at any instant loses nothing and
   repeats nothing unseen.
2. A file that changed in mid-course is noticed by its digest. Work goes on once the change is a new revision of the
   qualification file, or is written down as a deviation.
3. What can't be right is refused before anything moves; the document at the end rests on records that are still the
   ones that were sealed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from stepwitness import attempts
from stepwitness.attempts import BEGUN, LOST, TESTED, Refused, Why
from stepwitness.bench.arming import check_live
from stepwitness.errors import BadInput
from stepwitness.qualification.course import (
    CHANGED,
    CONFIRMED,
    DEVIATED,
    RECORDED,
    RELEASED,
    Attempt,
    Course,
    counting,
    due,
    held_at,
    replayed,
    unconfirmed,
)
from stepwitness.qualification.description import AmbientRange, Clause, HoldPoint, QualificationDescription
from stepwitness.quantities import split
from stepwitness.records.kinds import QUALIFICATION
from stepwitness.records.ledger import Ledger, read_events
from stepwitness.records.manifest import FILE, open_record, text_digest
from stepwitness.rig import Rig

LOG_SCHEMA = "stepwitness-qualification-log/1"
LOG_FILE, DOCUMENT_FILE = "acts.ledger.jsonl", QUALIFICATION.file


@dataclass(frozen=True)
class Setting:
    """A qualification, where its units are tested, and the folder of records.

    `live` : names of the benches whose real parts may move; none for stand-ins. `over` : how those are reached.
    """

    description: QualificationDescription
    reports: Path
    live: tuple[str, ...] = ()
    over: str = ""

    def __post_init__(self) -> None:
        if self.live:
            for clause in self.description.clauses:
                check_live(clause.bench, self.live)

    @property
    def simulated(self) -> bool:
        return not self.live

    @property
    def folder(self) -> Path:
        """Where it is kept; what ran on stand-ins has a folder of its own."""
        above = "qualifications-simulated" if self.simulated else "qualifications"
        return self.reports / above / self.description.number

    def rig(self, clause: Clause) -> Rig:
        return Rig(clause.bench, clause.bench.name if self.live else "", self.over)


@dataclass(frozen=True)
class Progress:
    """A qualification so far: what its files say, and what its log says."""

    setting: Setting
    course: Course

    @property
    def description(self) -> QualificationDescription:
        return self.setting.description

    @property
    def plans(self) -> dict[str, str]:
        """Digests of the plans' texts, by clause."""
        return {clause.number: text_digest(clause.plan.text) for clause in self.description.clauses}

    @property
    def due(self) -> tuple[tuple[Clause, str], ...]:
        return due(self.course, self.description, self.plans)

    @property
    def hold_point(self) -> HoldPoint | None:
        """The hold point at which work stands now."""
        left = self.due
        return held_at(self.course, self.description, left[0][0]) if left else None

    @property
    def unnoted(self) -> tuple[str, ...]:
        """Files that changed since the log last noted them."""
        files = self.description.files
        return tuple(path for path, text in files.items() if self.course.files.get(path) != text_digest(text))

    def counting(self, clause: Clause, serial: str) -> tuple[Attempt | None, str]:
        return counting(self.course, clause, serial, self.plans[clause.number])


def read_progress(setting: Setting) -> Progress:
    """A qualification as its log says it now, whoever works on it.

    Raises
    ------
    Refused : it wasn't begun. LedgerError : its log isn't what was written.
    """
    log = setting.folder / LOG_FILE
    if not log.exists():
        where = "on stand-ins" if setting.simulated else f"on {', '.join(setting.live)}"
        raise Refused(f"{setting.description.heading} wasn't begun {where}: there is no {log}")
    return Progress(setting, replayed(read_events(log, LOG_SCHEMA)))


class Qualification:
    """A qualification on disk; use as a context, which holds it for this process.

    Raises
    ------
    LedgerError : another process works on it, or its log isn't what was written.
    Refused : it is sealed.
    """

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        self.description = setting.description
        if self.document.exists():
            raise Refused(
                f"{self.description.heading} is sealed ({self.document}); what comes after it is a qualification of "
                "another number"
            )
        self._log = Ledger(
            setting.folder / LOG_FILE,
            LOG_SCHEMA,
            {"number": self.description.number, "revision": self.description.revision.mark, "files": self._files()},
        )

    def __enter__(self) -> Qualification:
        return self

    def __exit__(self, *_: object) -> None:
        self._log.close()

    @property
    def reports(self) -> Path:
        return self.setting.reports

    @property
    def document(self) -> Path:
        """Where the sealed document stands once there is one."""
        return self.setting.folder / DOCUMENT_FILE

    @property
    def progress(self) -> Progress:
        return Progress(self.setting, replayed(self._log.events))

    @property
    def course(self) -> Course:
        return self.progress.course

    def _files(self, paths: Sequence[str] | None = None) -> dict[str, dict[str, str]]:
        files = self.description.files
        return {
            path: {"sha256": text_digest(files[path]), "text": files[path]}
            for path in (files if paths is None else paths)
        }

    # -- files -------------------------------------------------------------------------------------------------------

    def check_files(self) -> None:
        """See that the files are those by which work goes on; a new revision of the qualification file is noted here.

        Raises
        ------
        Refused : a file that changed without either a new revision or a deviation.
        """
        changed = self.progress.unnoted
        if not changed:
            return
        mark, main = self.description.revision.mark, next(iter(self.description.files))
        *earlier, last = self.course.revisions
        if mark == last:
            raise Refused(
                f"{', '.join(changed)} changed in mid-course: put it back, raise the revision in {main}, or write the "
                f"change down by 'stepwitness qualify deviation {self.description.path} WHY'"
            )
        if mark in earlier:
            raise Refused(f"{main}: the revision '{mark}' was in force before; a new one takes a mark of its own")
        self._note_change(changed, by="", text=self.description.revision.changes, as_deviation=False)

    def _note_change(self, paths: Sequence[str], *, by: str, text: str, as_deviation: bool) -> None:
        self._log.append(
            CHANGED,
            files=self._files(paths),
            revision=self.description.revision.mark,
            as_deviation=as_deviation,
            by=by,
            text=text,
        )

    def deviate(self, text: str, *, by: str = "", about: str = "") -> tuple[str, ...]:
        """Write a deviation down; files that changed meanwhile are noted with it, and returned."""
        changed = self.progress.unnoted
        if changed and self.description.revision.mark == self.course.revisions[-1]:
            self._note_change(changed, by=by, text=text, as_deviation=True)
            return changed
        self._log.append(DEVIATED, text=text, by=by, about=about)
        return ()

    # -- before the work ---------------------------------------------------------------------------------------------

    def confirm(self, text: str, *, by: str = "", rehearsed: bool = False) -> None:
        """Note that a precondition, by its own words, is met."""
        self._log.append(CONFIRMED, text=text, by=by, rehearsed=rehearsed)

    def record_environment(self, values: Mapping[str, str], *, by: str = "", deviation: str = "") -> None:
        """Note the environment; every quantity that the file asks for.

        Raises
        ------
        BadInput : a quantity that isn't asked for, or a value that can't be read or is in another unit.
        Refused : a quantity that wasn't given, or one out of its range without a `deviation` that says why.
        """
        asked = self.description.environment
        strangers = set(values) - {one.quantity for one in asked}
        if strangers:
            raise BadInput(
                "not a quantity of the environment that this qualification asks for",
                found=", ".join(sorted(strangers)),
                allowed=", ".join(one.quantity for one in asked) or "none",
            )
        outside = "; ".join(told for one in asked if (told := _outside(one, values)))
        if outside and not deviation:
            raise Refused(f"{outside}: nothing is tested so but with a --deviation that says why")
        self._log.append(RECORDED, values=dict(values), by=by, about=outside, text=deviation if outside else "")

    def release(self, id: str, *, by: str = "", note: str = "", rehearsed: bool = False) -> HoldPoint:
        """Release a hold point that work has come to.

        Raises
        ------
        BadInput : there is no such hold point. Refused : work hasn't come to it, or it was released.
        """
        point = next((one for one in self.description.hold_points if one.id == id), None)
        if point is None:
            known = ", ".join(one.id for one in self.description.hold_points) or "none"
            raise BadInput("no hold point of this qualification", found=f"'{id}'", allowed=known)
        before = self.course.released(id)
        if before is not None:
            raise Refused(f"hold point {id} was released at {before.at}")
        if self.progress.hold_point != point:
            raise Refused(f"work hasn't come to hold point {id}: it stands before clause {point.before}")
        self._log.append(RELEASED, about=id, by=by, text=note, rehearsed=rehearsed)
        return point

    def check_ready(self, clause: Clause, today: date) -> None:
        """Refuse to begin where something is still missing, or a bench's calibration is out of date.

        Raises
        ------
        BadInput, Refused : with the reason and what to do.
        """
        self.check_files()
        missing = unconfirmed(self.course, self.description)
        if missing:
            number, text = missing[0]
            raise Refused(
                f"precondition {number} isn't confirmed ({text}): see to it, then 'stepwitness qualify confirm "
                f"{self.description.path} {number}'"
            )
        self.setting.rig(clause).check(today)

    # -- units -------------------------------------------------------------------------------------------------------

    def begin(self, clause: Clause, serial: str, *, by: str = "", why: Why | None = None, note: str = "") -> Attempt:
        """Note that a unit is about to be tested, and make the folder of its record.

        Raises
        ------
        Refused : a unit that is decided needs a reason to be tested again; one that is due needs none.
        """
        before = self.course.of(clause.number, serial)
        decided = self.progress.counting(clause, serial)[0]
        if why is None and decided is not None:
            raise Refused(f"{serial} is decided in clause {clause.number}; a re-run has to state why")
        if why is not None and decided is None:
            raise Refused(f"{serial} isn't decided in clause {clause.number}: 'qualify run' goes on with it")
        self._log.append(
            BEGUN,
            clause=clause.number,
            serial=serial,
            plan=text_digest(clause.plan.text),
            by=by,
            ambient=len(self.course.recorded) - 1 if self.course.recorded else None,
            **attempts.beginning(
                before, self.reports, bench=clause.bench.name, plan=clause.plan.name, why=why, note=note
            ),
        )
        return self.course.attempts[-1]

    def end(self, attempt: Attempt) -> Attempt:
        """Note what the record of the attempt under way says of its unit."""
        record = open_record(self.reports / attempt.folder)
        self._log.append(TESTED, clause=attempt.clause, serial=attempt.serial, **attempts.outcomes_in(record))
        return self.course.attempts[-1]

    def recover(self) -> Attempt | None:
        """Bring an attempt to its end whose process died: with the record that it left, or one of what it left."""
        attempt = self.course.unfinished
        if attempt is None:
            return None
        clause = self.description.clause(attempt.clause)
        if clause is not None and text_digest(clause.plan.text) == attempt.plan:
            rig, plan = self.setting.rig(clause), clause.plan
            return attempts.taken_up(self, attempt, seal=lambda folder: rig.seal_left_behind(plan, folder, attempt))
        if (self.reports / attempt.folder / FILE).exists():
            return self.end(attempt)
        return self.give_up(attempt, "the process died, and the clause's plan isn't the one that it was begun by")

    def give_up(self, attempt: Attempt, cause: str) -> Attempt:
        """Note that an attempt left no record."""
        attempts.clear(self.reports / attempt.folder)
        self._log.append(LOST, clause=attempt.clause, serial=attempt.serial, cause=cause)
        return self.course.attempts[-1]

    def check_records(self) -> None:
        """Refuse to rest a document on records that aren't those that were sealed.

        Raises
        ------
        Refused : the first such record, with the place that changed.
        """
        attempts.check_records(
            self.course.attempts,
            self.reports,
            named=lambda attempt: f"{attempt.serial} at clause {attempt.clause}",
        )


def _outside(asked: AmbientRange, values: Mapping[str, str]) -> str:
    """How a recorded value lies outside its range, or an empty text.

    Raises
    ------
    BadInput, Refused : as `Qualification.record_environment`.
    """
    name, unit = asked.quantity, asked.unit
    if name not in values:
        raise Refused(f"the {name} isn't recorded; give it as read now by --environment '{name}=VALUE {unit}'")
    written = split(values[name])
    if written.unit != unit:
        raise BadInput(
            f"the {name} in another unit than the file's", found=f"'{values[name]}'", allowed=f"a number and {unit}"
        )
    if asked.low <= written.number <= asked.high:
        return ""
    return f"{name} {values[name]}, outside {float(asked.low):g} {unit} to {float(asked.high):g} {unit}"


def environment_values(told: Sequence[str]) -> dict[str, str]:
    """Recorded values as a command line gives them, each ``quantity=value unit``.

    Raises
    ------
    BadInput : for a text of another form.
    """
    values = {}
    for one in told:
        quantity, equals, value = one.partition("=")
        if not equals or not value.strip():
            raise BadInput("not a recorded value", found=f"'{one}'", allowed="such as 'temperature=22.4 °C'")
        values[quantity.strip()] = value.strip()
    return values
