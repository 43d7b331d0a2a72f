"""`stepwitness report`: the report of a run, or the page of another document, by a renderer that is installed."""

from __future__ import annotations

import argparse
from importlib.metadata import entry_points
from pathlib import Path

from stepwitness.commands.documents import one_document
from stepwitness.commands.terminal import OK, Commands, say
from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.records.kinds import KINDS, kind_of


def add(commands: Commands) -> None:
    report = commands.add_parser("report", help="draw the report of a run, or the page of another document, anew")
    report.add_argument("--format", default="html", metavar="NAME", help="renderer to use (default: html)")
    report.add_argument(
        "path",
        metavar="FOLDER",
        type=Path,
        help="the folder of a run, a lot, a qualification or an installation's proof",
    )
    report.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    document = one_document(given.path)
    kind = kind_of(document)
    if kind is None:
        raise BadInput("has no page", place=Place(str(document)), allowed=", ".join(kind.file for kind in KINDS))
    renderers = {entry.name: entry for entry in entry_points(group=kind.renderers)}
    if given.format not in renderers:
        raise BadInput(
            f"no renderer '{given.format}' is installed",
            allowed=", ".join(sorted(renderers)) or f"a distribution with an entry point in {kind.renderers}",
            cure=near_miss(given.format, renderers),
        )
    say(str(renderers[given.format].load()(document.parent)))
    return OK
