"""The page of a qualification: verdict, matrix, criteria, and what an auditor looks for besides."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from stepwitness.display import THIN
from stepwitness.qualification.document import SCHEMA
from stepwitness.qualification.qualification import DOCUMENT_FILE
from stepwitness.qualification.wording import INCOMPLETE
from stepwitness.records.sealed import Sealed, open_sealed
from stepwitness_reports import sheet
from stepwitness_reports.bench_facts import Fact
from stepwitness_reports.sheet import SIMULATED, Band, SealedText, altered, capital, instant, seal_words
from stepwitness_reports.svg import VERDICT_CLASS, verdict_mark

FILE = "qualification.html"


@dataclass(frozen=True)
class Word:
    """A verdict as it stands anywhere on the page: class, shape, word, and where it leads."""

    verdict: str
    verdict_class: str = ""
    mark: Markup = Markup("")
    href: str = ""


@dataclass(frozen=True)
class Cell:
    """A unit at a clause: the verdict that counts, and a note where there is more than one record."""

    word: Word
    note: str = ""


@dataclass(frozen=True)
class Line:
    """A line of the matrix."""

    head: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class ClauseLine:
    heading: str
    word: Word
    statement: str
    criterion: str
    facts: str


@dataclass(frozen=True)
class AttemptLine:
    """A record beside others of its unit at its clause."""

    where: str
    word: Word
    begun: str
    words: str


@dataclass(frozen=True)
class QualificationPage:
    """The page, part by part in its order."""

    title: str
    foot: str
    bands: tuple[Band, ...]
    where: str
    word: Word
    statement: str
    sentences: tuple[str, ...]
    corner: str
    columns: tuple[str, ...]
    lines: tuple[Line, ...]
    clauses: tuple[ClauseLine, ...]
    attempts: tuple[AttemptLine, ...]
    deviations: tuple[Fact, ...]
    hold_points: tuple[Fact, ...]
    preconditions: tuple[Fact, ...]
    environment: tuple[Fact, ...]
    absent: tuple[str, ...]
    facts: tuple[Fact, ...]
    texts: tuple[SealedText, ...]


def render(directory: Path) -> Path:
    """Write ``qualification.html`` from the document in `directory`; its path.

    Raises
    ------
    StepwitnessError : where there is no such document, or the page can't be written.
    """
    page = page_of(Path(directory))
    return sheet.write(Path(directory) / FILE, sheet.html("qualification.html.j2", page, foot=page.foot))


def page_of(directory: Path) -> QualificationPage:
    """The page of a qualification's folder.

    Raises
    ------
    StepwitnessError : where there is no document.
    """
    document = open_sealed(directory / DOCUMENT_FILE, (SCHEMA,))
    sections = document.sections
    what, end = sections["qualification"], sections["end"]
    name = f"qualification {what['number']}, revision {what['revision']['mark']}"
    corner, columns, lines = _matrix(sections, directory)
    return QualificationPage(
        title=f"{end['verdict']}: {name}",
        foot=" · ".join([*(["SIMULATED"] if end["simulated"] else []), name]),
        bands=tuple(_bands(document)),
        where=f"axis {what['axis']} · {name} · begun {instant(what['begun'])} · sealed {instant(end['at'])}",
        word=_word(end["verdict"]),
        statement=end["statement"],
        sentences=(f"It ended before all was done: {end['note']}",) if end["note"] else (),
        corner=corner,
        columns=columns,
        lines=lines,
        clauses=tuple(_clause(clause) for clause in sections["clauses"]),
        attempts=tuple(_attempts(sections, directory)),
        deviations=tuple(_deviations(sections)),
        hold_points=tuple(_hold_point(point) for point in sections["hold_points"]),
        preconditions=tuple(_precondition(one) for one in sections["conditions"]["preconditions"]),
        environment=tuple(_environment(sections["conditions"])),
        absent=tuple(sections["absent"]),
        facts=tuple(_facts(document)),
        texts=tuple(_texts(sections["texts"])),
    )


def _bands(document: Sealed) -> Iterator[Band]:
    end = document.sections["end"]
    if end["simulated"]:
        yield SIMULATED
    if end["rehearsed"]:
        yield Band("REHEARSAL", "nobody confirmed preconditions or released hold points")
    if end["verdict"] == INCOMPLETE:
        yield Band("INCOMPLETE", "this document sentences nothing")
    yield from altered(document)


def _word(verdict: str | None, href: str = "", *, otherwise: str = "open") -> Word:
    if verdict not in VERDICT_CLASS:
        return Word(verdict or otherwise, href=href)
    return Word(verdict, VERDICT_CLASS[verdict], verdict_mark(verdict), href)


# -- matrix --------------------------------------------------------------------------------------------------------


def _matrix(sections: Mapping[str, Any], directory: Path) -> tuple[str, tuple[str, ...], tuple[Line, ...]]:
    """What stands in the corner, the columns and the lines; the longer side goes down the page."""
    serials = sections["qualification"]["units"]
    clauses = sections["clauses"]
    cells = {(one["clause"], one["serial"]): _cell(one, directory) for one in sections["matrix"]}
    if len(serials) > max(5, len(clauses)):
        lines = [Line(serial, tuple(cells[clause["number"], serial] for clause in clauses)) for serial in serials]
        return "unit", tuple(f"clause {clause['number']}" for clause in clauses), tuple(lines)
    lines = [
        Line(f"{clause['number']} {clause['title']}", tuple(cells[clause["number"], serial] for serial in serials))
        for clause in clauses
    ]
    return "clause", tuple(serials), tuple(lines)


def _cell(cell: Mapping[str, Any], directory: Path) -> Cell:
    attempts = cell["attempts"]
    if cell["counts"] is None:
        return Cell(_word(None, otherwise="open" if attempts else "not tested"))
    counted = attempts[cell["counts"] - 1]
    note = f"attempt {cell['counts']} of {len(attempts)}" if len(attempts) > 1 else ""
    return Cell(_word(cell["verdict"], _href(directory, counted["folder"])), note)


def _href(directory: Path, folder: str) -> str:
    """The report of a record, from the folder of a qualification, which lies two below that of the records."""
    return Path(os.path.relpath(directory.parents[1] / folder / "report.html", directory)).as_posix()


def _attempts(sections: Mapping[str, Any], directory: Path) -> Iterator[AttemptLine]:
    """Every record of a unit that has more than one at a clause, and those of what isn't in the file any more."""
    for cell in sections["matrix"]:
        if len(cell["attempts"]) == 1 and cell["counts"]:
            continue
        for attempt in cell["attempts"]:
            words = [attempt["reason"], "by an earlier plan" if attempt["earlier_plan"] else ""]
            if attempt["number"] == cell["counts"]:
                words.append(f"counts, as {cell['because']}")
            elif attempt["verdict"] is not None:
                words.append("kept, doesn't count")
            yield _attempt(attempt, words, directory)
    for attempt in sections["other_attempts"]:
        yield _attempt(attempt, [attempt["reason"], "not in the file any more"], directory)


