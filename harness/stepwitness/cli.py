"""The `stepwitness` command: checks without motion, schemas for editors, and work on records.

Exit codes: 0 all is well; 1 a finding isn't good enough or a record isn't whole; 2 the input is wrong. An error is
one line on the standard error stream. Renderers are reached by entry point, never by import.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import textwrap
from collections.abc import Iterable, Sequence
from importlib.metadata import entry_points, version
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from stepwitness.errors import BadInput, Place, StepwitnessError, near_miss

if TYPE_CHECKING:
    from stepwitness.axis import Axis
    from stepwitness.findings import Finding

OK, NOT_GOOD, BAD_INPUT = 0, 1, 2
INTERRUPTED = 130

WIDTH = 80
RENDERERS = "stepwitness.reports"
RECORD_FILE = "record.json"
PLAN_PATTERN = "*.plan.yaml"


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    try:
        given = _parser().parse_args(arguments)
        code: int = given.run(given)
        sys.stdout.flush()
    except StepwitnessError as error:
        return _told(error)
    except BrokenPipeError:  # the reader went away, as `| head` does; nothing is left to say
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK
    except KeyboardInterrupt:
        return INTERRUPTED
    return code


def _told(error: StepwitnessError) -> int:
    """Say `error` in one line; the exit code that belongs to it."""
    _say(" ".join(str(error).splitlines()), to_error=True)
    return BAD_INPUT if isinstance(error, BadInput) else NOT_GOOD


def _say(text: str, *, to_error: bool = False) -> None:
    """Print `text`, in ASCII where the stream can't carry it."""
    stream = sys.stderr if to_error else sys.stdout
    try:
        text.encode(stream.encoding or "ascii")
    except UnicodeEncodeError:
        from stepwitness.display import ascii_fallback

        text = ascii_fallback(text)
    print(text, file=stream)


class _Parser(argparse.ArgumentParser):
    """Says its errors as we say all others."""

    def error(self, message: str) -> NoReturn:
        raise BadInput(message, place=Place(self.prog), cure=f"see '{self.prog} --help'")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="stepwitness",
        description="Checks plans without motion, and works on the records of runs. Runs themselves go by pytest.",
        epilog="exit codes: 0 all is well, 1 a finding or a record isn't good enough, 2 wrong input",
    )
    parser.add_argument("--version", action="version", version=version("pytest-stepwitness"))
    commands = parser.add_subparsers(metavar="COMMAND", required=True)

    check = commands.add_parser("check", help="say what a plan would do and what its bench can see; nothing moves")
    check.add_argument("paths", nargs="+", metavar="PLAN", help="a plan file, or a folder with plans")
    check.set_defaults(run=_check)

    schema = commands.add_parser("schema", help="print the JSON Schema of a file, for completion in an editor")
    schema.add_argument("file", choices=("bench", "plan"))
    schema.set_defaults(run=_schema)

    evaluate = commands.add_parser("evaluate", help="judge the readings of a record again")
    evaluate.set_defaults(run=_evaluate)
    report = commands.add_parser("report", help="render the report of a record")
    report.add_argument("--format", default="html", metavar="NAME", help="renderer to use (default: html)")
    report.set_defaults(run=_report)
    csv = commands.add_parser("evaluate-csv", help="judge readings that another machine took, by the columns of a plan")
    csv.add_argument("plan", metavar="PLAN", type=Path, help="a plan whose procedure has a section 'columns'")
    csv.add_argument("readings", metavar="CSV", type=Path, help="readings in long format, one a line")
    csv.add_argument(
        "--procedure", default="", metavar="ID", help="whose readings they are, where the plan leaves it open"
    )
    csv.add_argument("--into", type=Path, metavar="FOLDER", help="folder of the record (default: below reports/)")
    csv.set_defaults(run=_evaluate_csv)
    verify = commands.add_parser("verify", help="check the seal of a record and every batch of its journals")
    verify.set_defaults(run=_verify)
    for command in (evaluate, report, verify):
        command.add_argument("directory", metavar="RECORD", type=Path, help="the folder of a run")
    return parser


# -- plans -----------------------------------------------------------------------------------------------------


def _check(given: argparse.Namespace) -> int:
    from datetime import date

    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.plan.preview import preview

    worst, gap = OK, ""
    for path in _plans(given.paths):
        try:
            plan, bench = load_plan_and_bench(path)
            lines = preview(plan, bench, today=date.today())
        except StepwitnessError as error:
            worst = max(worst, _told(error))
            continue
        _say(gap + "\n".join(lines))
        gap = "\n"
    return worst


def _plans(paths: Iterable[str]) -> list[str]:
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


