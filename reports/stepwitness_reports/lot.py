"""The sheet of a lot: the sentence, its units, the pictures that show why, and how the sample was drawn."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from stepwitness.display import THIN, number
from stepwitness.findings import Verdict
from stepwitness.inspection.supply import LOT_FILE, LOT_SCHEMA
from stepwitness.records.sealed import Sealed, open_sealed
from stepwitness_reports import lot_pictures, sheet
from stepwitness_reports.bench_facts import Fact
from stepwitness_reports.pictures import Figure
from stepwitness_reports.sheet import SIMULATED, Band, SealedText, altered, instant, seal_words
from stepwitness_reports.svg import VERDICT_CLASS, verdict_mark

FILE = "lot.html"

_MARKS = {"accepted": "PASS", "not accepted": "FAIL", "sample incomplete": "INCONCLUSIVE"}
_ORDER = ("nonconforming", "open", "conforming")


@dataclass(frozen=True)
class AttemptLine:
    """One test of a unit; `counts` : whether it decided the unit, or was the last that tried."""

    number: int
    verdict: str
    verdict_class: str
    mark: Markup
    begun: str
    words: str
    href: str
    record: str
    counts: bool


@dataclass(frozen=True)
class UnitLine:
    serial: str
    outcome: str
    nonconforming: bool
    worst: str
    attempts: tuple[AttemptLine, ...]


@dataclass(frozen=True)
class LotPage:
    """The page, part by part in its order."""

    title: str
    foot: str
    bands: tuple[Band, ...]
    where: str
    verdict_class: str
    mark: Markup
    statement: str
    sentences: tuple[str, ...]
    units: tuple[UnitLine, ...]
    figures: tuple[Figure, ...]
    sampling_facts: tuple[Fact, ...]
    drawn: tuple[str, ...]
    curve: Figure
    criteria: tuple[Fact, ...]
    refusals: tuple[Fact, ...]
    document_facts: tuple[Fact, ...]
    texts: tuple[SealedText, ...]


def render(directory: Path) -> Path:
    """Write ``lot.html`` from the lot's document in `directory`; its path.

    Raises
    ------
    StepwitnessError : where there is no such document, or the sheet can't be written.
    """
    page = page_of(Path(directory))
    return sheet.write(Path(directory) / FILE, sheet.html("lot.html.j2", page, foot=page.foot))


def page_of(directory: Path) -> LotPage:
    """The page of a lot's folder.

    Raises
    ------
    StepwitnessError : where there is no lot's document.
    """
    document = open_sealed(directory / LOT_FILE, (LOT_SCHEMA,))
    sections = document.sections
    lot, sentence, sampling = sections["lot"], sections["sentence"], sections["sampling"]
    mark = _MARKS[sentence["sentence"]]
    units = sorted(sections["units"], key=lambda unit: _ORDER.index(unit["outcome"]))
    title = f"lot {lot['lot']} of {lot['part']} from {lot['supplier']}"
    told = [sections["switching"]["statement"]]
    if sentence["note"]:
        told.append(f"Closed before the sample was whole: {sentence['note']}")
    return LotPage(
        title=f"{sentence['sentence'].upper()}: {title}",
        foot=" · ".join([*(["SIMULATED"] if sentence["simulated"] else []), title]),
        bands=tuple(_bands(document)),
        where=f"axis {sections['axis']['name']} · bench {sections['bench']['name']} · plan {sections['plan']['name']}, "
        f"incoming · {instant(sentence['at'])}",
        verdict_class=VERDICT_CLASS[mark],
        mark=verdict_mark(mark),
        statement=sentence["statement"],
        sentences=tuple(told),
        units=tuple(_unit(unit, directory) for unit in units),
        figures=tuple(_figures(sections["units"])),
        sampling_facts=tuple(_sampling_facts(sections)),
        drawn=tuple(sections["draw"]["serials"]),
        curve=Figure(lot_pictures.characteristic(sampling), _curve_caption(sampling)),
        criteria=tuple(_criteria(sentence["criteria"])),
        refusals=tuple(Fact(instant(one["at"]), f"{one['scanned']} {one['problem']}") for one in sections["refusals"]),
        document_facts=tuple(_document_facts(document)),
        texts=(
            SealedText(f"lot file {lot['file']}", lot["text"]),
            SealedText(f"plan file {sections['plan']['file']}", sections["plan"]["text"]),
        ),
    )


def _bands(document: Sealed) -> list[Band]:
    sentence = document.sections["sentence"]
    bands = []
    if sentence["simulated"]:
        bands.append(SIMULATED)
    if sentence["sentence"] == "sample incomplete":
        bands.append(Band("SAMPLE INCOMPLETE", "this lot has no sentence"))
    return [*bands, *altered(document)]


def _unit(unit: Mapping[str, Any], directory: Path) -> UnitLine:
    attempts = unit["attempts"]
    counting = unit["decided_by"] or len(attempts)
    return UnitLine(
        serial=unit["serial"],
        outcome=unit["outcome"] if attempts else "not tested",
        nonconforming=unit["outcome"] == "nonconforming",
        worst=_worst(unit["findings"]),
        attempts=tuple(_attempt(one, directory, counts=one["number"] == counting) for one in attempts),
    )


def _attempt(attempt: Mapping[str, Any], directory: Path, *, counts: bool) -> AttemptLine:
    verdict = attempt["verdict"] or "no record"
    words = [attempt["reason"], f"by {attempt['operator']}" if attempt["operator"] else ""]
    if attempt["verdict"] is None:
        words.append(attempt["statement"])
    return AttemptLine(
        number=attempt["number"],
        verdict=verdict,
        verdict_class=VERDICT_CLASS.get(verdict, ""),
        mark=verdict_mark(verdict) if verdict in VERDICT_CLASS else Markup(""),
        begun=instant(attempt["begun"]),
        words="; ".join(word for word in words if word),
        href=_href(directory, attempt["folder"]) if attempt["record"] else "",
        record=attempt["record"] or "",
        counts=counts,
    )


def _href(directory: Path, folder: str) -> str:
    """The unit's report from here: lots lie four folders below that of the records."""
    reports = directory.parents[3]
    return Path(os.path.relpath(reports / folder / "report.html", directory)).as_posix()


