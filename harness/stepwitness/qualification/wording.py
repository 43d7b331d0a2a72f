"""The sentences of a qualification, the same on the terminal, in its document and on its page."""

from __future__ import annotations

from collections.abc import Mapping

from stepwitness.display import counted
from stepwitness.findings import Verdict, worst
from stepwitness.qualification.criteria import ClauseJudgement
from stepwitness.qualification.description import QualificationDescription

INCOMPLETE = "INCOMPLETE"
"""The word of a qualification in which something is still due."""


def statement(told: QualificationDescription, judgements: Mapping[str, ClauseJudgement]) -> tuple[str, str]:
    """The verdict's word, and the sentence that begins with the qualification and gives the reason.

    FAIL as soon as a clause failed; otherwise INCOMPLETE while one is open. The reason is that of the worst clause.
    """
    decided = {number: one.verdict for number, one in judgements.items() if one.verdict is not None}
    head = f"{told.heading}, revision {told.revision.mark}"
    verdict = worst(decided.values()) if decided else None
    missed = sorted(
        (number for number, one in decided.items() if one is not Verdict.PASS), key=lambda number: -decided[number].rank
    )
    opened = [number for number in judgements if number not in decided]
    if verdict is not Verdict.FAIL and opened:
        named = f"{_clauses(opened)} still open"
        return INCOMPLETE, f"{head}: {INCOMPLETE}, which sentences nothing. {named.capitalize()}{_so_far(missed)}."
    assert verdict is not None, "a file has clauses"
    if not missed:
        clauses = counted(len(judgements), "clause")
        return verdict.value, f"{head}: {verdict.value}. {clauses} met on {counted(len(told.units), 'unit')}."
    reason = judgements[missed[0]].statement
    more = f" {_clauses(missed[1:]).capitalize()} not met either." if len(missed) > 1 else ""
    left = f" {_clauses(opened).capitalize()} still open." if opened else ""
    return verdict.value, f"{head}: {verdict.value}. Clause {missed[0]}: {reason}{more}{left}"


def _so_far(missed: list[str]) -> str:
    return f"; {_clauses(missed)} not met" if missed else ""


def _clauses(numbers: list[str]) -> str:
    """``clause 4.1 is``, ``clauses 4.1 and 4.2 are``."""
    if len(numbers) == 1:
        return f"clause {numbers[0]} is"
    return f"clauses {', '.join(numbers[:-1])} and {numbers[-1]} are"
