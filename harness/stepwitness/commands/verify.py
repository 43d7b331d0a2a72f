"""`stepwitness verify`: the seal of a record and every batch of its journals."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, record_folder, say


def add(commands: Commands) -> None:
    verify = commands.add_parser("verify", help="check the seal of a record and every batch of its journals")
    verify.add_argument("directory", metavar="RECORD", type=Path, help="the folder of a run")
    verify.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.manifest import verify

    directory = record_folder(given.directory)
    broken = verify(directory)
    for place in broken:
        say(place)
    say(f"{directory}: {'not the record that was sealed' if broken else 'whole, as sealed'}")
    return NOT_GOOD if broken else OK
