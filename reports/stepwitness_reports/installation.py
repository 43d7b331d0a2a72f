"""The page of an installation's proof: what came of each known case, and on which software and machine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from markupsafe import Markup

from stepwitness.installation.proof import FILE as DOCUMENT_FILE
from stepwitness.installation.proof import SCHEMA
from stepwitness.records.sealed import Sealed, open_sealed
from stepwitness_reports import sheet
from stepwitness_reports.bench_facts import Fact
from stepwitness_reports.sheet import Band, altered, instant, seal_words
from stepwitness_reports.svg import VERDICT_CLASS, verdict_mark

FILE = "installation.html"


@dataclass(frozen=True)
class Mark:
    """Whether something agrees: class, shape and word."""

    verdict_class: str
    shape: Markup
    word: str


@dataclass(frozen=True)
class FigureLine:
    """One figure: what must come out, what came out, and how near the two must be."""

    name: str
    expected: str
    found: str
    tolerance: str
    mark: Mark


@dataclass(frozen=True)
class CaseLine:
    name: str
    source: str
    mark: Mark
    figures: tuple[FigureLine, ...]

    @property
    def differing(self) -> tuple[FigureLine, ...]:
        return tuple(line for line in self.figures if line.mark.word != _AGREES)


@dataclass(frozen=True)
class InstallationPage:
    """All that the template prints."""

    title: str
    foot: str
    bands: tuple[Band, ...]
    where: str
    mark: Mark
    statement: str
    cases: tuple[CaseLine, ...]
    software: tuple[Fact, ...]
    facts: tuple[Fact, ...]


_AGREES, _DIFFERS = "agrees", "differs"


def render(directory: Path) -> Path:
    """Write ``installation.html`` from the document in `directory`; its path.

    Raises
    ------
    StepwitnessError : where there is no such document, or the page can't be written.
    """
    page = page_of(Path(directory))
    return sheet.write(Path(directory) / FILE, sheet.html("installation.html.j2", page, foot=page.foot))


def page_of(directory: Path) -> InstallationPage:
    """The page of a proof's folder; cases that differ come first.

    Raises
    ------
    StepwitnessError : where there is no such document.
    """
    document = open_sealed(directory / DOCUMENT_FILE, (SCHEMA,))
    proof, platform = document.sections["installation"], document.sections["platform"]
    cases = sorted((_case(case) for case in document.sections["cases"]), key=lambda line: line.mark.word == _AGREES)
    name = f"proof of the installation on {platform['node']}"
    return InstallationPage(
        title=f"{proof['verdict']}: {name}",
        foot=name,
        bands=tuple(altered(document)),
        where=f"{name} · {instant(proof['started'])}",
        mark=_mark(proof["verdict"] == "PASS"),
        statement=proof["statement"],
        cases=tuple(cases),
        software=tuple(_software(document.sections["software"])),
        facts=tuple(_facts(document)),
    )


def _mark(agrees: bool) -> Mark:
    verdict = "PASS" if agrees else "FAIL"
    return Mark(VERDICT_CLASS[verdict], verdict_mark(verdict), _AGREES if agrees else _DIFFERS)


def _case(case: Mapping[str, Any]) -> CaseLine:
    figures = tuple(
        FigureLine(one["figure"], one["expected"], one["found"], one["tolerance"], _mark(one["agrees"]))
        for one in case["checks"]
    )
    return CaseLine(case["name"], case["source"], _mark(case["agrees"]), figures)


def _software(versions: Mapping[str, str]) -> Iterator[Fact]:
    """What is proved stands first, then what it rests on."""
    for name in sorted(versions, key=lambda name: (name != "stepwitness", name != "python", name)):
        yield Fact(name, versions[name])


def _facts(document: Sealed) -> Iterator[Fact]:
    proof, platform = document.sections["installation"], document.sections["platform"]
    yield Fact("machine", f"{platform['node']}, {platform['machine']}")
    yield Fact("system", platform["system"])
    yield Fact("began", instant(proof["started"]))
    yield Fact("ended", instant(proof["ended"]))
    yield Fact("by", proof["operator"] or "absent")
    yield Fact("seal, SHA-256", str(document.seal.get("sha256", "")))
    yield Fact("what the seal shows", seal_words(document.path, document.seal))
