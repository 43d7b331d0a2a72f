"""What a record's section ``history`` has to tell: one note for the night's own troubles, one for each change."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple


class Note(NamedTuple):
    """A sentence, and whether the plan's policy fails the run for it; None for what is no change of the axis."""

    text: str
    fails: bool | None

    @property
    def told(self) -> str:
        """The sentence, with what the policy makes of it."""
        return f"{self.text}; the plan fails the run for it" if self.fails else self.text


def notes(history: Mapping[str, Any]) -> Iterator[Note]:
    """All of them, what holds for the whole night first; nothing of a section that is empty."""
    if not history:
        return
    yield from night_notes(history)
    for one in history["characteristics"]:
        if one["changed"]:
            heading = f"{one['procedure'].replace('_', ' ')}: {one['title']} {one['symbol']}".strip()
            yield Note(f"{heading}: {one['words']}", one["fails"])


def night_notes(history: Mapping[str, Any]) -> Iterator[Note]:
    """The check standard, attempts that weren't all good, and a history that begins anew."""
    if not history:
        return
    guard, policy = history["guard"], " ".join(history["fails"])
    if guard is not None and not guard["holds"]:
        yield Note(
            f"the check standard '{guard['procedure']}' isn't what it was ({guard['reason']}): no other comparison of "
            "this run is sure",
            "check standard" in policy,
        )
    attempts = history["attempts"]
    if len(attempts) > 1 and any(one["verdict"] != "PASS" for one in attempts):
        *earlier, last = [f"attempt {number} {one['verdict']}" for number, one in enumerate(attempts, 1)]
        told = ", ".join(f"{words} ({one['id']})" for words, one in zip(earlier, attempts, strict=False))
        told += f", {last}"
        if history["flaky"]:
            often = f" as in {history['flaky_nights']} of {history['nights']} nights" if history["nights"] > 1 else ""
            told = f"flaky{often}: {told}"
        yield Note(told, "flaky" in policy if history["flaky"] else None)
    anew = {change for one in history["characteristics"] for change in _fresh_change(one)}
    if anew:
        yield Note(f"a new history begins with this run: {' and '.join(sorted(anew))}", None)


def words_on(history: Mapping[str, Any], procedure: str, characteristic: str) -> str:
    """What the run said of one characteristic against the runs before; empty where it compared none."""
    compared = history["characteristics"] if history else ()
    return next(
        (
            str(one["words"])
            for one in compared
            if (one["procedure"], one["characteristic"]) == (procedure, characteristic)
        ),
        "",
    )


def _fresh_change(one: Mapping[str, Any]) -> list[str]:
    """What changed between the run before and this one."""
    last = one["splits"][-1] if one["splits"] else None
    return list(last["changed"]) if last is not None and last["at"] == len(one["points"]) - 1 else []
