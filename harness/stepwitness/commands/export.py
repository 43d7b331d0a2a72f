"""`stepwitness export`: records or findings of the store to a file that others read."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.show import KEY_HELP
from stepwitness.commands.stored import add_choice, add_store, chosen, opened
from stepwitness.commands.terminal import OK, Commands, say
from stepwitness.errors import BadInput, Place

if TYPE_CHECKING:
    from stepwitness.records.store import Store, StoredRecord

SUFFIXES = (".csv", ".json", ".parquet", ".zip")


def add(commands: Commands) -> None:
    command = commands.add_parser(
        "export",
        help="write findings as CSV, JSON or Parquet, or whole records as a zip",
        description="Writes a row for each finding of the records that are meant (all where none is chosen), or with "
        "a .zip the records themselves, as they were sealed, for 'stepwitness import' on another machine.",
    )
    command.add_argument("keys", metavar="KEY", nargs="*", help=KEY_HELP)
    command.add_argument(
        "--into",
        type=Path,
        metavar="FILE",
        help="its ending says what is written: .csv, .json, .parquet or .zip (default: CSV to standard output)",
    )
    add_choice(command)
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.store.rows import every_record

    into: Path | None = given.into
    if into is not None and into.suffix not in SUFFIXES:
        raise BadInput("no such format", place=Place("--into"), found=f"'{into}'", allowed=", ".join(SUFFIXES))
    if into is not None and into.exists():
        raise BadInput("exists already and isn't replaced", place=Place(str(into)))
    with opened(given) as store:
        wanted: Iterable[StoredRecord] = (
            [store.record(key) for key in given.keys] if given.keys else every_record(store, **chosen(given))
        )
        _write(store, wanted, into)
    return OK


def _write(store: Store, records: Iterable[StoredRecord], into: Path | None) -> None:
    from stepwitness.display import counted
    from stepwitness.records.store.exchange import write_zip
    from stepwitness.records.store.rows import COLUMNS, finding_rows
    from stepwitness.records.store.tables import write_csv, write_json, write_parquet

    if into is None:
        write_csv(finding_rows(store, records), COLUMNS, sys.stdout)
        return
    if into.suffix == ".zip":
        number = write_zip(store, records, into)
        say(f"{into}: {counted(number, 'record', gap=' ')}")
        return
    rows = finding_rows(store, records)
    if into.suffix == ".parquet":
        write_parquet(rows, COLUMNS, into)
    else:
        try:
            with open(into, "x", encoding="utf-8", newline="") as file:
                write_csv(rows, COLUMNS, file) if into.suffix == ".csv" else write_json(rows, file)
        except OSError as error:
            raise BadInput(f"can't be written ({error.strerror})", place=Place(str(into))) from None
    say(str(into))
