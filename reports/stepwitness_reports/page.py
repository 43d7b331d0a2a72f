"""One page from one run directory: what the template is given.

1. Everything comes from the record and its journals; the same folder gives the same page.
2. A journal, a bench or a plan that can't be read is told in its place, and the rest of the page stands.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from markupsafe import Markup

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.model import parse_bench
from stepwitness.display import THIN, duration_text, rule_text
from stepwitness.errors import StepwitnessError
from stepwitness.findings import MAXIMUM_RISK, DecisionRule
from stepwitness.plan.model import parse_plan
from stepwitness.records.manifest import FILE, Record, open_record, verify
from stepwitness_reports.bench_facts import (
    RULE_WORDS,
    Fact,
    PartFacts,
    axis_facts,
    bench_facts,
    part_facts,
    setting_facts,
)
from stepwitness_reports.facts import Row, rows_of, sentence
from stepwitness_reports.history import History, history_of
from stepwitness_reports.pictures import Figure, Source, figures
from stepwitness_reports.sheet import SIMULATED, Band, SealedText, capital, instant_as_told, seal_words
from stepwitness_reports.svg import VERDICT_CLASS, verdict_mark
from stepwitness_reports.tables import Table, exchanges, tables


@dataclass(frozen=True)
class Story:
    """One procedure in pictures."""

    heading: str
    sentences: tuple[str, ...]
    figures: tuple[Figure, ...]
    exchanges: tuple[str, ...] = ()
    """What was last said to the parts and heard from them, where it was aborted."""


@dataclass(frozen=True)
class Course:
    """How one procedure went, and with which settings."""

    heading: str
    course: str
    settings: tuple[Fact, ...]


@dataclass(frozen=True)
class Item:
    """An item that a standard asks of a report; `words` is empty where it is absent."""

    clause: str
    name: str
    words: str


@dataclass(frozen=True)
class Page:
    """The page, part by part in its order."""

    title: str
    foot: str
    bands: tuple[Band, ...]
    where: str
    verdict_class: str
    mark: Markup
    statement: str
    sentences: tuple[str, ...]
    rows: tuple[Row, ...]
    stories: tuple[Story, ...]
    history: History | None
    unreadable: str
    run_facts: tuple[Fact, ...]
    axis_name: str
    axis_facts: tuple[Fact, ...]
    bench_name: str
    bench_facts: tuple[Fact, ...]
    parts: tuple[PartFacts, ...]
    rule: str
    rule_words: str
    estimates: tuple[Row, ...]
    not_acquired: tuple[str, ...]
    procedures: tuple[Course, ...]
    tables: tuple[Table, ...]
    standard: str
    items: tuple[Item, ...]
    record_facts: tuple[Fact, ...]
    seal_words: str
    texts: tuple[SealedText, ...]


@dataclass(frozen=True)
class _Read:
    """Bench and settings as the sealed texts say them; None, with the reason, where they can't be read any more."""

    bench: BenchDescription | None
    settings: Mapping[str, Any]
    problem: str