def _attempt(attempt: Mapping[str, Any], words: Sequence[str], directory: Path) -> AttemptLine:
    told = [*words, "" if attempt["record"] else attempt["statement"], _by(attempt["operator"])]
    return AttemptLine(
        where=f"{attempt['clause']}, {attempt['serial']}, attempt {attempt['number']}",
        word=_word(
            attempt["verdict"],
            _href(directory, attempt["folder"]) if attempt["record"] else "",
            otherwise="no record",
        ),
        begun=instant(attempt["begun"]),
        words="; ".join(word for word in told if word),
    )


# -- clauses and conditions ----------------------------------------------------------------------------------------


def _clause(clause: Mapping[str, Any]) -> ClauseLine:
    facts = [f"plan {clause['plan']['file']}", f"bench {clause['bench']}", f"decision rule {clause['rule']}"]
    if clause["counting_reruns"]:
        facts.append(f"a re-run for {' or '.join(clause['counting_reruns'])} counts in place of the first record")
    return ClauseLine(
        heading=f"{clause['number']} {clause['title']}",
        word=_word(clause["verdict"]),
        statement=clause["statement"],
        criterion=capital(clause["criterion"]) + ".",
        facts=" · ".join(facts),
    )


def _deviations(sections: Mapping[str, Any]) -> Iterator[Fact]:
    for one in sections["deviations"]:
        about = f"{one['about']}: " if one["about"] else ""
        yield Fact(instant(one["at"]), "; ".join(word for word in (about + one["text"], _by(one["by"])) if word))
    for change in sections["changes"]:
        if not change["as_deviation"]:
            named = f"revision {change['revision']}, {', '.join(change['files'])} changed"
            yield Fact(instant(change["at"]), ": ".join(word for word in (named, change["text"]) if word))


