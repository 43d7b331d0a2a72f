"""Attempts of one night: none is lost behind a later one, and a pass after something else counts as flaky.

Runs belong to one night where one says that it follows the other, or where they were started within `NIGHT` of the
first. A run that sentences nothing (PARTIAL) is no attempt.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from stepwitness.history.past import EarlierRun

NIGHT = timedelta(hours=12)

_PASS, _PARTIAL = "PASS", "PARTIAL"


@dataclass(frozen=True)
class Attempts:
    """The attempts of one night, the first one first."""

    runs: tuple[EarlierRun, ...]

    @property
    def flaky(self) -> bool:
        """Whether it passed in the end, though not at once."""
        return self.runs[-1].verdict == _PASS and any(run.verdict != _PASS for run in self.runs[:-1])

    def in_words(self) -> str:
        """``attempt 1 FAIL (…-0210-nightly), attempt 2 PASS``"""
        told = [
            f"attempt {number} {run.verdict} ({run.id})"
            if run is not self.runs[-1]
            else f"attempt {number} {run.verdict}"
            for number, run in enumerate(self.runs, start=1)
        ]
        return ", ".join(told)


def nights_of(runs: Sequence[EarlierRun]) -> tuple[Attempts, ...]:
    """Runs of one plan on one unit, night by night."""
    nights: list[list[EarlierRun]] = []
    for run in sorted(runs, key=lambda one: (one.time, one.attempt)):
        if run.verdict == _PARTIAL:
            continue
        last = nights[-1] if nights else []
        if last and (run.time - last[0].time < NIGHT or run.previous in {one.id for one in last}):
            last.append(run)
        else:
            nights.append([run])
    return tuple(Attempts(tuple(night)) for night in nights)
