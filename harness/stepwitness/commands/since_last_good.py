"""`stepwitness since-last-good`: what rests on an instrument that was found out of calibration."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from stepwitness.commands.stored import add_store, opened
from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, say
from stepwitness.errors import BadInput

if TYPE_CHECKING:
    from stepwitness.history.recall import Recall

ROLES = ("gauge", "meter", "counter", "drive", "supply")


def add(commands: Commands) -> None:
    command = commands.add_parser(
        "since-last-good",
        help="list every record that rests on an instrument since it was last known to be good",
        description="Lists every record that rests on an instrument since a check standard last found it good. "
        "Exit code 1 where there is any.",
    )
    command.add_argument(
        "instrument",
        metavar="INSTRUMENT",
        help="its certificate, a word of its identity such as a serial number, or with --bench its role (gauge, meter)",
    )
    command.add_argument(
        "--bench", default="", metavar="NAME", help="where that role is; else, records of this bench alone"
    )
    command.add_argument(
        "--good", default="", metavar="DAY", help="it was last known to be good on this day, year-month-day"
    )
    add_store(command)
    command.add_argument("--json", action="store_true", help="as JSON, for another program")
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.history.recall import in_role, recall

    if given.instrument in ROLES and not given.bench:
        raise BadInput(
            f"'{given.instrument}' is a part of every bench", allowed="--bench NAME, or a certificate or serial number"
        )
    _check_day(given.good)
    with opened(given) as store:
        if given.instrument in ROLES:
            instrument = in_role(store, given.instrument, bench=given.bench)
            if not instrument:
                raise BadInput(f"no record of the bench '{given.bench}' names its {given.instrument}")
            found = recall(store, instrument, since=given.good)
        else:
            found = recall(store, given.instrument, bench=given.bench, since=given.good)
    say(_as_json(found) if given.json else "\n".join(_lines(found)))
    return NOT_GOOD if found.suspects else OK


def _check_day(text: str) -> None:
    from datetime import date

    try:
        date.fromisoformat(text or "2026-01-01")
    except ValueError:
        raise BadInput("not a day", found=f"'{text}'", allowed="year-month-day such as 2026-11-20") from None


def _lines(found: Recall) -> list[str]:
    rows = [
        (
            one.record.started[:16].replace("T", " "),
            one.record.bench,
            f"{one.record.axis} {one.record.serial}".strip(),
            one.record.verdict,
            one.record.folder,
        )
        for one in found.suspects
    ]
    widths = [max((len(row[column]) for row in rows), default=0) for column in range(4)]
    lines = ["  ".join([*map(str.ljust, row[:4], widths), row[4]]).rstrip() for row in rows]
    return [*lines, f"{_counted(len(rows))} {_since(found)}"]


def _since(found: Recall) -> str:
    told = f"on {found.instrument}"
    if found.last_good is not None:
        when = found.last_good.started[:16].replace("T", " ")
        return f"{told} since it was last found good, {when} UTC ({found.last_good.folder})"
    if found.since:
        return f"{told} since {found.since}"
    return f"{told}; no check standard ever found it good, so these are all"


def _counted(number: int) -> str:
    return "no record rests" if number == 0 else "1 record rests" if number == 1 else f"{number} records rest"


def _as_json(found: Recall) -> str:
    good = found.last_good
    return json.dumps(
        {
            "instrument": found.instrument,
            "since": found.since,
            "last_good": None if good is None else {"seal": good.seal, "folder": good.folder, "started": good.started},
            "records": [
                {
                    "seal": one.record.seal,
                    "id": one.record.id,
                    "started": one.record.started,
                    "bench": one.record.bench,
                    "axis": one.record.axis,
                    "serial": one.record.serial,
                    "plan": one.record.plan,
                    "verdict": one.record.verdict,
                    "folder": one.record.folder,
                    "parts": list(one.roles),
                }
                for one in found.suspects
            ],
        },
        indent=2,
        ensure_ascii=False,
    )
