"""A record's findings and estimates as rows of words and aligned numbers.

1. Values, uncertainties and limits are printed as the record sealed them; what it holds in SI alone (margins and
   budgets) is printed by `stepwitness.display`, in the same unit.
2. Worst first: by verdict, then by how little of the limit is left.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from markupsafe import Markup

from stepwitness.axis import Axis
from stepwitness.display import (
    MINUS,
    NOTHING,
    THIN,
    Shown,
    confidence_text,
    factor_text,
    number,
    probability_text,
    shown,
    with_unit,
)
from stepwitness.errors import StepwitnessError
from stepwitness.findings import Contribution, Verdict
from stepwitness.quantities import Kind
from stepwitness.simulation import simulated
from stepwitness_reports.svg import VERDICT_CLASS, share_bar, verdict_mark


@dataclass(frozen=True)
class Aligned:
    """A number that stands under others on its decimal point; the width is in digits and the same down a column."""

    whole: str
    part: str
    unit: str
    whole_width: float = 0.0

    @classmethod
    def of(cls, text: str, unit: str) -> Aligned:
        """A printed number without its unit, and its printed unit."""
        whole, point, decimals = text.partition(".")
        return cls(whole, point + decimals, with_unit("", unit))


@dataclass(frozen=True)
class BudgetLine:
    """One contribution in words, and its share of u² also as a bar."""

    source: str
    kind: str
    u: str
    share: str
    distribution: str = ""
    dof: str = ""
    bar: Markup = Markup("")


@dataclass(frozen=True)
class Simulation:
    """Expanded uncertainty by simulation, and what it says of the one by the law of propagation."""

    expanded: str
    trials: str
    words: str


@dataclass(frozen=True)
class Row:
    """One finding, or one estimate without a limit (then `verdict` is empty)."""

    procedure: str
    characteristic: str
    title: str
    symbol: str
    value: Aligned | None
    uncertainty: Aligned | None
    said: str
    statement: str
    note: str
    clause: str
    definition: str
    budget: tuple[BudgetLine, ...]
    combined: str
    verdict: str = ""
    limit: str = ""
    margin: Aligned | None = None
    bound: float = 0.0
    probability: str = ""
    interval: str = ""
    dof: str = ""
    factor: str = ""
    decided_by: tuple[str, ...] = ()
    expanded: str = ""
    simulation: Simulation | None = None

    @property
    def verdict_class(self) -> str:
        return VERDICT_CLASS.get(self.verdict, "")

    @property
    def mark(self) -> Markup:
        return verdict_mark(self.verdict)


def sentence(text: str) -> str:
    """A statement with a capital and a full stop."""
    text = _stopped(text)
    return text[:1].upper() + text[1:]


def _stopped(text: str) -> str:
    return text if not text or text[-1] in ".!?" else f"{text}."


def rows_of(record: Mapping[str, Any], axis: Axis | None) -> tuple[list[Row], list[Row]]:
    """Findings, worst first, and estimates that have no limit, in the record's order.

    `axis` prints margins and budgets in steps; without it those in steps are left out.
    """
    id_of_record = str(record["run"]["id"])
    estimates = {(item["id"], held["name"]): held for item in record["procedures"] for held in item["estimates"]}
    findings = [
        _finding(held, estimates.get((held["procedure"], held["characteristic"]), {}), axis, id_of_record)
        for held in sorted(record["findings"], key=_badness)
    ]
    judged = {(held["procedure"], held["characteristic"]) for held in record["findings"]}
    others = [
        _row(id_, name, held, axis, id_of_record)
        for (id_, name), held in estimates.items()
        if (id_, name) not in judged
    ]
    return _aligned(findings), _aligned(others)


def _badness(finding: Mapping[str, Any]) -> tuple[float, float]:
    """Sorts the worst first: rank of the verdict, then the margin as a share of the limit."""
    margin, limit = finding["margin"], finding["limit"]
    worse = -Verdict(finding["verdict"]).rank
    if not margin:
        return (worse, 0.0)
    return (worse, margin / abs(limit) if limit else math.copysign(math.inf, margin))


def _finding(held: Mapping[str, Any], estimate: Mapping[str, Any], axis: Axis | None, record: str) -> Row:
    """A finding, with the definition and the budget of its estimate."""
    row = _row(held["procedure"], held["characteristic"], {**estimate, **held}, axis, record)
    margin = None
    if held["margin"] is not None:
        printed = _shown(held["margin"], held["U"], held["unit"], estimate, axis)
        margin = Aligned.of(printed.value, printed.unit) if printed else None
    return replace(
        row,
        verdict=held["verdict"],
        limit=held["shown"]["limit"],
        margin=margin,
        probability=probability_text(held["probability"]) if held.get("probability") is not None else "",
        bound=held["limit"],
        decided_by=_decided(held.get("decided_by")),
        statement=row.statement or f"{row.title} is {row.said or 'not known'}; the limit is {held['shown']['limit']}.",
    )


def _row(id_: str, name: str, held: Mapping[str, Any], axis: Axis | None, record: str) -> Row:
    value = uncertainty = None
    said, printed = "", held["shown"]
    if held["value"] is not None:
        said = with_unit(printed["value"], printed["unit"])
        value = Aligned.of(printed["value"], printed["unit"])
        if printed["U"]:
            uncertainty = Aligned.of(printed["U"], printed["unit"])
    return Row(
        procedure=id_,
        characteristic=name,
        title=held["title"],
        symbol=held["symbol"],
        value=value,
        uncertainty=uncertainty,
        said=said,
        statement=_stopped(held["statement"] or held["reason"]),
        note=sentence(held["reason"] or held["statement"]),
        clause=held["clause"],
        definition=sentence(held.get("definition", "")),
        budget=_budget(held, axis),
        combined=_standard(held["u"], held, axis),
        interval=_interval(held.get("interval")),
        dof=_degrees(held.get("dof")),
        factor=factor_text(held["k"]) if uncertainty else "",
        expanded=_standard(held["U"], held, axis),
        simulation=_simulation(id_, name, held, axis, record),
    )


def _shown(value: float, U: float, unit: str, estimate: Mapping[str, Any], axis: Axis | None) -> Shown | None:
    try:
        return shown(value, U or 0.0, unit=unit, kind=Kind(estimate["kind"]), axis=axis)
    except StepwitnessError:
        return None


def _budget(held: Mapping[str, Any], axis: Axis | None) -> tuple[BudgetLine, ...]:
    lines = held.get("budget", ())
    total = sum(item["u"] ** 2 for item in lines)
    if not total:
        return ()
    return tuple(
        BudgetLine(
            item["source"],
            item["type"],
            _standard(item["u"], held, axis),
            with_unit(number(100 * item["u"] ** 2 / total, 0), "%"),
            item.get("distribution", ""),
            _degrees(item.get("dof")),
            share_bar(item["u"] ** 2 / total),
        )
        for item in lines
    )


def _simulation(id_: str, name: str, held: Mapping[str, Any], axis: Axis | None, record: str) -> Simulation | None:
    budget = [
        Contribution(
            item["source"],
            item["u"],
            item["type"],
            math.inf if item.get("dof") is None else item["dof"],
            item.get("distribution", "normal"),
        )
        for item in held.get("budget", ())
    ]
    found = simulated(budget, held["U"] or 0.0, record, id_, name)
    if found is None:
        return None
    if not found.stable:
        words = "no number of trials settles: of two readings a standard deviation is too uncertain to have one itself"
    elif held.get("interval"):
        words = "k = 2 is a convention here, and the interval above is the one whose coverage is proved"
    elif found.agrees:
        words = "law of propagation and simulation agree within 5 %"
    else:
        share = with_unit(number(100 * (found.expanded / held["U"] - 1), 0), "%")
        words = f"they differ by {share}, because the sum isn't distributed as the law of propagation supposes"
    return Simulation(_standard(found.expanded, held, axis), number(found.trials, 0), words)


def _degrees(dof: float | None) -> str:
    """Degrees of freedom, truncated as a table of t is read; endless ones, and thousands, as a dash."""
    return NOTHING if dof is None or dof >= 1000 else number(math.floor(dof + 1e-9), 0)


def _interval(held: Mapping[str, Any] | None) -> str:
    """An interval as a sentence, or nothing."""
    if not held:
        return ""
    return f"{confidence_text(held['confidence'])} interval {held['shown']}, of {held['of']}."


def _decided(held: Mapping[str, Any] | None) -> tuple[str, ...]:
    """``95 %: 2.71``, ``to 3.52 µm``: the interval that was held against the limit, in parts between which a line may
    end; nothing where value ± U was."""
    if not held:
        return ()
    low, _, high = held["shown"].partition(" to ")
    return f"{confidence_text(held['confidence'])}: {low}", f"to {high}"


def _standard(u: float | None, held: Mapping[str, Any], axis: Axis | None) -> str:
    """A standard uncertainty, to two significant digits."""
    if not u:
        return "0"
    printed = _shown(0.0, u, held["unit"], held, axis)
    return with_unit(printed.uncertainty, printed.unit) if printed else NOTHING


def _aligned(rows: Sequence[Row]) -> list[Row]:
    """The same rows, with the width that sets the decimal points of a column under each other."""
    done = list(rows)
    for column in ("value", "uncertainty", "margin"):
        cells = [cell for row in rows if (cell := getattr(row, column)) is not None]
        width = max((_width(cell.whole) for cell in cells), default=0.0)
        done = [
            replace(row, **{column: replace(cell, whole_width=width)})
            if (cell := getattr(row, column)) is not None
            else row
            for row in done
        ]
    return done


_WIDTHS = {".": 0.5, THIN: 0.4, MINUS: 1.35}


def _width(text: str) -> float:
    """About how wide `text` is, in digits."""
    return round(sum(_WIDTHS.get(letter, 1.0) for letter in text), 2)