def _schema(given: argparse.Namespace) -> int:
    if given.file == "bench":
        from stepwitness.bench.model import bench_schema

        schema = bench_schema()
    else:
        from stepwitness.plan.model import plan_schema

        schema = plan_schema()
    _say(json.dumps(schema, indent=2))
    return OK


# -- records ---------------------------------------------------------------------------------------------------


def _record_folder(directory: Path) -> Path:
    if not (directory / RECORD_FILE).is_file():
        raise BadInput("there is no record here", place=Place(str(directory)), allowed=f"a folder with {RECORD_FILE}")
    return directory


def _verify(given: argparse.Namespace) -> int:
    from stepwitness.records.manifest import verify

    directory = _record_folder(given.directory)
    broken = verify(directory)
    for place in broken:
        _say(place)
    _say(f"{directory}: {'not the record that was sealed' if broken else 'whole, as sealed'}")
    return NOT_GOOD if broken else OK


def _evaluate(given: argparse.Namespace) -> int:
    from stepwitness.bench.model import parse_bench
    from stepwitness.findings import worst
    from stepwitness.records.manifest import open_record, verify
    from stepwitness.records.record import reevaluate

    directory = _record_folder(given.directory)
    broken = verify(directory)
    for place in broken:
        _say(place, to_error=True)
    sections = open_record(directory).sections
    again = reevaluate(directory)
    _say(f"{sections['plan']['name']} on {sections['bench']['name']}, run {sections['run']['id']}, judged again")
    _say_findings(again.findings, parse_bench(sections["bench"]["text"], sections["bench"]["file"]).axis)
    for text in (*again.evaluators, *again.differences):
        _say(text)
    verdict = worst(finding.verdict for finding in again.findings)
    same = "as in the record" if again.same else "not as in the record"
    _say(f"{verdict.value}  {len(again.findings)} findings, {same}")
    good = _good_enough(again.findings, strict=sections["plan"]["purpose"] != "nightly")
    return OK if again.same and not broken and good else NOT_GOOD


def _evaluate_csv(given: argparse.Namespace) -> int:
    from datetime import UTC, datetime

    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.records.manifest import open_record
    from stepwitness.records.readings_file import record_readings
    from stepwitness.records.record import reevaluate

    plan, bench = load_plan_and_bench(given.plan)
    now = datetime.now(UTC)
    into = given.into or Path("reports") / bench.name / f"{now:%Y-%m-%dT%H%M%S}-{plan.name}"
    record = record_readings(plan, bench, given.readings, into, procedure_id=given.procedure, now=now)
    again = reevaluate(into)
    _say(f"{plan.name} on {bench.name}, readings of {given.readings}")
    _say_findings(again.findings, bench.axis)
    run = open_record(into).sections["run"]
    _say(run["statement"])
    renderer = next((entry for entry in entry_points(group=RENDERERS) if entry.name == "html"), None)
    _say(str(renderer.load()(into) if renderer is not None else record))
    return OK if not run["partial"] and _good_enough(again.findings, strict=plan.purpose.strict) else NOT_GOOD


def _good_enough(findings: Sequence[Finding], *, strict: bool) -> bool:
    """Whether the worst of them lets a plan of its purpose pass."""
    from stepwitness.findings import Verdict, worst

    enough = (Verdict.PASS,) if strict else (Verdict.PASS, Verdict.NOT_OBSERVABLE)
    return worst(finding.verdict for finding in findings) in enough


def _say_findings(findings: Sequence[Finding], axis: Axis) -> None:
    """The table of findings, headings wrapped so that a line fits the terminal."""
    from stepwitness.display import columns

    rows = [("characteristic", "value ± U", "limit", "verdict")]
    for finding in findings:
        shown = columns(finding, axis)
        rows.append((shown.heading, shown.value, shown.limit, shown.verdict))
    widest, value, limit, verdict = (max(len(row[column]) for row in rows) for column in range(4))
    room = max(18, min(widest, WIDTH - 2 - value - limit - verdict - 6))
    for heading, *told in rows:
        first, *rest = textwrap.wrap(heading, room)
        _say(f"  {first:{room}}  {told[0]:>{value}}  {told[1]:>{limit}}  {told[2]}")
        for more in rest:
            _say(f"    {more}")


def _report(given: argparse.Namespace) -> int:
    directory = _record_folder(given.directory)
    renderers = {entry.name: entry for entry in entry_points(group=RENDERERS)}
    if given.format not in renderers:
        raise BadInput(
            f"no renderer '{given.format}' is installed",
            allowed=", ".join(sorted(renderers)) or f"a distribution with an entry point in {RENDERERS}",
            cure=near_miss(given.format, renderers),
        )
    _say(str(renderers[given.format].load()(directory)))
    return OK


if __name__ == "__main__":
    sys.exit(main())
