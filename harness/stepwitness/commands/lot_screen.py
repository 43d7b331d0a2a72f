"""A lot on the terminal, by the sections of its document: the same before and after it has its sentence."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stepwitness.commands.prompts import say_wrapped
from stepwitness.commands.terminal import WIDTH, say

if TYPE_CHECKING:
    from stepwitness.inspection.lot import Progress

SHEET = "lot.html"

Sections = Mapping[str, Any]


def sections_now(progress: Progress) -> Sections:
    """A lot as it stands, in the form of its document."""
    from stepwitness.inspection.document import sections_of

    return sections_of(progress)


def say_json(sections: Sections, folder: Path) -> None:
    """The lot for a machine; `sealed` tells whether it has its sentence for good."""
    sealed = "switching" in sections
    say(json.dumps({"folder": str(folder), "sealed": sealed, **sections}, indent=2, ensure_ascii=False))


def say_head(sections: Sections, *, to_error: bool = False) -> None:
    """Which lot, on what, and by which sampling plan."""
    lot, title = sections["lot"], _title(sections)
    mode = "SIMULATED" if sections["sentence"]["simulated"] else "LIVE"
    if len(title) + len(mode) + 2 > WIDTH:
        say(title, to_error=to_error)
        title = ""
    say(f"{title}{mode:>{WIDTH - len(title)}}", to_error=to_error)
    say_wrapped(f"{lot['quantity']} units; {sections['sampling']['statement']}", to_error=to_error)
    say_wrapped(
        f"drawn with seed {sections['draw']['seed']}: {', '.join(sections['draw']['serials'])}", to_error=to_error
    )


def _title(sections: Sections) -> str:
    lot = sections["lot"]
    return f"lot {lot['lot']} of {lot['part']} from {lot['supplier']}"


def say_lot(sections: Sections, folder: Path) -> None:
    """The units in the order drawn, the sentence, how inspection goes on, and where the sheet is."""
    say("")
    for line in _units(sections["units"]):
        say(f"  {line}")
    sentence = sections["sentence"]
    say("")
    say_wrapped(sentence["statement"].removeprefix(f"{_title(sections)}: "), indent="")
    if sentence["note"]:
        say_wrapped(f"Closed before the sample was whole: {sentence['note']}", indent="")
    if "switching" in sections:
        say_wrapped(sections["switching"]["statement"], indent="")
    sheet = folder / SHEET
    say(str(sheet if sheet.exists() else folder))


def _units(units: list[Mapping[str, Any]]) -> Iterator[str]:
    """One line a unit: verdict and worst finding of the record that counts; a line for each further attempt."""
    rows = [("unit", "verdict", "worst finding"), *(_row(unit) for unit in units)]
    serial, verdict = (max(len(row[column]) for row in rows) for column in range(2))
    room = max(20, WIDTH - 2 - serial - verdict - 4)
    for row, unit in zip(rows, [None, *units], strict=True):
        first, *rest = textwrap.wrap(row[2], room) or [""]
        yield f"{row[0]:{serial}}  {row[1]:{verdict}}  {first}".rstrip()
        for more in rest:
            yield f"{'':{serial}}  {'':{verdict}}  {more}"
        for attempt in _others(unit) if unit is not None else ():
            told = f"attempt {attempt['number']}: {attempt['verdict'] or 'no record'}"
            why = f" ({attempt['reason']})" if attempt["reason"] else ""
            for line in textwrap.wrap(told + why, WIDTH - 4 - serial):
                yield f"{'':{serial}}  {line}"


def _others(unit: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Attempts beside the one that the unit's line tells of."""
    attempts = unit["attempts"]
    return [one for one in attempts if one["number"] != unit["decided_by"]] if len(attempts) > 1 else []


def _row(unit: Mapping[str, Any]) -> tuple[str, str, str]:
    from stepwitness.display import SHAPES

    if not unit["attempts"]:
        return unit["serial"], "not tested", ""
    told = unit["attempts"][(unit["decided_by"] or len(unit["attempts"])) - 1]
    verdict = told["verdict"] or "no record"
    shape = f"{SHAPES[verdict]} " if verdict in SHAPES else ""
    return unit["serial"], f"{shape}{verdict}", _worst(unit["findings"]) if told["verdict"] else told["statement"]


def _worst(findings: list[Mapping[str, Any]]) -> str:
    """The finding that made the verdict; nothing where all hold."""
    from stepwitness.findings import Verdict

    bad = [one for one in findings if one["verdict"] != Verdict.PASS.value]
    if not bad:
        return ""
    worst = max(bad, key=lambda one: Verdict(one["verdict"]).rank)
    heading = f"{worst['title']} {worst['symbol']}".strip()
    told = worst["shown"]["text"] if worst["value"] is not None else worst["reason"]
    more = f" and {len(bad) - 1} more" if len(bad) > 1 else ""
    return f"{heading} {told}, limit {worst['shown']['limit']}{more}"
