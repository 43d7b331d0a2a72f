"""A qualification on the terminal, by the sections of its document: the same before and after it is sealed."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from stepwitness.commands.prompts import say_wrapped
from stepwitness.commands.terminal import WIDTH, say
from stepwitness.records.kinds import QUALIFICATION

PAGE = "qualification.html"

Sections = Mapping[str, Any]


def say_json(sections: Sections, folder: Path) -> None:
    """The qualification for a machine; `sealed` tells whether it has ended."""
    sealed = (folder / QUALIFICATION.file).exists()
    say(json.dumps({"folder": str(folder), "sealed": sealed, **sections}, indent=2, ensure_ascii=False))


def say_head(sections: Sections, *, to_error: bool = False) -> None:
    """Which qualification, of which revision, on which units."""
    what, approval = sections["qualification"], sections["qualification"]["approval"]
    title = f"qualification {what['number']}, revision {what['revision']['mark']}"
    mode = "SIMULATED" if sections["end"]["simulated"] else "LIVE"
    say(f"{title}{mode:>{max(len(mode) + 1, WIDTH - len(title))}}", to_error=to_error)
    say_wrapped(what["title"], to_error=to_error)
    approved = f"approved by {approval['by']} on {approval['on']}" if approval else "approval: absent"
    say_wrapped(f"{approved}; units {', '.join(what['units'])}, {what['order']}", to_error=to_error)


def say_qualification(sections: Sections, folder: Path) -> None:
    """Verdict, matrix, criteria, what else an auditor looks for, and where the page is."""
    end = sections["end"]
    say("")
    say_wrapped(f"{_shape(end['verdict'])}{_sentence(end['statement'], end['verdict'])}", indent="")
    if end["note"]:
        say_wrapped(f"It ended before all was done: {end['note']}", indent="")
    say("")
    for line in _matrix(sections):
        say(f"  {line}".rstrip())
    for title, lines in (
        ("clauses", _clauses(sections["clauses"])),
        ("units with more than one record", _several(sections)),
        ("hold points", _hold_points(sections["hold_points"])),
        ("deviations", _deviations(sections)),
        ("absent", iter(sections["absent"])),
    ):
        told = list(lines)
        if told:
            say("")
            say(title)
        for line in told:
            _bullet(line)
    page = folder / PAGE
    say(str(page if page.exists() else folder))


def _bullet(text: str) -> None:
    for line in textwrap.wrap(
        text, WIDTH, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False, break_long_words=False
    ):
        say(line)


def _sentence(statement: str, verdict: str) -> str:
    """The verdict's word first, then its reason."""
    return f"{verdict}  {statement.partition(f'{verdict}')[2].lstrip('., ')}"


def _shape(verdict: str | None) -> str:
    from stepwitness.display import SHAPES

    return f"{SHAPES[verdict]} " if verdict in SHAPES else ""


def _matrix(sections: Sections) -> Iterator[str]:
    """A line a clause, a column a unit, in blocks that fit; a number behind a verdict is the attempt that counts."""
    serials = sections["qualification"]["units"]
    cells = {(one["clause"], one["serial"]): _cell(one) for one in sections["matrix"]}
    numbers = [one["number"] for one in sections["clauses"]]
    first = max(len("clause"), *(len(number) for number in numbers))
    width = max(len(text) for text in [*serials, *cells.values()])
    fit = max(1, (WIDTH - 2 - first) // (width + 2))
    for at in range(0, len(serials), fit):
        block = serials[at : at + fit]
        if at:
            yield ""
        yield f"{'clause':{first}}  " + "  ".join(f"{serial:{width}}" for serial in block)
        for number in numbers:
            yield f"{number:{first}}  " + "  ".join(f"{cells[number, serial]:{width}}" for serial in block)


def _cell(cell: Mapping[str, Any]) -> str:
    verdict = cell["verdict"]
    if verdict is None:
        return "open" if cell["attempts"] else "due"
    again = f" ({cell['counts']})" if len(cell["attempts"]) > 1 else ""
    return f"{_shape(verdict)}{verdict}{again}"


def _clauses(clauses: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for clause in clauses:
        verdict = clause["verdict"] or "open"
        yield f"{clause['number']} {clause['title']}: {_shape(verdict)}{verdict}. {clause['statement']}"


def _several(sections: Sections) -> Iterator[str]:
    """Every record of such a unit: why there is one more, and why it counts or doesn't."""
    for cell in sections["matrix"]:
        for attempt in cell["attempts"]:
            if len(cell["attempts"]) == 1 and attempt["number"] == cell["counts"]:
                continue
            where = f"{cell['clause']} {cell['serial']}, attempt {attempt['number']}"
            told = f"{where}: {_shape(attempt['verdict'])}{attempt['verdict'] or 'no record'}"
            words = [attempt["reason"], "by an earlier plan" if attempt["earlier_plan"] else ""]
            if attempt["number"] == cell["counts"]:
                words.append(f"counts, as {cell['because']}")
            else:
                words.append(attempt["statement"] if attempt["verdict"] is None else "kept, doesn't count")
            yield "; ".join([told, *(word for word in words if word)])
    for attempt in sections["other_attempts"]:
        yield f"{attempt['clause']} {attempt['serial']}: {attempt['verdict'] or 'no record'}; not in the file any more"


def _hold_points(points: Sequence[Mapping[str, Any]]) -> Iterator[str]:
    for point in points:
        released = point["released"]
        told = f"{point['id']} before {point['before']}, {point['title']}"
        if released is None:
            yield f"{told}: not released"
        elif released["rehearsed"]:
            yield f"{told}: passed in rehearsal, released by nobody"
        else:
            by = f"by {released['by']}" if released["by"] else "without initials"
            note = f" ({released['text']})" if released["text"] else ""
            yield f"{told}: released {by} on {_instant(released['at'])}{note}"


def _deviations(sections: Sections) -> Iterator[str]:
    for one in sections["deviations"]:
        about = f"{one['about']}: " if one["about"] else ""
        by = f" ({one['by']})" if one["by"] else ""
        yield f"{_instant(one['at'])}, {about}{one['text']}{by}"
    for change in sections["changes"]:
        if not change["as_deviation"]:
            changed = f": {change['text']}" if change["text"] else ""
            yield f"{_instant(change['at'])}, revision {change['revision']} of {', '.join(change['files'])}{changed}"


def _instant(text: str) -> str:
    """A time of the log, which is UTC, to the minute."""
    return f"{text[:16].replace('T', ' ')} UTC"
