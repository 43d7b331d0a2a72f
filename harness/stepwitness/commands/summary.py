"""`stepwitness summary`: a record in Markdown, short enough for a comment on a merge request."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.terminal import OK, Commands, record_folder, say


def add(commands: Commands) -> None:
    summary = commands.add_parser("summary", help="say a record in Markdown, for a comment on a merge request")
    summary.add_argument("directory", metavar="RECORD", type=Path, nargs="+", help="the folder of a run, or several")
    summary.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.history.summary import markdown
    from stepwitness.records.manifest import open_record

    folders = [record_folder(folder) for folder in given.directory]
    say(markdown([open_record(folder).sections for folder in folders], reports=[str(one) for one in folders]).rstrip())
    return OK
