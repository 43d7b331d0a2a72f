"""Leads an operator through what is due: mount, scan, clamp, clear the area, test; one unit at one clause at a time.

1. Work follows the file's order. It stops at a hold point, and after an attempt that left its unit undecided.
2. Nothing moves before the operator has said that the area is clear.
3. A break at any prompt, and any end of the process, leaves the qualification where it can be carried on.
4. A rehearsal asks nobody: preconditions are taken as met and hold points as released, by nobody, and that is written
   down. It is for stand-ins alone.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from stepwitness.attempts import Refused, Why, carried_out
from stepwitness.attendance import CLEAR, Operator
from stepwitness.display import SHAPES
from stepwitness.qualification.course import Attempt, unconfirmed
from stepwitness.qualification.description import Clause, HoldPoint
from stepwitness.qualification.qualification import Qualification


def work(
    qualification: Qualification,
    operator: Operator,
    *,
    by: str = "",
    rehearsal: bool = False,
    today: Callable[[], date] = date.today,
) -> HoldPoint | None:
    """Test what is due, in its order, up to the next hold point or to the end; the hold point at which work stands.

    Raises
    ------
    BrokenOff, KeyboardInterrupt : between two units or within one; it can be carried on.
    Refused : something is missing; an attempt left its unit undecided. SafeStateError : an axis that isn't safe.
    """
    told_of_recovery(qualification, operator)
    qualification.check_files()
    if rehearsal:
        for _, text in unconfirmed(qualification.course, qualification.description):
            qualification.confirm(text, rehearsed=True)
    cells = len(qualification.description.cells)
    while left := qualification.progress.due:
        point = qualification.progress.hold_point
        if point is not None and not rehearsal:
            return point
        if point is not None:
            qualification.release(point.id, rehearsed=True)
            continue
        clause, serial = left[0]
        operator.say(f"\n{cells - len(left) + 1} of {cells}: clause {clause.heading}, unit {serial}")
        attempt = conduct_unit(qualification, clause, serial, operator, by=by, today=today())
        if not attempt.decides:
            raise Refused(
                f"{serial} isn't decided in clause {clause.number} by this record; find the cause, then 'stepwitness "
                "qualify run' tests it again"
            )
    return None


def conduct_unit(
    qualification: Qualification,
    clause: Clause,
    serial: str,
    operator: Operator,
    *,
    by: str = "",
    why: Why | None = None,
    note: str = "",
    today: date,
) -> Attempt:
    """Lead one unit through the plan of one clause; a `why` makes it a re-run. Raises as `work`."""
    qualification.check_ready(clause, today)
    rig = qualification.setting.rig(clause)
    operator.confirm(f"Mount {serial} on {rig.bench.name}, then press Enter")
    _scanned(serial, operator)
    operator.confirm("Clamp it, then press Enter")
    operator.say(rig.forecast(clause.plan))
    operator.confirm_by(f"Is the area clear? Type '{CLEAR}'", CLEAR)
    attempt = qualification.begin(clause, serial, by=by, why=why, note=note)
    return carried_out(
        qualification,
        attempt,
        run=lambda folder: rig.conduct(clause.plan, folder, attempt, told=operator.say),
        told=lambda ended: _told(ended, operator),
    )


def told_of_recovery(qualification: Qualification, operator: Operator) -> None:
    """Bring an attempt to its end whose process died, and say what came of it."""
    attempt = qualification.recover()
    if attempt is not None:
        told = f"{attempt.serial} was under test at clause {attempt.clause} when the process died"
        operator.say(f"{told}: {attempt.came_of_it}")


def _scanned(serial: str, operator: Operator) -> None:
    while (scanned := operator.scan("Scan its serial number", serial).strip()) != serial:
        operator.say(f"refused: {scanned or 'nothing'} isn't {serial}, which is due")


def _told(attempt: Attempt, operator: Operator) -> None:
    assert attempt.outcomes is not None, "it has its record"
    shape = SHAPES[attempt.outcomes.verdict]
    operator.say(f"{shape} {attempt.outcomes.statement}")
