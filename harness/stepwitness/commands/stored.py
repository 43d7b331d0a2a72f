"""What the commands on the store share: where it is, which records are meant, and how one stands in a line."""

from __future__ import annotations

import argparse
import itertools
import json
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from stepwitness.commands.terminal import WIDTH, say
from stepwitness.errors import BadInput, Place

if TYPE_CHECKING:
    from stepwitness.records.store import Store, StoredRecord

SEAL_SHOWN = 10
_GAP = "  "
_LEAST = 8


def add_store(
    command: argparse.ArgumentParser, *, default: str = "STEPWITNESS_STORE, or reports/stepwitness.sqlite"
) -> None:
    command.add_argument("--store", metavar="WHERE", help=f"a file or a URL (default: {default})")


def add_json(command: argparse.ArgumentParser) -> None:
    command.add_argument("--json", action="store_true", help="print JSON, numbers in SI")


def add_choice(command: argparse.ArgumentParser) -> None:
    """Options that choose records."""
    for name in ("bench", "axis", "serial", "plan", "purpose", "verdict"):
        command.add_argument(f"--{name}", default="", metavar=name.upper(), help=f"only those of this {name}")
    command.add_argument("--since", default="", metavar="WHEN", help="only those begun at this day or time or later")
    command.add_argument("--until", default="", metavar="WHEN", help="only those begun before this day or time")
    add_kind(command)


def add_kind(command: argparse.ArgumentParser) -> None:
    kind = command.add_mutually_exclusive_group()
    kind.add_argument("--simulated", action="store_true", default=None, help="only those of stand-ins")
    kind.add_argument("--live", action="store_false", dest="simulated", help="only those of real parts")


def chosen(given: argparse.Namespace) -> dict[str, Any]:
    """What `add_choice` chose, as `Store.records` takes it."""
    names = ("bench", "axis", "serial", "plan", "purpose", "verdict", "simulated")
    times = {name: checked_time(getattr(given, name), f"--{name}") for name in ("since", "until")}
    return {**{name: getattr(given, name) for name in names}, **times}


def checked_time(text: str, option: str) -> str:
    """`text` where it is a day or a time."""
    from datetime import datetime

    try:
        if text:
            datetime.fromisoformat(text)
    except ValueError:
        raise BadInput(
            "isn't a day or a time", place=Place(option), found=f"'{text}'", allowed="such as 2026-11-25T02:10"
        ) from None
    return text


def opened(given: argparse.Namespace) -> Store:
    """The store that is meant; a file that isn't there is told, and not made by who only wants to read."""
    from stepwitness.records.store import open_store
    from stepwitness.records.store.address import Address

    file = Address(given.store).file
    if file is not None and not file.is_file():
        raise BadInput(
            "there is no store here",
            place=Place(str(file)),
            cure="a run makes one, and 'stepwitness hand-over' files what earlier runs left; --store names another",
        )
    return open_store(given.store)


def as_json(values: Iterable[Any]) -> str:
    """Frozen values as a JSON array, a line each."""
    lines = (json.dumps(asdict(one), ensure_ascii=False) for one in values)
    return "[\n" + ",\n".join(lines) + "\n]"


def unit_of(record: StoredRecord) -> str:
    return f"{record.axis} {record.serial}".strip()


def when(started: str) -> str:
    """A time of the store to the minute, UTC."""
    return started[:16].replace("T", " ")


def say_table(rows: Sequence[Sequence[str]], *, shrink: Sequence[int]) -> None:
    """Columns at the left, two blanks between; those numbered in `shrink` break their lines where one is too long."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    while sum(widths) + len(_GAP) * (len(widths) - 1) > WIDTH:
        widest = max(shrink, key=lambda column: widths[column])
        if widths[widest] <= _LEAST:
            break
        widths[widest] -= 1
    for row in rows:
        cells = [
            textwrap.wrap(text, max(width, 2), subsequent_indent=" ") for text, width in zip(row, widths, strict=True)
        ]
        for line in itertools.zip_longest(*cells, fillvalue=""):
            say(_GAP.join(text.ljust(width) for text, width in zip(line, widths, strict=True)).rstrip())
