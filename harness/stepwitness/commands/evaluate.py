"""`stepwitness evaluate`: the readings of a record, judged again."""

from __future__ import annotations

import argparse
from pathlib import Path

from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, good_enough, record_folder, say, say_findings


def add(commands: Commands) -> None:
    evaluate = commands.add_parser("evaluate", help="judge the readings of a record again")
    evaluate.add_argument("directory", metavar="RECORD", type=Path, help="the folder of a run")
    evaluate.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.bench.model import parse_bench
    from stepwitness.findings import worst
    from stepwitness.records.manifest import open_record, verify
    from stepwitness.records.record import reevaluate

    directory = record_folder(given.directory)
    broken = verify(directory)
    for place in broken:
        say(place, to_error=True)
    sections = open_record(directory).sections
    again = reevaluate(directory)
    say(f"{sections['plan']['name']} on {sections['bench']['name']}, run {sections['run']['id']}, judged again")
    say_findings(again.findings, parse_bench(sections["bench"]["text"], sections["bench"]["file"]).axis)
    for text in (*again.evaluators, *again.differences):
        say(text)
    verdict = worst(finding.verdict for finding in again.findings)
    same = "as in the record" if again.same else "not as in the record"
    say(f"{verdict.value}  {len(again.findings)} findings, {same}")
    good = good_enough(again.findings, strict=sections["plan"]["purpose"] != "nightly")
    return OK if again.same and not broken and good else NOT_GOOD
