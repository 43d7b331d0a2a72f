"""`stepwitness show`: one record of the store."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Mapping
from typing import Any

from stepwitness.commands.stored import add_store, opened, when
from stepwitness.commands.terminal import OK, WIDTH, Commands, say, say_table_of_findings
from stepwitness.findings_table import Row

KEY_HELP = "a seal or the beginning of it, BENCH/FOLDER, or the id of a run"


def add(commands: Commands) -> None:
    command = commands.add_parser("show", help="show one record of the store")
    command.add_argument("key", metavar="KEY", help=KEY_HELP)
    command.add_argument("--json", action="store_true", help="print the record as it was sealed, all sections")
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    import json

    from stepwitness.history.notes import notes

    with opened(given) as store:
        record = store.record(given.key)
        sections = store.sections(record.seal)
    if given.json:
        say(json.dumps({"seal": record.seal, **sections}, ensure_ascii=False))
        return OK
    run, unit = sections["run"], f"{record.axis}, serial {record.serial}" if record.serial else record.axis
    head = f"{record.plan} on {record.bench}, {unit}"
    say(head + ("SIMULATED".rjust(WIDTH - len(head)) if record.simulated else ""))
    for line in textwrap.wrap(str(run["statement"]), WIDTH):
        say(line)
    if sections["findings"]:
        say("")
        say_table_of_findings([_row(one) for one in sections["findings"]])
    for note in notes(sections.get("history", {})):
        say("")
        for line in textwrap.wrap(note.told, WIDTH):
            say(line)
    say("")
    attempt = f", attempt {record.attempt} after {record.previous}" if record.previous else ""
    say(f"began {when(record.started)}, ended {when(record.ended)} UTC{attempt}")
    say(f"run {record.id}, folder {record.folder}")
    say(f"seal {record.seal}")
    return OK


def _row(finding: Mapping[str, Any]) -> Row:
    from stepwitness.display import confidence_text, factor_text

    shown, decided = finding["shown"], finding.get("decided_by")
    return Row(
        f"{finding['title']} {finding['symbol']}".strip(),
        shown["text"],
        factor_text(finding["k"]) if shown["U"] else "",
        shown["limit"],
        finding["verdict"],
        decided["shown"] if decided else "",
        confidence_text(decided["confidence"]) if decided else "",
    )
