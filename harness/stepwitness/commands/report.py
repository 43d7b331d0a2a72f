"""`stepwitness report`: the report of a record, by a renderer that is installed."""

from __future__ import annotations

import argparse
from importlib.metadata import entry_points
from pathlib import Path

from stepwitness.commands.terminal import OK, RENDERERS, Commands, record_folder, say
from stepwitness.errors import BadInput, near_miss


def add(commands: Commands) -> None:
    report = commands.add_parser("report", help="render the report of a record")
    report.add_argument("--format", default="html", metavar="NAME", help="renderer to use (default: html)")
    report.add_argument("directory", metavar="RECORD", type=Path, help="the folder of a run")
    report.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    directory = record_folder(given.directory)
    renderers = {entry.name: entry for entry in entry_points(group=RENDERERS)}
    if given.format not in renderers:
        raise BadInput(
            f"no renderer '{given.format}' is installed",
            allowed=", ".join(sorted(renderers)) or f"a distribution with an entry point in {RENDERERS}",
            cure=near_miss(given.format, renderers),
        )
    say(str(renderers[given.format].load()(directory)))
    return OK
