"""A record in a comment: Markdown for a merge request, short enough to be read there.

What isn't well comes first and in full; what is well is counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

MOST_ROWS = 24
"""Findings that are listed one by one; more are counted."""


def markdown(records: Sequence[Mapping[str, Any]], *, reports: Sequence[str] = ()) -> str:
    """The sections of one run's records as Markdown; `reports` are links or paths, one a record."""
    paths = [*reports, *([""] * (len(records) - len(reports)))]
    return "\n\n".join("\n".join(_record(one, path)) for one, path in zip(records, paths, strict=True)) + "\n"


def _record(sections: Mapping[str, Any], report: str) -> Iterator[str]:
    run, plan, bench, axis = (sections[name] for name in ("run", "plan", "bench", "axis"))
    history = sections.get("history")
    simulated = " · SIMULATED" if run["simulated"] else ""
    unit = f"{axis['name']}, serial {axis['serial']}" if axis["serial"] else axis["name"]
    yield f"### {run['verdict']}: {_text(unit)} · {_text(plan['name'])} on {_text(bench['name'])}{simulated}"
    yield ""
    yield _text(run["statement"])
    notes = list(_notes(history)) if history else []
    if notes:
        yield ""
        yield from (f"- {_text(note)}" for note in notes)
    rows = _rows(sections["findings"], history)
    if rows:
        yield ""
        yield "| verdict | characteristic | value ± U | limit | against the runs before |"
        yield "| --- | --- | ---: | ---: | --- |"
        yield from rows[:MOST_ROWS]
        if len(rows) > MOST_ROWS:
            yield ""
            yield f"and {len(rows) - MOST_ROWS} more like these"
    yield ""
    yield _well(sections["findings"], history, len(rows))
    foot = " · ".join(part for part in (f"record {run['id']}", run["started"], report) if part)
    yield f"<sub>{_text(foot)}</sub>"


def _notes(history: Mapping[str, Any]) -> Iterator[str]:
    """What holds for the whole night."""
    guard = history["guard"]
    if guard is not None and not guard["holds"]:
        yield (
            f"The check standard '{guard['procedure']}' isn't what it was ({guard['reason']}): "
            "no other comparison of this run is sure."
        )
    if history["flaky"]:
        told = ", ".join(f"{one['verdict']} ({one['id']})" for one in history["attempts"])
        yield f"Flaky, {history['flaky_nights']} of {history['nights']} nights: {told}"
    elif len(history["attempts"]) > 1:
        yield "Attempts: " + ", ".join(f"{one['verdict']} ({one['id']})" for one in history["attempts"])


def _rows(findings: Sequence[Mapping[str, Any]], history: Mapping[str, Any] | None) -> list[str]:
    """A row for each finding that isn't a PASS, and for each that changed."""
    told = {(one["procedure"], one["characteristic"]): one for one in history["characteristics"]} if history else {}
    rows = []
    for finding in findings:
        compared = told.get((finding["procedure"], finding["characteristic"]))
        changed = compared is not None and compared["changed"]
        if finding["verdict"] == "PASS" and not changed:
            continue
        heading = f"{finding['procedure']}: {finding['title']} {finding['symbol']}".strip()
        cells = (
            f"**{finding['verdict']}**" if finding["verdict"] != "PASS" else "PASS",
            _text(heading),
            _text(finding["shown"]["text"]),
            _text(finding["shown"]["limit"]),
            _text(compared["words"]) if compared else "",
        )
        rows.append(f"| {' | '.join(cells)} |")
    return rows


def _well(findings: Sequence[Mapping[str, Any]], history: Mapping[str, Any] | None, listed: int) -> str:
    rest = len(findings) - listed
    hold = f"{rest} of {len(findings)} limits hold" + (" and are what they were" if history and listed else "") + "."
    fresh = sum(one["status"] == "new" for one in history["characteristics"]) if history else 0
    return hold + (f" {fresh} have too short a history to be compared." if fresh else "")


def _text(words: str) -> str:
    """Words that Markdown leaves alone."""
    for sign in "\\`*_[]<>|#":
        words = words.replace(sign, f"\\{sign}")
    return " ".join(words.split("\n"))
