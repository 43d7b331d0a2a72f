"""Errors that a user can act on: each says where, what was found, what is allowed, and the near miss.

Every error of ours derives from `StepwitnessError`; the plugin and the command line print its text, one line,
and never a traceback, because the mistake lies in a file, a wire or an axis and not in the code.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Place:
    """Where a value stands: file, line (from 1) and the dotted key that leads to it."""

    file: str = ""
    line: int = 0
    key: str = ""

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" if self.line else self.file
        return " ".join(part for part in (where, self.key) if part)

    def below(self, key: str) -> Place:
        """The same place, one key further down."""
        return Place(self.file, self.line, f"{self.key}.{key}" if self.key else key)


class StepwitnessError(Exception):
    """Base of every error whose cause lies outside the code."""


class BadInput(StepwitnessError):
    """A file or an argument says something that isn't allowed.

    Parameters
    ----------
    problem : what is wrong, as a sentence without a full stop.
    place : where it stands.
    found, allowed : the text that was found and what may stand there.
    cure : what to do, where that isn't plain from `allowed`.
    """

    def __init__(
        self, problem: str, *, place: Place | None = None, found: str = "", allowed: str = "", cure: str = ""
    ) -> None:
        self.problem, self.place, self.found, self.allowed, self.cure = problem, place, found, allowed, cure
        super().__init__(problem)

    def at(self, place: Place) -> BadInput:
        """The same error with its place filled in, where it had none or only a key."""
        if self.place is not None and self.place.file:
            return self
        return BadInput(self.problem, place=place, found=self.found, allowed=self.allowed, cure=self.cure)

    def __str__(self) -> str:
        parts = [f"{self.place}: {self.problem}" if self.place else self.problem]
        if self.found:
            parts.append(f"found {self.found}")
        if self.allowed:
            parts.append(f"allowed: {self.allowed}")
        if self.cure:
            parts.append(self.cure)
        return "; ".join(parts)


def near_miss(word: str, known: Iterable[str], *, cutoff: float = 0.6) -> str:
    """``did you mean 'x'?`` for the known word closest to `word`, or an empty string below `cutoff` (0 to 1)."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=cutoff)
    return f"did you mean '{close[0]}'?" if close else ""
