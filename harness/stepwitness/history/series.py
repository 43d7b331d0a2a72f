"""A characteristic over the records of a store, with what a picture or a table of it says in words.

1. What may be compared stands together: one unit on one bench by one plan, stand-ins and real parts apart.
2. Numbers are in the unit of the newest record's plan, so that a reader needs neither axis nor bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from stepwitness.display import bound_text, unit_text, unit_value
from stepwitness.findings import Sense
from stepwitness.history.notes import words_on
from stepwitness.history.past import Point, instant, splits_among
from stepwitness.quantities import Kind

if TYPE_CHECKING:
    from stepwitness.records.store import Store, TrendPoint


@dataclass(frozen=True)
class Shown:
    """One record's value with its expanded uncertainty U, and the limits that its plan set it.

    `limits` are one bound, or both ends of a limit on a magnitude; none where the plan had no limit. `limit_text` is
    the bound with its unit, or an empty text. `changed` says what split the history between the record before and
    this one.
    """

    time: datetime
    value: float
    expanded: float
    limits: tuple[float, ...]
    limit_text: str
    verdict: str
    changed: tuple[str, ...] = ()


@dataclass(frozen=True)
class Series:
    """A history, oldest first.

    Attributes
    ----------
    heading : procedure, characteristic and symbol. unit : as it is printed, empty for a number.
    subject : whose, on which bench, by which plan. at_least : whether its limits are least ones.
    newest : what the newest run found against those before, in words; empty where it compared nothing.
    """

    heading: str
    unit: str
    subject: str
    simulated: bool
    at_least: bool
    points: tuple[Shown, ...]
    newest: str = ""


def histories(points: Sequence[TrendPoint]) -> list[list[TrendPoint]]:
    """Points of a trend, each history by itself."""
    found: dict[tuple[object, ...], list[TrendPoint]] = {}
    for one in points:
        found.setdefault((one.bench, one.serial, one.plan, one.procedure, one.simulated), []).append(one)
    return list(found.values())


def series_of(store: Store, points: Sequence[TrendPoint], characteristic: str) -> Series:
    """One history of the characteristic, as it is shown.

    Raises
    ------
    BadInput : where the newest record's bench isn't one that this version can read.
    """
    from stepwitness.bench.model import parse_bench

    last = points[-1]
    sections = store.sections(last.seal)
    axis = parse_bench(sections["bench"]["text"], sections["bench"]["file"]).axis
    told = next(
        one
        for one in store.findings(last.seal)
        if (one.procedure, one.characteristic) == (last.procedure, characteristic)
    )
    kind = Kind(told.kind)
    scale = float(unit_value(told.unit, kind, axis))
    magnitude = _is_magnitude(sections["procedures"], last.procedure, characteristic)
    splits = {
        split.index: split.changed
        for split in splits_among([Point(one.seal, one.started, one.value, 0.0, one.splits) for one in points])
    }
    unit = f"{axis.name}, serial {last.serial}" if last.serial else axis.name
    return Series(
        heading=f"{last.procedure.replace('_', ' ')}: {told.title} {told.symbol}".strip(),
        unit=unit_text(told.unit),
        subject=f"{unit} on {last.bench}, plan {last.plan}",
        simulated=last.simulated,
        at_least=told.sense == Sense.AT_LEAST.value,
        points=tuple(
            Shown(
                instant(one.started),
                one.value / scale,
                (one.expanded or 0.0) / scale,
                () if one.limit is None else _ends(one.limit / scale, both=magnitude),
                "" if one.limit is None else bound_text(one.limit, told.unit, kind, axis),
                one.verdict,
                splits.get(index, ()),
            )
            for index, one in enumerate(points)
        ),
        newest=words_on(sections.get("history", {}), last.procedure, characteristic),
    )


def _ends(bound: float, *, both: bool) -> tuple[float, ...]:
    return (-bound, bound) if both else (bound,)


def _is_magnitude(entries: Sequence[dict[str, str]], procedure: str, characteristic: str) -> bool:
    """Whether the limit holds for either sign; a procedure that isn't installed any more doesn't say."""
    from stepwitness.procedures.registry import procedures

    name = next((entry["procedure"] for entry in entries if entry["id"] == procedure), "")
    declared = procedures()[name].characteristic(characteristic) if name in procedures() else None
    return declared is not None and declared.magnitude
