"""`stepwitness import`: records from another machine into the store."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.stored import SEAL_SHOWN, add_store
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say


def add(commands: Commands) -> None:
    command = commands.add_parser(
        "import",
        help="take records from another machine into the store",
        description="Takes each record of a zip that 'stepwitness export' wrote, or of folders of runs, after "
        "verifying it. Exit code 1 where one isn't what was sealed; the others are taken.",
    )
    command.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="a zip, a run's folder, or one above runs")
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.store import StoreError, open_store
    from stepwitness.records.store.exchange import take_in

    refused = 0
    with open_store(given.store) as store:
        for path in given.paths:
            for one in take_in(store, path):
                if isinstance(one, StoreError):
                    refused += 1
                    say(" ".join(str(one).splitlines()), to_error=True)
                else:
                    say(f"{one.seal[:SEAL_SHOWN]}  {one.folder}")
    return NOT_GOOD if refused else OK
