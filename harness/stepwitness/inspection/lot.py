"""A lot that this process works on: its ledger, and what may be done with it.

1. Whatever happens is in the ledger before anything follows from it, so that a break at any instant loses nothing and
   repeats nothing unseen.
2. What can't be right is refused before anything moves: a lot that was sentenced, files that changed since the draw,
   units that were tested before, inspection that is discontinued, a calibration out of date.
3. The sentence rests on records that are still the ones that were sealed.
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stepwitness import attempts
from stepwitness.attempts import BEGUN, LOST, TESTED, Refused, Why
from stepwitness.findings import Verdict
from stepwitness.inspection.description import LotDescription
from stepwitness.inspection.filing import earlier_record
from stepwitness.inspection.sampling import SamplePlan, sample_plan
from stepwitness.inspection.sentence import LotJudgement, Outcome, judged_lot, outcome_of
from stepwitness.inspection.serials import METHOD, drawn
from stepwitness.inspection.standing import (
    DRAWN,
    REFUSED,
    Attempt,
    Draw,
    Standing,
    refusal,
    replayed,
)
from stepwitness.inspection.supply import LEDGER_FILE, LEDGER_SCHEMA, LOT_FILE, Supply, lot_folder
from stepwitness.inspection.wording import plan_text
from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.switching import Stage
from stepwitness.plan.description import Plan
from stepwitness.records.ledger import Ledger, read_events
from stepwitness.records.manifest import open_record, text_digest
from stepwitness.rig import Rig
from stepwitness.site import SiteFacts

LARGEST_SEED = 2**48


@dataclass(frozen=True)
class Progress:
    """A lot so far: what its files say, where its units are tested, and what its ledger says."""

    description: LotDescription
    plan: Plan
    rig: Rig
    standing: Standing

    @property
    def draw(self) -> Draw:
        """The sample.

        Raises
        ------
        Refused : none was drawn yet.
        """
        if self.standing.draw is None:
            raise Refused(f"no sample was drawn yet from {self.description.title}")
        return self.standing.draw

    @property
    def sampling_plan(self) -> SamplePlan:
        """The plan that the sample was drawn by."""
        return sample_plan(self.description.sampling, self.description.quantity, self.draw.stage)

    @property
    def judgement(self) -> LotJudgement:
        """The lot by what is decided so far."""
        return judged_lot(self.sampling_plan, self.description.sampling, self.standing.units)


def folder_of(description: LotDescription, rig: Rig, reports: Path) -> Path:
    """Where a lot is kept."""
    return lot_folder(
        reports,
        supplier=description.supplier,
        part=description.part,
        lot=description.lot,
        simulated=rig.simulated,
    )


def read_progress(description: LotDescription, plan: Plan, rig: Rig, reports: Path) -> Progress:
    """A lot as its ledger says it now, whoever works on it.

    Raises
    ------
    Refused : it wasn't begun. LedgerError : its ledger isn't what was written.
    """
    ledger = folder_of(description, rig, reports) / LEDGER_FILE
    if not ledger.exists():
        where = "on stand-ins" if rig.simulated else f"on {rig.bench.name}"
        raise Refused(f"{description.title} wasn't begun {where}: there is no {ledger}")
    return Progress(description, plan, rig, replayed(read_events(ledger, LEDGER_SCHEMA)))


class Lot:
    """A lot on disk; use as a context, which holds it for this process.

    Parameters
    ----------
    reports : the folder of records, in which lots are kept too.

    Raises
    ------
    LedgerError : another process works on it, or its ledger isn't what was written.
    Refused : its files changed since the sample was drawn.
    """

    def __init__(self, description: LotDescription, plan: Plan, rig: Rig, reports: Path) -> None:
        self.description, self.plan, self.rig, self.reports = description, plan, rig, reports
        self.folder = folder_of(description, rig, reports)
        self.supply = Supply(self.folder.parent, description.supplier, description.part)
        self._ledger = Ledger(self.folder / LEDGER_FILE, LEDGER_SCHEMA, {"lot": _name(description)})
        try:
            self._check_same()
        except BaseException:
            self._ledger.close()
            raise

    def __enter__(self) -> Lot:
        return self

    def __exit__(self, *_: object) -> None:
        self._ledger.close()

    @property
    def standing(self) -> Standing:
        return replayed(self._ledger.events)

    @property
    def document(self) -> Path:
        """Where the lot's sentence stands once it has one."""
        return self.folder / LOT_FILE

    @property
    def sentenced(self) -> bool:
        return self.document.exists()

    @property
    def progress(self) -> Progress:
        return Progress(self.description, self.plan, self.rig, self.standing)

    # -- the sample --------------------------------------------------------------------------------------------

    def draw(self, seed: int | None = None) -> None:
        """Draw the sample, once; later calls change nothing.

        Raises
        ------
        Refused : inspection is discontinued; another lot of the part is under way; units that were tested before; a
            resubmission of what was never inspected.
        """
        if self.standing.draw is not None:
            return
        told = self.description
        with self.supply.drawing():
            self._draw(told, seed)

    def _draw(self, told: LotDescription, seed: int | None) -> None:
        others = self.supply.open_lots(but=self.folder)
        if others:
            raise Refused(
                f"lot {others[0]} of {told.part} from {told.supplier} is under way, and the stage of inspection of the "
                "next depends on its sentence; end it, or close it as incomplete"
            )
        if told.resubmits and not self.supply.sentence_of(told.resubmits):
            raise Refused(f"lot {told.resubmits}, which {told.lot} resubmits, has no sentence here")
        before = self.tested_elsewhere()
        again = [serial for serial in told.serials if serial in before]
        if again:
            more = f" and {len(again) - 1} more" if len(again) > 1 else ""
            raise Refused(
                f"{again[0]}{more} was tested before, in lot {before[again[0]]}; a lot that comes again says "
                f"'resubmits: {before[again[0]]}'"
            )
        stage = self.supply.state(told.sampling.edition).stage
        if stage is Stage.DISCONTINUED:
            raise Refused(
                f"inspection of {told.part} from {told.supplier} is discontinued; once the supplier has acted, "
                f"'stepwitness lot resume' says so"
            )
        seed = secrets.randbelow(LARGEST_SEED) if seed is None else seed
        try:
            sample = sample_plan(told.sampling, told.quantity, stage).sample
        except BadReadings as error:
            raise Refused(f"there is no {stage.value} plan for {told.title}: {error}") from None
        serials = drawn(told.serials, sample, seed)
        self._ledger.append(
            DRAWN, serials=list(serials), seed=seed, method=METHOD, stage=stage.value, files=self._digests()
        )

    def tested_elsewhere(self) -> dict[str, str]:
        """Units of other lots that were tested, with the lot."""
        return self.supply.tested(but=self.folder, resubmitted=self.supply.line_of(self.description.resubmits))

    # -- units ---------------------------------------------------------------------------------------------------

    def refusal(self, scanned: str) -> str:
        """Why a unit that was scanned isn't tested now, or an empty text."""
        return refusal(self.standing, self.description.serials, scanned, elsewhere=self.tested_elsewhere())

    def note_refusal(self, scanned: str, problem: str) -> None:
        """Keep what was scanned and turned away."""
        self._ledger.append(REFUSED, scanned=scanned, problem=problem)

    def check_decided(self, serial: str) -> None:
        """Refuse to test a unit again that isn't decided.

        Raises
        ------
        Refused : with what to do.
        """
        draw = self.progress.draw
        if serial not in draw.serials:
            raise Refused(f"{serial} isn't one of the {len(draw.serials)} units that were drawn")
        if self.standing.deciding(serial) is None:
            raise Refused(f"{serial} isn't decided yet: 'stepwitness lot inspect' goes on with it")

    def begin(self, serial: str, *, operator: str = "", why: Why | None = None, note: str = "") -> Attempt:
        """Note that a unit is about to be tested, and make the folder of its record.

        Raises
        ------
        Refused : a unit that is due needs no reason to be tested again, one that is decided does.
        """
        standing = self.standing
        if why is None and (problem := self.refusal(serial)):
            raise Refused(f"{serial} {problem}")
        if why is not None:
            self.check_decided(serial)
        before = standing.of(serial)
        told = attempts.beginning(
            before, self.reports, bench=self.rig.bench.name, plan=self.plan.name, why=why, note=note
        )
        if not before:
            told["previous"], told["reason"] = self._from_elsewhere(serial)
        self._ledger.append(BEGUN, serial=serial, operator=operator, **told)
        return self.standing.attempts[-1]

    def _from_elsewhere(self, serial: str) -> tuple[str, str]:
        """The record before the first one in this lot, and what is said of it; empty texts where there is none."""
        axis = self.rig.bench.axis.name
        earlier = earlier_record(self.reports, axis=axis, serial=serial, simulated=self.rig.simulated, but=())
        told = f"was tested before, in record {earlier.id}: {earlier.verdict}" if earlier is not None else ""
        if self.description.resubmits:
            told = "; ".join(filter(None, (f"resubmitted after lot {self.description.resubmits}", told)))
        return earlier.id if earlier is not None else "", told

    def site(self, operator: str) -> SiteFacts:
        """What a unit's record says of its lot and of who tested it."""
        told, draw = self.description, self.progress.draw
        sampling = (
            f"{len(draw.serials)} of {told.quantity} units drawn at random (seed {draw.seed}) from {told.title}; "
            f"{plan_text(self.progress.sampling_plan, told.sampling)}"
        )
        return SiteFacts(operator=operator, sampling=sampling)

    def end(self, attempt: Attempt) -> Attempt:
        """Note what the record of the attempt under way says of its unit."""
        record = open_record(self.reports / attempt.folder)
        findings, partial = record.sections["findings"], record.sections["run"]["partial"]
        measured = {one.name for one in self.description.sampling.measured}
        others = [one for one in findings if f"{one['procedure']}.{one['characteristic']}" not in measured]
        self._ledger.append(
            TESTED,
            serial=attempt.serial,
            **attempts.outcomes_in(record),
            outcome=self._outcome(findings, partial=partial).value,
            otherwise=self._outcome(others, partial=partial, none=Outcome.CONFORMING).value,
        )
        return self.standing.attempts[-1]

    def _outcome(self, findings: Any, *, partial: bool, none: Outcome = Outcome.OPEN) -> Outcome:
        verdicts = [Verdict(one["verdict"]) for one in findings]
        if not verdicts:
            return none
        return outcome_of(verdicts, partial=partial, counting=self.description.inconclusive)

    def recover(self) -> Attempt | None:
        """Bring an attempt to its end whose process died: with the record that it left, or one of what it left."""
        attempt = self.standing.unfinished
        if attempt is None:
            return None
        site = self.site(attempt.operator)
        return attempts.taken_up(
            self, attempt, seal=lambda folder: self.rig.seal_left_behind(self.plan, folder, attempt, site=site)
        )

    def give_up(self, attempt: Attempt, cause: str) -> Attempt:
        """Note that an attempt left no record."""
        attempts.clear(self.reports / attempt.folder)
        self._ledger.append(LOST, serial=attempt.serial, cause=cause)
        return self.standing.attempts[-1]

    def check_records(self) -> None:
        """Refuse to sentence a lot by records that aren't those that were sealed.

        Raises
        ------
        Refused : the first such record, with the place that changed.
        """
        attempts.check_records(self.standing.attempts, self.reports, named=lambda attempt: attempt.serial)

    def _check_same(self) -> None:
        if self._ledger.events[0]["lot"] != _name(self.description):
            raise Refused(f"{self.folder}: holds another lot, whose name differs in signs alone")
        drawn_by = next((event["files"] for event in self._ledger.events if event["event"] == DRAWN), self._digests())
        for what, file in (("lot", self.description.path), ("plan", self.plan.path)):
            if drawn_by[what] != self._digests()[what]:
                raise Refused(
                    f"{file}: the {what} file isn't the one by which this lot's sample was drawn; put that back, or "
                    "give the lot another number"
                )

    def _digests(self) -> dict[str, str]:
        return {"lot": text_digest(self.description.text), "plan": text_digest(self.plan.text)}


def _name(description: LotDescription) -> dict[str, str]:
    return {"supplier": description.supplier, "part": description.part, "lot": description.lot}