def page_of(directory: Path) -> Page:
    """The page of a run directory.

    Raises
    ------
    StepwitnessError : where there is no record, or it isn't one.
    """
    record = open_record(directory)
    sections = record.sections
    run, bench, plan, axis = (sections[name] for name in ("run", "bench", "plan", "axis"))
    read = _read(sections)
    rows, estimates = rows_of(sections, read.bench.axis if read.bench else None)
    told = {(row.procedure, row.characteristic): row for row in (*rows, *estimates)}
    stories, raw = _stories(record, read, rows, told)
    started = instant_as_told(run["started"])
    unit = f"{axis['name']}, serial {axis['serial']}" if axis["serial"] else axis["name"]
    return Page(
        title=f"{run['verdict']}: {unit}, {started}".replace(THIN, " "),
        foot=" · ".join([*(["SIMULATED"] if run["simulated"] else []), bench["name"], unit, f"record {run['id']}"]),
        bands=tuple(_bands(record)),
        where=f"axis {unit} · bench {bench['name']} · plan {plan['name']}, {plan['purpose']} · {started}",
        verdict_class=VERDICT_CLASS.get(run["verdict"], ""),
        mark=Markup("") if run["partial"] else verdict_mark(run["verdict"]),
        statement=run["statement"],
        sentences=tuple(_sentences(rows)),
        rows=tuple(rows),
        stories=tuple(stories),
        history=history_of(sections.get("history"), run["started"]),
        unreadable=read.problem,
        run_facts=tuple(_run_facts(run, plan)),
        axis_name=unit,
        axis_facts=tuple(axis_facts(read.bench.axis)) if read.bench else (),
        bench_name=bench["name"],
        bench_facts=tuple(bench_facts(read.bench)) if read.bench else (),
        parts=tuple(part_facts(read.bench, bench["identities"], _day(run["started"]))) if read.bench else (),
        rule=rule_text(DecisionRule(plan["rule"]), plan.get("maximum_risk") or MAXIMUM_RISK),
        rule_words=_rule_words(plan),
        estimates=tuple(estimates),
        not_acquired=tuple(f"{item['procedure']}: {item['characteristic']}" for item in sections["not_acquired"]),
        procedures=tuple(_course(item, read) for item in sections["procedures"]),
        tables=tuple(raw),
        standard=sections["report"]["standard"],
        items=tuple(Item(item["clause"], item["item"], item["told"] or "") for item in sections["report"]["items"]),
        record_facts=tuple(_record_facts(record)),
        seal_words=seal_words(record.directory / FILE, record.seal),
        texts=(
            SealedText(f"plan file {plan['file']}", plan["text"]),
            SealedText(f"bench file {bench['file']}", bench["text"]),
        ),
    )


def _rule_words(plan: Mapping[str, Any]) -> str:
    rule = DecisionRule(plan["rule"])
    words = RULE_WORDS[rule]
    if rule is DecisionRule.STATED_RISK:
        words += f" The plan allows {rule_text(rule, plan['maximum_risk']).removeprefix('stated risk of ')}."
    if plan.get("inform_only"):
        words += " The plan only informs: its limits may be finer than the bench can tell."
    return words


def _read(sections: Mapping[str, Any]) -> _Read:
    try:
        bench = parse_bench(sections["bench"]["text"], sections["bench"]["file"])
    except StepwitnessError as error:
        return _Read(None, {}, f"This version can't read the bench file of the record any more: {error}.")
    try:
        written = sections["plan"]
        plan = parse_plan(written["text"], written["file"], bench, kept_as=written["name"])
    except StepwitnessError as error:
        return _Read(bench, {}, f"This version can't read the plan file of the record any more: {error}.")
    return _Read(bench, {item.id: item.settings for item in plan.procedures}, "")


def _bands(record: Record) -> list[Band]:
    run = record.sections["run"]
    bands = []
    if run["simulated"]:
        bands.append(SIMULATED)
    if run["partial"]:
        bands.append(Band("PARTIAL", f"this run sentences nothing ({run['partial_reason']})"))
    broken = verify(record.directory)
    if broken:
        more = f" and {len(broken) - 1} more" if len(broken) > 1 else ""
        bands.append(Band("ALTERED", f"the record isn't what was sealed: {broken[0]}{more}"))
    return bands


def _sentences(rows: list[Row]) -> list[str]:
    """What stands behind each finding that isn't a PASS; what several share stands once."""
    titles: dict[str, list[str]] = {}
    for row in rows:
        if row.verdict != "PASS":
            titles.setdefault(row.statement, []).append(row.title)
    return [f"{', '.join(dict.fromkeys(held))}: {statement}" for statement, held in titles.items()]


