"""`stepwitness readings`: the raw readings of a record as CSV, straight from a journal."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from stepwitness.commands.terminal import OK, Commands, record_folder, say
from stepwitness.errors import BadInput, Place, near_miss


def add(commands: Commands) -> None:
    readings = commands.add_parser(
        "readings",
        help="write the raw readings of a record as CSV",
        description="Writes one table of a procedure's journal, in SI units; a reading that is missing stands as its "
        "reason, where one is known. Without TABLE, lists the tables that there are.",
    )
    readings.add_argument("directory", metavar="RECORD", type=Path, help="the folder of a run")
    readings.add_argument("procedure", metavar="PROCEDURE", nargs="?", help="its id in the plan")
    readings.add_argument("table", metavar="TABLE", nargs="?", help="the table of its journal")
    readings.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.manifest import open_record
    from stepwitness.records.store.tables import write_csv

    record = open_record(record_folder(given.directory))
    ids = [entry["id"] for entry in record.sections["procedures"]]
    for id_ in ids if given.procedure is None else [_among(given.procedure, ids, "procedure", given.directory)]:
        journal = record.journal(id_)
        if given.table is None:
            for table in journal.tables:
                say(f"{id_} {table}: {', '.join(journal.columns(table))}")
            continue
        table = _among(given.table, journal.tables, "table", journal.path)
        write_csv(journal.rows(table, reasons=True), journal.columns(table), sys.stdout)
    return OK


def _among(word: str, known: list[str] | tuple[str, ...], what: str, where: Path) -> str:
    if word not in known:
        raise BadInput(
            f"no such {what}",
            place=Place(str(where)),
            found=f"'{word}'",
            allowed=", ".join(known),
            cure=near_miss(word, known),
        )
    return word
