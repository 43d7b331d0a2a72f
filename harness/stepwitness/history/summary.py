"""A record in a comment: Markdown for a merge request, short enough to be read there.

What isn't well comes first and in full; what is well is counted.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from stepwitness.history.notes import night_notes

MOST_ROWS = 24
"""Findings of a record that are listed one by one; more are counted."""

LONGEST = 60_000
"""Characters; forges cut a comment off a little above."""


def markdown(records: Sequence[Mapping[str, Any]], *, reports: Sequence[str] = (), troubles: Sequence[str] = ()) -> str:
    """The sections of one run's records as Markdown.

    `reports` are links or paths, one a record; `troubles` what went wrong outside any of them. Never longer than
    `LONGEST`: what doesn't fit is said to be left out.
    """
    paths = [*reports, *([""] * (len(records) - len(reports)))]
    parts = ["\n".join(_record(one, path)) for one, path in zip(records, paths, strict=True)]
    parts += [f"- {_text(one)}" for one in troubles]
    text = "\n\n".join(parts or ["No record was made."]) + "\n"
    if len(text) <= LONGEST:
        return text
    note = "\n\nThe rest is left out here; it stands in the reports.\n"
    return text[: LONGEST - len(note)].rpartition("\n")[0] + note


def _record(sections: Mapping[str, Any], report: str) -> Iterator[str]:
    run, plan, bench, axis = (sections[name] for name in ("run", "plan", "bench", "axis"))
    history = sections.get("history")
    simulated = " · SIMULATED" if run["simulated"] else ""
    unit = f"{axis['name']}, serial {axis['serial']}" if axis["serial"] else axis["name"]
    changed = ", but changed" if history and history["fails"] else ""
    yield f"### {run['verdict']}{changed}: {_text(unit)} · {_text(plan['name'])} on {_text(bench['name'])}{simulated}"
    yield ""
    yield _text(run["statement"])
    told = list(night_notes(history)) if history else []
    if told:
        yield ""
        yield from (f"- {_text(note.told)}" for note in told)
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
            _against(compared),
        )
        rows.append(f"| {' | '.join(cells)} |")
    return rows


def _against(compared: Mapping[str, Any] | None) -> str:
    if compared is None:
        return ""
    words = _text(compared["words"])
    return f"**{words}**" if compared["fails"] else words


def _well(findings: Sequence[Mapping[str, Any]], history: Mapping[str, Any] | None, listed: int) -> str:
    rest = len(findings) - listed
    hold = f"{rest} of {len(findings)} limits hold" + (" and are what they were" if history and listed else "") + "."
    fresh = sum(one["status"] == "new" for one in history["characteristics"]) if history else 0
    return hold + (f" Too short a history to be compared: {fresh}." if fresh else "")


def _text(words: str) -> str:
    """Words that Markdown leaves alone."""
    for sign in "\\`*_[]<>|#":
        words = words.replace(sign, f"\\{sign}")
    return " ".join(words.split("\n"))