def _stories(
    record: Record, read: _Read, rows: list[Row], told: Mapping[tuple[str, str], Row]
) -> tuple[list[Story], list[Table]]:
    """Pictures by procedure, the one of the worst finding first, and the raw numbers in the record's order."""
    first = rows[0].procedure if rows else ""
    failing = bool(rows) and rows[0].verdict != "PASS"
    stories: dict[str, Story] = {}
    raw: list[Table] = []
    for item in record.sections["procedures"]:
        id_, notes = item["id"], []
        if item["outcome"] != "done":
            notes.append(_outcome(item))
        drawn: tuple[Figure, ...] = ()
        said_last: tuple[str, ...] = ()
        try:
            readings = record.journal(id_)
            raw += tables(item["procedure"], id_, readings)
            said_last = exchanges(readings)
            if read.bench is not None and id_ in read.settings:
                said = {name: row.said for (owner, name), row in told.items() if owner == id_ and row.said}
                bounds = {
                    row.characteristic: (row.bound, row.limit.split(" ", 1)[-1]) for row in rows if row.procedure == id_
                }
                source = Source(id_, readings, read.bench, read.settings[id_], said, bounds)
                drawn = figures(item["procedure"], source)
        except StepwitnessError as error:
            notes.append(f"The readings can't be shown: {error}.")
        if drawn and notes:
            notes.append("The pictures show what was read until then.")
        if not drawn and not notes:
            notes.append("There is no picture of this procedure; its findings and readings stand in the record.")
        why = "why: " if failing and id_ == first else ""
        stories[id_] = Story(capital(f"{why}{_named(item)}"), tuple(notes), drawn, said_last)
    ordered = sorted(stories, key=lambda id_: id_ != first)
    return [stories[id_] for id_ in ordered], raw


def _named(item: Mapping[str, Any]) -> str:
    """A procedure's title, and its id in the plan where that is another word."""
    return item["title"] if item["procedure"] == item["id"] else f"{item['title']}, {item['id']}"


def _outcome(item: Mapping[str, Any]) -> str:
    if item["outcome"] == "aborted":
        return sentence(f"Aborted: {item['cause']}")
    if item["outcome"] == "unreadable":
        return sentence(f"Its journal can't be read: {item['cause']}")
    return "Not finished: the run ended before this procedure did."


def _course(item: Mapping[str, Any], read: _Read) -> Course:
    settings = read.settings.get(item["id"])
    words = ["Ran to its end." if item["outcome"] == "done" else _outcome(item)]
    if item["started_s"] is not None and item["ended_s"] is not None:
        words.append(f"{duration_text(item['ended_s'] - item['started_s'])} on the axis.")
    words.append(f"Evaluator version {item['evaluator']}; readings in {item['journal']}.")
    facts = setting_facts(settings, read.bench.axis) if settings is not None and read.bench is not None else []
    return Course(capital(_named(item)), " ".join(words), tuple(facts))


_OVER = {
    "process": "stand-ins in process, on virtual time",
    "tcp": "stand-ins over TCP on loopback, on scaled wall time",
    "serial": "stand-ins over serial lines on loopback, on scaled wall time",
    "modbus-tcp": "stand-ins on loopback, drive and counter by Modbus TCP, on scaled wall time",
    "modbus-rtu": "stand-ins on loopback, drive and counter by Modbus RTU, on scaled wall time",
    "canopen": "stand-ins on loopback, the drive by CANopen (IEC 61800-7-201), on scaled wall time",
    "hislip": "stand-ins on loopback, instruments by SCPI over HiSLIP, on scaled wall time",
    "live": "real parts",
    "file": "readings that another machine took, from a file",
}


def _run_facts(run: Mapping[str, Any], plan: Mapping[str, Any]) -> list[Fact]:
    facts = [
        Fact("plan", f"{plan['name']}, purpose {plan['purpose']}"),
        Fact("run", f"{instant_as_told(run['started'])} to {instant_as_told(run['ended'])}"),
        Fact("parts", _OVER.get(run["over"], run["over"])),
    ]
    attempt = f"{run['attempt']}"
    if run["previous"]:
        attempt += f", after record {run['previous']}"
    return [*facts, Fact("attempt", attempt)]


def _record_facts(record: Record) -> list[Fact]:
    software = record.sections["software"]
    chain = record.sections["chain"]
    place = "not chained" if chain["number"] is None else f"record {chain['number']} of {chain['bench']}"
    after = f", after seal {chain['previous'][:12]}…" if chain["previous"] else ""
    operator = record.sections["report"]["operator"]
    return [
        Fact("record", str(record.sections["run"]["id"])),
        *([Fact("operator", operator)] if operator else []),
        Fact("chain", place + after),
        Fact("seal, SHA-256", str(record.seal.get("sha256", ""))),
        Fact("software", ", ".join(f"{name} {version}" for name, version in sorted(software.items()))),
    ]


def _day(text: str) -> date:
    return datetime.fromisoformat(text).date()
