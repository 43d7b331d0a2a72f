"""`stepwitness prove-installation`: known cases run on the software as it is installed, sealed and filed."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.terminal import NOT_GOOD, OK, WIDTH, Commands, say

if TYPE_CHECKING:
    from stepwitness.installation.case import Case, Check


def add(commands: Commands) -> None:
    prove = commands.add_parser(
        "prove-installation", help="run known cases on the software as it is installed; seal and file what came out"
    )
    prove.add_argument("--reports", type=Path, default=Path("reports"), metavar="DIR", help="folder (default: reports)")
    prove.add_argument("--operator", default="", metavar="INITIALS", help="who does it; may be left out")
    prove.add_argument("--json", action="store_true", help="print the document as JSON, with every figure")
    prove.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.installation.proof import file_proof, prove

    sections = prove(operator=given.operator, told=_silent if given.json else _told)
    filed = file_proof(sections, given.reports)
    for trouble in filed.troubles:
        say(trouble, to_error=True)
    if given.json:
        say(json.dumps({"document": str(filed.document), **sections}, indent=2, ensure_ascii=False))
    else:
        from stepwitness.display import SHAPES

        end = sections["installation"]
        say("")
        for line in textwrap.wrap(f"{SHAPES[end['verdict']]} {end['statement']}", WIDTH):
            say(line)
        say(str(filed.page or filed.document))
    return OK if sections["installation"]["verdict"] == "PASS" else NOT_GOOD


def _silent(case: Case, checks: Sequence[Check]) -> None:
    pass


def _told(case: Case, checks: Sequence[Check]) -> None:
    """A line a case with its source; a line more for each figure that differs."""
    from stepwitness.display import counted

    differing = [check for check in checks if not check.agrees]
    word = "✕ DIFFERS" if differing else "● agrees"
    figures = counted(len(checks), "figure", gap=" ")
    for line in textwrap.wrap(f"{word:9}  {case.name} ({figures})", WIDTH, subsequent_indent=" " * 11):
        say(line)
    for line in textwrap.wrap(case.source, WIDTH, initial_indent=" " * 11, subsequent_indent=" " * 11):
        say(line)
    for check in differing:
        told = f"{check.figure}: expected {check.expected}, found {check.found} ({check.tolerance or 'as a whole'})"
        for line in textwrap.wrap(told, WIDTH, initial_indent=" " * 11 + "✕ ", subsequent_indent=" " * 13):
            say(line)
