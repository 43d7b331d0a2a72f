"""Leads an operator through the units of a lot: mount, scan, clamp, clear the area, test; one at a time.

1. What is scanned decides which unit is tested; anything that mustn't be is refused with the reason, noted, and scanned
   again.
2. Nothing moves before the operator has said that the area is clear. That word is no safety function; guards and the
   stop circuit are.
3. A break at any prompt, and any end of the process, leaves the lot where it can be carried on.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from stepwitness.attempts import Refused, Why, carried_out
from stepwitness.attendance import CLEAR, Operator
from stepwitness.display import SHAPES, counted
from stepwitness.inspection.lot import Lot
from stepwitness.inspection.sentence import Outcome, Sentence
from stepwitness.inspection.standing import Attempt


def inspect(lot: Lot, operator: Operator, *, initials: str = "", today: Callable[[], date] = date.today) -> None:
    """Test every unit that is due, each at most once.

    Raises
    ------
    BrokenOff, KeyboardInterrupt : between two units or within one; the lot can be carried on.
    Refused : a calibration that is out of date.
    SafeStateError : an axis that couldn't be made safe.
    """
    _told_of_recovery(lot, operator)
    due = lot.standing.due
    sample = len(lot.progress.draw.serials)
    while due:
        operator.say(f"\nunit {sample - len(lot.standing.due) + 1} of {sample}: {due[0]}")
        attempt = inspect_unit(lot, due[0], operator, initials=initials, today=today())
        due = [serial for serial in due if serial != attempt.serial]
        if attempt.outcomes is not None and attempt.outcomes.outcome is Outcome.NONCONFORMING:
            _told_of_lot(lot, operator)


def inspect_unit(
    lot: Lot,
    due: str,
    operator: Operator,
    *,
    initials: str = "",
    why: Why | None = None,
    note: str = "",
    today: date,
) -> Attempt:
    """Lead one unit through its test: `due`, or without a `why` another drawn unit that is scanned in its place.

    Raises as `inspect`.
    """
    lot.rig.check(today)
    operator.confirm(f"Mount it on {lot.rig.bench.name}, then press Enter")
    serial = _scanned(lot, due, operator, only=why is not None)
    operator.confirm("Clamp it, then press Enter")
    operator.say(lot.rig.forecast(lot.plan))
    operator.confirm_by(f"Is the area clear? Type '{CLEAR}'", CLEAR)
    attempt = lot.begin(serial, operator=initials, why=why, note=note)
    if attempt.reason:
        operator.say(f"attempt {attempt.number}: {attempt.reason}")
    site = lot.site(initials)
    return carried_out(
        lot,
        attempt,
        run=lambda folder: lot.rig.conduct(lot.plan, folder, attempt, site=site, told=operator.say),
        told=lambda ended: _told_of_unit(ended, operator, (lot.reports / ended.folder).as_posix()),
    )


def _scanned(lot: Lot, due: str, operator: Operator, *, only: bool) -> str:
    """The serial number that was scanned, once it is one that may be tested now."""
    while True:
        scanned = operator.scan("Scan its serial number", due).strip()
        problem = (
            "" if scanned == due else f"isn't the unit to be tested again, {due}" if only else lot.refusal(scanned)
        )
        if not problem:
            if scanned != due:
                operator.say(f"{scanned} was drawn too, and is taken now.")
            return scanned
        lot.note_refusal(scanned, problem)
        operator.say(f"refused: {scanned or 'nothing'} {problem}; {due} is due")


def _told_of_recovery(lot: Lot, operator: Operator) -> None:
    attempt = lot.recover()
    if attempt is not None:
        operator.say(f"{attempt.serial} was under test when the process died: {attempt.came_of_it}")


def _told_of_unit(attempt: Attempt, operator: Operator, folder: str) -> None:
    """A unit's result, its failure at once."""
    assert attempt.outcomes is not None
    operator.say(f"{SHAPES[attempt.outcomes.verdict]} {attempt.outcomes.statement}")
    if attempt.outcomes.outcome is Outcome.NONCONFORMING:
        operator.say(f"{attempt.serial} is nonconforming: keep it apart. Its readings are in {folder}")
    elif attempt.outcomes.outcome is Outcome.OPEN:
        operator.say(f"{attempt.serial} isn't decided by this record, and stays due.")


def _told_of_lot(lot: Lot, operator: Operator) -> None:
    """Say as soon as the units still due can't change the sentence any more."""
    judgement = lot.progress.judgement
    if judgement.sentence is Sentence.NOT_ACCEPTED and judgement.undecided:
        operator.say(
            f"The lot is not accepted already, with {counted(judgement.nonconforming, 'nonconforming unit')}; "
            "the rest of the sample is tested for the record."
        )


def check_open(lot: Lot) -> None:
    """Refuse a lot that has its sentence.

    Raises
    ------
    Refused : with where the sentence stands.
    """
    if lot.sentenced:
        raise Refused(
            f"{lot.description.title} has its sentence ({lot.document}); units that come again are a lot of another "
            f"number that says 'resubmits: {lot.description.lot}', and one unit alone is tested again by 'lot retest'"
        )
