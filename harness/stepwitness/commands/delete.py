"""`stepwitness delete`: a record goes; who deleted it, when and why stays."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.show import KEY_HELP
from stepwitness.commands.stored import SEAL_SHOWN, add_store, opened, unit_of, when
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.errors import BadInput, Place
from stepwitness.records.kinds import RECORD

if TYPE_CHECKING:
    from stepwitness.records.store import Deletion, StoredRecord


def add(commands: Commands) -> None:
    command = commands.add_parser(
        "delete",
        help="delete a record; who, when and why stays in the store",
        description="Deletes a record from the store, and its folder where it stands below --reports. Its seal, its "
        "place in the chain of its bench, who deleted it, when and why stay, and it isn't taken in again.",
    )
    command.add_argument("key", metavar="KEY", help=KEY_HELP)
    command.add_argument("--why", required=True, metavar="TEXT", help="the reason")
    command.add_argument("--by", default="", metavar="INITIALS", help="who deletes; a site may leave it empty")
    command.add_argument("--yes", action="store_true", help="don't ask")
    command.add_argument("--keep-folder", action="store_true", help="leave the run's folder where it is")
    command.add_argument("--reports", type=Path, default=Path("reports"), metavar="DIR", help="default: reports")
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    if not given.why.strip():
        raise BadInput("a record isn't deleted without a reason", place=Place("--why"))
    with opened(given) as store:
        record = store.record(given.key)
        told = f"{record.seal[:SEAL_SHOWN]}  {when(record.started)}  {unit_of(record)}  {record.verdict}"
        if not given.yes and not _agreed(told):
            say("nothing was deleted")
            return NOT_GOOD
        deletion = store.delete(record.seal, why=given.why.strip(), by=given.by)
        say(f"{told}  deleted from {store.address}")
    if not given.keep_folder:
        _delete_folder(given.reports / record.folder, record, deletion)
    return OK


def _agreed(told: str) -> bool:
    if not sys.stdin.isatty():
        raise BadInput("nobody is there to be asked", place=Place("delete"), cure="--yes deletes without asking")
    say(f"{told}\ndelete this record for good? [yes/no] ", to_error=True)
    return sys.stdin.readline().strip().lower() == "yes"


def _delete_folder(folder: Path, record: StoredRecord, deletion: Deletion) -> None:
    """Delete what is in a run's folder where it holds that record and no other."""
    from stepwitness.errors import StepwitnessError
    from stepwitness.records.manifest import open_record
    from stepwitness.records.tombstone import bury

    if not (folder / RECORD.file).is_file():
        return
    try:
        if open_record(folder).seal.get("sha256") != record.seal:
            return
        bury(folder, deleted=deletion.deleted, by=deletion.by, why=deletion.why)
    except StepwitnessError as error:
        say(f"{folder}: still there: {error}", to_error=True)
        return
    say(f"{folder}: deleted, but for a note that keeps the chain")