def _worst(findings: Sequence[Mapping[str, Any]]) -> str:
    bad = [one for one in findings if one["verdict"] != Verdict.PASS.value]
    if not bad:
        return f"{len(findings)} of {len(findings)} limits hold" if findings else ""
    told = [
        f"{one['title']} {one['symbol']}".strip()
        + f" {one['shown']['text'] if one['value'] is not None else one['reason']}, limit {one['shown']['limit']}"
        for one in sorted(bad, key=lambda one: -Verdict(one["verdict"]).rank)
    ]
    return _kept("; ".join(told))


def _kept(text: str) -> str:
    """`text` in which no line ends before or behind a sign between numbers."""
    for sign in ("±", "≤", "≥"):
        text = text.replace(f" {sign} ", f"\u00a0{sign}\u00a0")
    return text


def _figures(units: Sequence[Mapping[str, Any]]) -> list[Figure]:
    rows = lot_pictures.rows_of(units)
    if not rows:
        return []
    caption = (
        "Every unit of the sample in the order of testing, from above: each value as a share of its limit, with its "
        "expanded uncertainty. Beyond the limit is hatched; a cross is a finding that isn't a PASS."
    )
    return [Figure(lot_pictures.against_limits(rows), caption)]


def _sampling_facts(sections: Mapping[str, Any]) -> list[Fact]:
    lot, sampling, draw = sections["lot"], sections["sampling"], sections["draw"]
    facts = [
        Fact("lot", f"{lot['quantity']} units"),
        Fact("sampling plan", sampling["statement"]),
        Fact("INCONCLUSIVE counts as", sampling["inconclusive"]),
        Fact("seed of the draw", str(draw["seed"])),
        Fact("drawn", draw["method"]),
    ]
    if lot["resubmits"]:
        facts.insert(1, Fact("comes again after", f"lot {lot['resubmits']}"))
    return facts


def _curve_caption(sampling: Mapping[str, Any]) -> str:
    return (
        "What this plan alone accepts, against the quality of all that the supplier offers (binomial). The protection "
        "of a series comes from switching between plans as well."
        if sampling["k"] is None
        else "What this plan alone accepts, against the quality of all that the supplier offers, for one limit of a "
        "normal figure (noncentral t)."
    )


def _criteria(criteria: Sequence[Mapping[str, Any]]) -> list[Fact]:
    told = []
    for one in criteria:
        if one["accepted"] is None:
            told.append(Fact(one["figure"], one["problem"]))
            continue
        share, allowed = (f"{number(100.0 * one[key], 2)}{THIN}%" for key in ("estimated", "allowed"))
        word = "accepted" if one["accepted"] else "not accepted"
        mean, sd, limit = (one["shown"][key] for key in ("mean", "sd", "limit"))
        seen = f"mean {mean}, standard deviation {sd} of {one['n']} units, limit {limit}"
        told.append(Fact(one["title"], f"{word}: {seen}; {share} estimated beyond, at most {allowed} may be"))
    return told


def _document_facts(document: Sealed) -> list[Fact]:
    switching, sentence = document.sections["switching"], document.sections["sentence"]
    return [
        Fact("sentenced", " by ".join(word for word in (instant(sentence["at"]), sentence["operator"]) if word)),
        Fact("number in the series", str(switching["number"])),
        Fact("follows", switching["follows"] or "nothing, the first"),
        Fact("seal, SHA-256", str(document.seal.get("sha256", ""))),
        Fact("what the seal shows", seal_words(document.path, document.seal)),
        Fact("software", f"stepwitness {document.sections['software']['stepwitness']}"),
    ]
