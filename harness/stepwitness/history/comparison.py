"""One characteristic of a run against the same of the runs before, and what guards the comparison."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from stepwitness.findings import Finding, Limit, Sense, Verdict
from stepwitness.history.past import Past, Point, Split, Subject, since_day, splits_among
from stepwitness.metrology.trend import BASELINE, Status, Trend, Watch, trend
from stepwitness.plan.description import HistoryPolicy, OnChange, Plan
from stepwitness.quantities import Kind


@dataclass(frozen=True)
class Compared:
    """A limit's characteristic with its history, this run last.

    `trend` is of the runs from `first` on, which nothing splits; its indices count from there.
    """

    procedure: str
    limit: Limit
    points: tuple[Point, ...]
    splits: tuple[Split, ...]
    trend: Trend

    @property
    def first(self) -> int:
        return self.splits[-1].index if self.splits else 0

    @property
    def status(self) -> Status:
        return self.trend.status

    @property
    def changed(self) -> bool:
        return self.status in (Status.DRIFTED, Status.STEP)

    def fails(self, policy: HistoryPolicy) -> bool:
        """Whether the plan wants its test to fail for it."""
        asked = {Status.DRIFTED: policy.on_drift, Status.STEP: policy.on_step}.get(self.status)
        return asked is OnChange.FAIL


@dataclass(frozen=True)
class Guard:
    """The check standard of a night: whether it was what it should be, and the reason where it wasn't."""

    procedure: str
    holds: bool
    reason: str = ""


@dataclass(frozen=True)
class Night:
    """A run against its past; `guard` is None where the plan has no check standard."""

    compared: tuple[Compared, ...]
    guard: Guard | None = None

    def find(self, procedure: str, characteristic: str) -> Compared | None:
        return next(
            (
                one
                for one in self.compared
                if (one.procedure, one.limit.characteristic.name) == (procedure, characteristic)
            ),
            None,
        )


def night_of(plan: Plan, findings: Iterable[Finding], past: Past, subject: Subject, *, now: Point) -> Night:
    """Every finding that has a value, against its past.

    Parameters
    ----------
    now : this run; its value and u are set by each finding.
    """
    limits = sum(len(planned.limits) for planned in plan.procedures)
    watch = Watch(plan.history.baseline or BASELINE).shared(max(limits, 1))
    findings = list(findings)
    compared = [_compared(one, past, subject, now, plan.history, watch) for one in findings]
    found = tuple(one for one in compared if one is not None)
    return Night(found, _guard(plan, findings, found))


def _compared(
    finding: Finding, past: Past, subject: Subject, now: Point, policy: HistoryPolicy, watch: Watch
) -> Compared | None:
    if finding.estimate.value is None:
        return None
    limit, estimate = finding.limit, finding.estimate
    value = float(finding.estimate.value)
    earlier = past.points(
        subject,
        procedure=finding.procedure,
        characteristic=limit.characteristic.name,
        since=policy.since.isoformat() if policy.since else "",
    )
    points = since_day(
        [*(one for one in earlier if one.time <= now.time), replace(now, value=value, u=estimate.standard_uncertainty)],
        policy.since,
    ) or [replace(now, value=value, u=estimate.standard_uncertainty)]
    return compare(finding.procedure, limit, points, watch)


def compare(procedure: str, limit: Limit, points: Sequence[Point], watch: Watch) -> Compared:
    """The newest of `points` against the others, from the last split on."""
    splits = splits_among(points)
    current = points[splits[-1].index :] if splits else points
    lower, upper = allowed(limit)
    found = trend(
        [point.time.timestamp() for point in current],
        [point.value for point in current],
        [point.u for point in current],
        watch=watch,
        resolution=1.0 if limit.characteristic.kind is Kind.COUNT else 0.0,
        lower=lower,
        upper=upper,
    )
    return Compared(procedure, limit, tuple(points), splits, found)


def allowed(limit: Limit) -> tuple[float, float]:
    """Between which values the limit holds; infinite where there is no such end. A least magnitude has neither."""
    characteristic = limit.characteristic
    if characteristic.sense is Sense.AT_MOST:
        return (-limit.bound if characteristic.magnitude else -math.inf), limit.bound
    return (-math.inf if characteristic.magnitude else limit.bound), math.inf


def _guard(plan: Plan, findings: Sequence[Finding], compared: Sequence[Compared]) -> Guard | None:
    """What the check standards say of the night: the first that isn't good speaks for all."""
    guards = {planned.id for planned in plan.procedures if planned.procedure.guards}
    if not guards:
        return None
    mine = [finding for finding in findings if finding.procedure in guards]
    if not mine:
        return Guard(min(guards), False, "it was not measured")
    for finding in mine:
        if finding.verdict is not Verdict.PASS:
            return Guard(finding.procedure, False, f"{finding.characteristic.title} is {finding.verdict.value}")
    for one in compared:
        if one.procedure in guards and one.changed:
            return Guard(one.procedure, False, f"{one.limit.characteristic.title}: {one.status.value}")
    return Guard(mine[0].procedure, True)
