"""`stepwitness study`: how good a gauge is, how capable a process, how well witnesses agree, how long units last.

Readings come from a CSV file in long format, such as `stepwitness export` writes or another machine took.
"""

from __future__ import annotations

import argparse
import json
import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from stepwitness.commands.terminal import NOT_GOOD, OK, WIDTH, Commands, say
from stepwitness.errors import BadInput, Place

if TYPE_CHECKING:
    from stepwitness.studies.study import Readings, Study


def add(commands: Commands) -> None:
    study = commands.add_parser("study", help="study readings in a CSV file: gauge, process, agreement, life")
    kinds = study.add_subparsers(metavar="KIND", required=True)

    gauge = _kind(kinds, "gauge", "repeatability and reproducibility of a gauge, by a crossed study")
    gauge.add_argument("--part", required=True, metavar="COLUMN", help="which part was measured")
    gauge.add_argument("--appraiser", required=True, metavar="COLUMN", help="who or what measured it: operator, bench")
    gauge.add_argument("--value", required=True, metavar="COLUMN", help="the reading")
    _limits(gauge)
    gauge.set_defaults(study=_gauge)

    process = _kind(kinds, "process", "performance Ppk, and capability Cpk within subgroups")
    process.add_argument("--value", required=True, metavar="COLUMN", help="the reading")
    process.add_argument("--subgroup", default="", metavar="COLUMN", help="what is alike within a subgroup, as a lot")
    process.add_argument("--shape", default="normal", metavar="NAME", help="of the distribution (default: normal)")
    process.add_argument("--wanted", type=float, metavar="INDEX", help="exit 1 unless the interval shows so much")
    _limits(process)
    process.set_defaults(study=_process)

    agreement = _kind(kinds, "agreement", "paired differences of two witnesses, and their limits of agreement")
    agreement.add_argument("--first", required=True, metavar="COLUMN")
    agreement.add_argument("--second", required=True, metavar="COLUMN")
    agreement.add_argument("--wanted", type=float, metavar="X", help="exit 1 unless they are shown to agree within ± X")
    agreement.set_defaults(study=_agreement)

    life = _kind(kinds, "life", "Weibull life, units that didn't fail included")
    life.add_argument("--value", required=True, metavar="COLUMN", help="how long each unit ran")
    life.add_argument("--failed", default="", metavar="COLUMN", help="whether it failed then (default: all did)")
    life.add_argument("--stopped-by", choices=("time", "failure"), default="time", help="what ended the test")
    life.add_argument("--shape", type=float, metavar="BETA", help="suppose this shape, for few failures or none")
    life.add_argument("--mission", type=float, metavar="T", help="for the reliability over it")
    life.add_argument("--reliability", type=float, metavar="R", help="exit 1 unless so much is shown over the mission")
    life.set_defaults(study=_life)


def _kind(kinds: Any, name: str, what: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = kinds.add_parser(name, help=what, description=what)
    parser.add_argument("readings", metavar="CSV", type=Path)
    parser.add_argument("--unit", default="", help="unit of the readings, to print beside them")
    parser.add_argument("--only", action="append", default=[], metavar="COLUMN=TEXT", help="lines with this cell alone")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(run=run)
    return parser


def _limits(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--lower", type=float, metavar="X", help="limit of the characteristic, in the readings' unit")
    parser.add_argument("--upper", type=float, metavar="X")


def run(given: argparse.Namespace) -> int:
    found: Study = given.study(given)
    if given.json:
        say(json.dumps(_plain(found), ensure_ascii=False, indent=2))
    else:
        _say_study(found)
    return NOT_GOOD if found.holds is False else OK


def _read(given: argparse.Namespace, *columns: str) -> Readings:
    from stepwitness.studies.study import Readings

    only = {}
    for text in given.only:
        name, sign, value = text.partition("=")
        if not sign:
            raise BadInput("no column and text", place=Place("--only"), found=f"'{text}'", allowed="COLUMN=TEXT")
        only[name] = value
    return Readings.read(given.readings, [name for name in columns if name], only=only)


def _gauge(given: argparse.Namespace) -> Study:
    from stepwitness.studies.gauge import gauge

    return gauge(
        _read(given, given.part, given.appraiser, given.value),
        part=given.part,
        appraiser=given.appraiser,
        value=given.value,
        unit=given.unit,
        lower=given.lower,
        upper=given.upper,
    )


def _process(given: argparse.Namespace) -> Study:
    from stepwitness.studies.process import process

    return process(
        _read(given, given.value, given.subgroup),
        value=given.value,
        subgroup=given.subgroup,
        shape=given.shape,
        unit=given.unit,
        lower=given.lower,
        upper=given.upper,
        wanted=given.wanted,
    )


def _agreement(given: argparse.Namespace) -> Study:
    from stepwitness.studies.agreement import agreement

    table = _read(given, given.first, given.second)
    return agreement(table, first=given.first, second=given.second, unit=given.unit, wanted=given.wanted)


def _life(given: argparse.Namespace) -> Study:
    from stepwitness.studies.life import life

    return life(
        _read(given, given.value, given.failed),
        value=given.value,
        failed=given.failed,
        unit=given.unit,
        stopped_by=given.stopped_by,
        mission=given.mission,
        reliability=given.reliability,
        shape=given.shape,
    )


def _say_study(found: Study) -> None:
    from stepwitness.studies.study import between, rounded

    for line in textwrap.wrap(found.statement, WIDTH):
        say(line)
    say("")
    rows = [("", "value", "95 % interval")] + [
        (
            one.title,
            f"{rounded(one.value)} {one.unit}".rstrip(),
            between(one.interval, one.unit) if one.interval else "",
        )
        for one in found.figures
    ]
    title, value = (max(len(row[column]) for row in rows) for column in (0, 1))
    for row in rows:
        say(f"  {row[0]:{title}}  {row[1]:>{value}}  {row[2]}".rstrip())
    for note in found.notes:
        say("")
        for line in textwrap.wrap(note, WIDTH):
            say(line)


def _plain(found: Study) -> dict[str, Any]:
    """As JSON holds it: an end that is infinite is null."""

    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "statement": found.statement,
        "holds": found.holds,
        "figures": [
            {
                "title": one.title,
                "value": finite(one.value),
                "unit": one.unit,
                "interval": one.interval
                and {
                    "low": finite(one.interval.low),
                    "high": finite(one.interval.high),
                    "confidence": one.interval.confidence,
                },
                "wording": one.wording,
            }
            for one in found.figures
        ],
        "notes": list(found.notes),
    }
