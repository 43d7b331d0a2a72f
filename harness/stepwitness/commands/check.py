"""`stepwitness check`: what a plan would do and what its bench can see; nothing moves."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path

from stepwitness.commands.terminal import OK, Commands, say, told
from stepwitness.errors import BadInput, Place, StepwitnessError

PLAN_PATTERN = "*.plan.yaml"


def add(commands: Commands) -> None:
    check = commands.add_parser("check", help="say what a plan would do and what its bench can see; nothing moves")
    check.add_argument("paths", nargs="+", metavar="PLAN", help="a plan file, or a folder with plans")
    check.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from datetime import date

    from stepwitness.bench.sections import STAND_IN
    from stepwitness.devices.catalog import check_kind
    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.plan.preview import preview

    worst, gap = OK, ""
    for path in plans_among(given.paths):
        try:
            plan, bench = load_plan_and_bench(path)
            for role, part in bench.parts().items():
                if part.kind != STAND_IN:
                    check_kind(role, part)
            lines = preview(plan, bench, today=date.today())
        except StepwitnessError as error:
            worst = max(worst, told(error))
            continue
        say(gap + "\n".join(lines))
        gap = "\n"
    return worst


def plans_among(paths: Iterable[str]) -> list[str]:
    """The plan files among `paths`, those in folders included."""
    found: list[str] = []
    for path in paths:
        if not Path(path).is_dir():
            found.append(path)
            continue
        inside = sorted(str(item) for item in Path(path).rglob(PLAN_PATTERN))
        if not inside:
            raise BadInput("a folder without plans", place=Place(path), allowed=f"files named {PLAN_PATTERN}")
        found += inside
    return found
