"""`stepwitness evaluate-csv`: readings that another machine took, judged by the columns of a plan."""

from __future__ import annotations

import argparse
from importlib.metadata import entry_points
from pathlib import Path

from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, good_enough, say, say_findings
from stepwitness.records.kinds import RECORD


def add(commands: Commands) -> None:
    csv = commands.add_parser("evaluate-csv", help="judge readings that another machine took, by the columns of a plan")
    csv.add_argument("plan", metavar="PLAN", type=Path, help="a plan whose procedure has a section 'columns'")
    csv.add_argument("readings", metavar="CSV", type=Path, help="readings in long format, one a line")
    csv.add_argument(
        "--procedure", default="", metavar="ID", help="whose readings they are, where the plan leaves it open"
    )
    csv.add_argument("--into", type=Path, metavar="FOLDER", help="folder of the record (default: below reports/)")
    csv.add_argument(
        "--site", action="append", default=[], metavar="KEY=TEXT", help="a fact for the report, such as operator=MK"
    )
    csv.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from datetime import UTC, datetime

    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.records.manifest import open_record
    from stepwitness.records.readings_file import record_readings
    from stepwitness.records.record import reevaluate
    from stepwitness.site import site_facts

    plan, bench = load_plan_and_bench(given.plan)
    now = datetime.now(UTC)
    into = given.into or Path("reports") / bench.name / f"{now:%Y-%m-%dT%H%M%S}-{plan.name}"
    site = site_facts(given.site)
    record = record_readings(plan, bench, given.readings, into, procedure_id=given.procedure, now=now, site=site)
    again = reevaluate(into)
    say(f"{plan.name} on {bench.name}, readings of {given.readings}")
    say_findings(again.findings, bench.axis)
    run = open_record(into).sections["run"]
    say(run["statement"])
    renderer = next((entry for entry in entry_points(group=RECORD.renderers) if entry.name == "html"), None)
    say(str(renderer.load()(into) if renderer is not None else record))
    return OK if not run["partial"] and good_enough(again.findings, strict=plan.purpose.strict) else NOT_GOOD
