"""`stepwitness list`: the records of the store, newest first."""

from __future__ import annotations

import argparse

from stepwitness.commands.stored import (
    SEAL_SHOWN,
    add_choice,
    add_json,
    add_store,
    as_json,
    chosen,
    opened,
    say_table,
    unit_of,
    when,
)
from stepwitness.commands.terminal import OK, Commands, say
from stepwitness.errors import BadInput, Place

PAGE = 50


def add(commands: Commands) -> None:
    command = commands.add_parser("list", help="list the records of the store, newest first")
    add_choice(command)
    command.add_argument("--limit", type=int, default=PAGE, metavar="N", help=f"records at most (default: {PAGE})")
    command.add_argument("--after", default="", metavar="KEY", help="go on behind this record, the last of a page")
    add_json(command)
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    if given.limit < 1:
        raise BadInput("no page", place=Place("--limit"), found=str(given.limit), allowed="1 or more")
    with opened(given) as store:
        after = store.record(given.after) if given.after else None
        page = store.records(**chosen(given), after=after, limit=given.limit)
    if given.json:
        say(as_json(page))
        return OK
    rows = [("seal", "began (UTC)", "bench", "unit", "plan", "verdict")]
    for one in page:
        verdict = f"{one.verdict} *" if one.simulated else one.verdict
        rows.append((one.seal[:SEAL_SHOWN], when(one.started), one.bench, unit_of(one), one.plan, verdict))
    say_table(rows, shrink=(2, 3, 4))
    simulated = sum(one.simulated for one in page)
    if simulated:
        say("* SIMULATED")
    if len(page) == given.limit:
        say(f"more: --after {page[-1].seal[:SEAL_SHOWN]}")
    return OK
