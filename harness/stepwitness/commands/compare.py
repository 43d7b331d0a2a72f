"""`stepwitness compare`: what differs between two records of the store."""

from __future__ import annotations

import argparse
import json
import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING

from stepwitness.commands.show import KEY_HELP
from stepwitness.commands.stored import SEAL_SHOWN, add_store, opened, say_table, when
from stepwitness.commands.terminal import NOT_GOOD, OK, WIDTH, Commands, say

if TYPE_CHECKING:
    from stepwitness.records.difference import Difference, FindingPair
    from stepwitness.records.store import StoredRecord


def add(commands: Commands) -> None:
    command = commands.add_parser(
        "compare",
        help="say what differs between two records: axis, bench, plan, findings",
        description="Says what differs between two records. Exit code 1 where anything does but for digits that lie "
        "within their uncertainty.",
    )
    command.add_argument("first", metavar="A", help=KEY_HELP)
    command.add_argument("second", metavar="B", help="another one")
    command.add_argument("--json", action="store_true", help="print JSON, numbers in SI")
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.records.difference import difference

    with opened(given) as store:
        records = [store.record(key) for key in (given.first, given.second)]
        found = difference(*(store.sections(one.seal) for one in records))
    if given.json:
        pairs = [{**asdict(one), "change": one.change, "apart": one.apart} for one in found.findings]
        told = {"a": records[0].seal, "b": records[1].seal, **asdict(found), "findings": pairs}
        say(json.dumps(told, ensure_ascii=False))
    else:
        _say(records, found)
    return NOT_GOOD if found.any else OK


def _say(records: list[StoredRecord], found: Difference) -> None:
    for letter, one in zip("AB", records, strict=True):
        simulated = "  SIMULATED" if one.simulated else ""
        say(f"{letter}  {one.seal[:SEAL_SHOWN]}  {when(one.started)}  {one.folder}{simulated}")
    for name, (before, after) in found.facts.items():
        for line in textwrap.wrap(
            f"{name}: {before or 'none'} in A, {after or 'none'} in B", WIDTH, subsequent_indent="  "
        ):
            say(line)
    for name, lines in (("bench", found.bench), ("plan", found.plan)):
        if lines:
            say(f"{name} file, from A to B:")
            for line in lines:
                say("\n".join(textwrap.wrap(f"  {line}", WIDTH, subsequent_indent="      ")))
    if found.findings:
        say("")
        rows = [("characteristic", "A", "B", "", "verdict")]
        say_table([*rows, *(_row(one) for one in found.findings)], shrink=(0,))
    if not found.any:
        say("")
        say("nothing differs but for digits within their uncertainty")


def _row(pair: FindingPair) -> tuple[str, str, str, str, str]:
    first, second = (one["shown"]["text"] if one else "not judged" for one in (pair.first, pair.second))
    verdicts = [one["verdict"] if one else "not judged" for one in (pair.first, pair.second)]
    verdict = verdicts[0] if verdicts[0] == verdicts[1] else " → ".join(verdicts)
    return pair.title, first, second, "apart" if pair.apart else "", verdict