def _hold_point(point: Mapping[str, Any]) -> Fact:
    due = f", {point['by']}" if point["by"] else ""
    released = point["released"]
    if released is None:
        told = "not released"
    elif released["rehearsed"]:
        told = "passed in rehearsal, released by nobody"
    else:
        told = f"released {instant(released['at'])} {_by(released['by']) or 'without initials'}"
        told += f": {released['text']}" if released["text"] else ""
    return Fact(f"{point['id']} before {point['before']}", f"{point['title']}{due}; {told}")


def _precondition(one: Mapping[str, Any]) -> Fact:
    act = one["confirmed"]
    if act is None:
        return Fact(one["text"], "not confirmed")
    confirmed = f"confirmed {instant(act['at'])} {_by(act['by'])}".rstrip()
    return Fact(one["text"], "taken as met, in rehearsal" if act["rehearsed"] else confirmed)


def _environment(conditions: Mapping[str, Any]) -> Iterator[Fact]:
    for one in conditions["required"]:
        yield Fact(f"{one['quantity']} required", f"{one['low']:g} to {one['high']:g}{THIN}{one['unit']}")
    for one in conditions["recorded"]:
        values = ", ".join(f"{quantity} {_spaced(value)}" for quantity, value in one["values"].items())
        if values:
            yield Fact(instant(one["at"]), "; ".join(word for word in (values, _by(one["by"])) if word))


def _facts(document: Sealed) -> Iterator[Fact]:
    sections = document.sections
    what, end = sections["qualification"], sections["end"]
    revision, approval = what["revision"], what["approval"]
    yield Fact("title", what["title"])
    yield Fact("revision", ", ".join(word for word in (revision["mark"], revision["of"], revision["changes"]) if word))
    yield Fact("approved", f"by {approval['by']} on {approval['on']}" if approval else "absent")
    yield Fact("units", ", ".join(what["units"]))
    yield Fact("order", what["order"])
    yield Fact("sealed", f"{instant(end['at'])} {_by(end['operator'])}".rstrip())
    yield Fact("authorised by", end["authorised_by"] or "absent")
    yield Fact("seal, SHA-256", str(document.seal.get("sha256", "")))
    yield Fact("what the seal shows", seal_words(document.path, document.seal))
    yield Fact("software", ", ".join(f"{name} {version}" for name, version in sorted(sections["software"].items())))


def _texts(texts: Mapping[str, Any]) -> Iterator[SealedText]:
    in_force: Mapping[str, str] = texts["in_force"]
    for path, sha256 in in_force.items():
        if sha256 in texts["by_sha256"]:
            yield SealedText(path, texts["by_sha256"][sha256])
    for sha256, text in texts["by_sha256"].items():
        if sha256 not in in_force.values():
            yield SealedText(f"an earlier text, SHA-256 {sha256[:12]}…", text)


def _by(initials: str) -> str:
    return f"by {initials}" if initials else ""


def _spaced(value: str) -> str:
    number, _, unit = value.partition(" ")
    return f"{number}{THIN}{unit}" if unit else value
