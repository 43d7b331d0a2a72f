"""The comparison as it stands in a record: plain JSON values, so that a report and a summary need nothing else.

1. Numbers are SI and unrounded; beside them stands what a reader is told, in words.
2. Of a long history the record keeps the baseline's figures and the last `KEPT` runs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from stepwitness.axis import Axis
from stepwitness.display import limit_text, unit_text, unit_value
from stepwitness.history.attempts import Attempts
from stepwitness.history.comparison import Compared, Night, allowed
from stepwitness.history.wording import in_words
from stepwitness.metrology.trend import Status
from stepwitness.plan.description import HistoryPolicy, OnChange

KEPT = 90
"""Runs of a history that a record keeps for its picture: a quarter of a year of nights."""


def section_of(
    night: Night, attempts: Attempts, nights: Sequence[Attempts], policy: HistoryPolicy, axis: Axis
) -> dict[str, Any]:
    """The section ``history``; `attempts` are tonight's, `nights` all that are known, tonight's among them."""
    guard = night.guard
    return {
        "guard": None
        if guard is None
        else {"procedure": guard.procedure, "holds": guard.holds, "reason": guard.reason},
        "attempts": [{"id": run.id, "started": run.started, "verdict": run.verdict} for run in attempts.runs],
        "flaky": attempts.flaky,
        "flaky_nights": sum(one.flaky for one in nights),
        "nights": len(nights),
        "fails": failures(night, attempts, policy),
        "characteristics": [_entry(one, axis, fails=one.fails(policy)) for one in night.compared],
    }


def failures(night: Night, attempts: Attempts, policy: HistoryPolicy) -> list[str]:
    """Why the plan's policy keeps this run from passing, whatever its limits say."""
    found = []
    if night.guard is not None and not night.guard.holds and policy.on_check_standard is OnChange.FAIL:
        found.append(f"the check standard '{night.guard.procedure}' isn't what it was: {night.guard.reason}")
    changed = [one for one in night.compared if one.fails(policy)]
    found += [f"{one.procedure}: {one.limit.characteristic.title}: {one.status.value}" for one in changed]
    if attempts.flaky and policy.on_flaky is OnChange.FAIL:
        found.append(f"flaky: {attempts.in_words()}")
    return found


def _entry(compared: Compared, axis: Axis, *, fails: bool) -> dict[str, Any]:
    trend, level, limit = compared.trend, compared.trend.level, compared.limit
    lower, upper = allowed(limit)
    skipped = max(0, len(compared.points) - KEPT)
    kept = compared.points[skipped:]
    return {
        "procedure": compared.procedure,
        "characteristic": limit.characteristic.name,
        "title": limit.characteristic.title,
        "symbol": limit.characteristic.symbol,
        "unit_text": unit_text(limit.unit),
        "scale": float(unit_value(limit.unit, limit.characteristic.kind, axis)),
        "lower": None if math.isinf(lower) else lower,
        "upper": None if math.isinf(upper) else upper,
        "limit_text": limit_text(limit, axis),
        "status": compared.status.value,
        "changed": compared.changed,
        "fails": fails,
        "words": in_words(compared, axis),
        "runs": len(compared.points) - compared.first,
        "points": [[point.started, point.value] for point in kept],
        "first": max(compared.first - skipped, 0),
        "splits": [
            {"at": split.index - skipped, "changed": list(split.changed)}
            for split in compared.splits
            if split.index >= skipped
        ],
        "baseline": None
        if level is None
        else {
            "runs": len(level.runs),
            "complete": level.complete,
            "centre": level.centre,
            "spread": level.spread,
            "half_width": level.half_width,
        },
        "since": _since(compared, skipped),
        "slope_per_s": trend.ramp.slope_per_s if trend.ramp else None,
        "u_slope_per_s": trend.ramp.u_slope_per_s if trend.ramp else None,
        "shift": trend.step.shift if trend.step else None,
        "crossing": _instant(trend.ramp.crossing_s if trend.ramp else None),
        "earliest": _instant(trend.ramp.earliest_s if trend.ramp else None),
        "latest": _instant(trend.ramp.latest_s if trend.ramp else None),
    }


def _since(compared: Compared, skipped: int) -> int | None:
    """The index among the kept points of the first run after the change."""
    trend = compared.trend
    if trend.status not in (Status.DRIFTED, Status.STEP):
        return None
    index = trend.step.index if trend.step else trend.ramp.index if trend.ramp else 0
    return max(compared.first + index - skipped, 0)


def _instant(seconds: float | None) -> str | None:
    if seconds is None:
        return None
    try:
        return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")
    except (OverflowError, ValueError, OSError):  # further away than a calendar goes
        return None
