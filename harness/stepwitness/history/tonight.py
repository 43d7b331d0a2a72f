"""A run against its past, from what the run itself knows: the one call that a plugin or a command makes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.findings import Finding
from stepwitness.history.attempts import Attempts, nights_of
from stepwitness.history.comparison import Night, night_of
from stepwitness.history.past import EarlierRun, Past, Point, Subject, instant
from stepwitness.history.section import section_of
from stepwitness.plan.description import Plan, Purpose
from stepwitness.records.splits import splits_of

KNOWN = timedelta(days=366)
"""Nights among which flaky ones are counted."""


@dataclass(frozen=True)
class Tonight:
    """A run of a nightly plan: what it is of, what it was made with, and the runs before it; `started` is ISO 8601."""

    plan: Plan
    bench: BenchDescription
    past: Past
    started: str
    simulated: bool
    identities: Mapping[str, str]

    @property
    def subject(self) -> Subject:
        return Subject(self.bench.name, self.bench.axis.name, self.bench.axis_serial, self.plan.name, self.simulated)

    def against_past(self, findings: Sequence[Finding]) -> Night:
        """Findings of this run against the same of the runs before; of a plan that isn't nightly, none."""
        if self.plan.purpose is not Purpose.NIGHTLY:
            return Night(())
        splits = splits_of(bench=self.bench, plan_text=self.plan.text, identities=self.identities)
        return night_of(self.plan, findings, self.past, self.subject, now=Point("", self.started, 0.0, 0.0, splits))

    def section(self, run: EarlierRun, findings: Sequence[Finding]) -> dict[str, Any]:
        """The section ``history`` of this run's record."""
        since = (instant(self.started) - KNOWN).isoformat(timespec="seconds")
        nights = nights_of([*self.past.runs(self.subject, since=since), run])
        attempts = next((night for night in nights if run in night.runs), Attempts((run,)))
        return section_of(self.against_past(findings), attempts, nights, self.plan.history, self.bench.axis)
