"""How far a lot is, by the events of its ledger; pure.

1. A unit is decided by its first record that leaves it conforming or nonconforming. No later one changes that.
2. An attempt that left a unit open, or left no record, is kept, and the unit is due again.
3. A retest, of a unit that is decided, states why, and counts for nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from stepwitness import attempts
from stepwitness.attempts import BEGUN, LOST, TESTED, Outcomes
from stepwitness.inspection.sentence import Outcome, Unit
from stepwitness.metrology.switching import Stage
from stepwitness.records.ledger import Event

DRAWN, REFUSED = "drawn", "refused"


@dataclass(frozen=True)
class Draw:
    """The sample as it was drawn, in the order of testing, and the stage of inspection that asked for it."""

    serials: tuple[str, ...]
    seed: int
    stage: Stage


@dataclass(frozen=True)
class UnitOutcomes(Outcomes):
    """What a record says of a unit, and what the unit is by all limits and by those that aren't judged by variables."""

    outcome: Outcome
    otherwise: Outcome


@dataclass(frozen=True, kw_only=True)
class Attempt(attempts.Attempt):
    """One test of one unit."""

    outcomes: UnitOutcomes | None = None


@dataclass(frozen=True)
class Standing:
    """A lot so far. `refusals` : what was scanned and why it was turned away, with its time."""

    draw: Draw | None = None
    attempts: tuple[Attempt, ...] = ()
    refusals: tuple[Mapping[str, str], ...] = ()

    def of(self, serial: str) -> list[Attempt]:
        """A unit's attempts, the first first."""
        return [attempt for attempt in self.attempts if attempt.serial == serial]

    def deciding(self, serial: str) -> Attempt | None:
        """The attempt that decided a unit."""
        for attempt in self.of(serial):
            if attempt.why is None and attempt.outcomes is not None and attempt.outcomes.outcome is not Outcome.OPEN:
                return attempt
        return None

    @property
    def due(self) -> list[str]:
        """Drawn units that aren't decided: those that nobody tested yet first."""
        drawn = self.draw.serials if self.draw else ()
        undecided = [serial for serial in drawn if self.deciding(serial) is None]
        return sorted(undecided, key=lambda serial: bool(self.of(serial)))

    @property
    def units(self) -> list[Unit]:
        """The drawn units that are decided, in the order drawn."""
        found = []
        for serial in self.draw.serials if self.draw else ():
            attempt = self.deciding(serial)
            if attempt is not None and attempt.outcomes is not None:
                outcomes = attempt.outcomes
                values = {f"{one['procedure']}.{one['characteristic']}": one["value"] for one in outcomes.findings}
                found.append(Unit(serial, outcomes.outcome, outcomes.otherwise, values))
        return found

    @property
    def unfinished(self) -> Attempt | None:
        return attempts.unfinished(self.attempts)


def replayed(events: Sequence[Event]) -> Standing:
    """The standing after `events`."""
    standing = Standing()
    for event in events:
        standing = _after(standing, event)
    return standing


def _after(standing: Standing, event: Event) -> Standing:
    kind = event["event"]
    if kind == DRAWN:
        return replace(standing, draw=Draw(tuple(event["serials"]), event["seed"], Stage(event["stage"])))
    if kind == BEGUN:
        attempt = Attempt.of(event, operator=event["operator"])
        return replace(standing, attempts=(*standing.attempts, attempt))
    if kind == REFUSED:
        refusal = {key: event[key] for key in ("at", "scanned", "problem")}
        return replace(standing, refusals=(*standing.refusals, refusal))
    if kind in (TESTED, LOST):
        return replace(standing, attempts=attempts.with_end(standing.attempts, event, _outcomes))
    return standing


def _outcomes(event: Event) -> UnitOutcomes:
    return UnitOutcomes.of(event, outcome=Outcome(event["outcome"]), otherwise=Outcome(event["otherwise"]))


def refusal(standing: Standing, lot_serials: Sequence[str], scanned: str, *, elsewhere: Mapping[str, str]) -> str:
    """Why a unit that was scanned isn't tested now, or an empty text.

    Parameters
    ----------
    elsewhere : units that were tested before, with the lot in which.
    """
    drawn = standing.draw.serials if standing.draw else ()
    if scanned not in lot_serials:
        return "isn't a unit of this lot"
    if scanned not in drawn:
        return "is a unit of this lot that wasn't drawn"
    decided = standing.deciding(scanned)
    if decided is not None and decided.outcomes is not None:
        when = f"{datetime.fromisoformat(decided.begun):%Y-%m-%d %H:%M} UTC"
        return (
            f"was tested already ({when}) and is {decided.outcomes.outcome.value}; 'stepwitness lot retest' tests it "
            "again, with the reason"
        )
    if scanned in elsewhere:
        return f"was tested before, in lot {elsewhere[scanned]}"
    return ""
