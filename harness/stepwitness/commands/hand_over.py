"""`stepwitness hand-over`: what runs left in their folders goes to the store."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.stored import SEAL_SHOWN, add_store
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.errors import BadInput, Place


def add(commands: Commands) -> None:
    command = commands.add_parser(
        "hand-over",
        help="file what runs left in their folders and the store hasn't",
        description="Files every record, every document of a lot, a qualification or an installation, and every "
        "signature below a folder of reports that the store hasn't, once and in order. Runs do this by themselves; by "
        "hand it is for what was left while the store couldn't be reached.",
    )
    command.add_argument(
        "reports", nargs="?", type=Path, default=Path("reports"), metavar="REPORTS", help="default: reports"
    )
    command.add_argument(
        "--all",
        action="store_true",
        dest="everything",
        help="ask for each folder, also noted ones: after the store was restored from a copy",
    )
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.display import counted
    from stepwitness.records.store import hand_over, open_store

    if not given.reports.is_dir():
        raise BadInput("there is no such folder", place=Place(str(given.reports)), allowed="a folder of reports")
    with open_store(given.store, reports=given.reports) as store:
        told = hand_over(store, given.reports, everything=given.everything)
        for one in told.filed:
            say(f"{one.seal[:SEAL_SHOWN]}  {one.folder}")
        for file in (*told.documents, *told.signatures):
            say(file)
        for refused in told.refused:
            say(" ".join(refused.splitlines()), to_error=True)
        behind = f", {len(told.refused)} stay behind" if told.refused else ""
        others = ((told.documents, "document"), (told.signatures, "signature"))
        counts = [(len(told.filed), "record"), *((len(files), what) for files, what in others if files)]
        filed = ", ".join(counted(count, what, gap=" ") for count, what in counts)
        say(f"{filed} filed in {store.address}{behind}")
    return NOT_GOOD if told.refused else OK
