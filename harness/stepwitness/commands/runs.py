"""`stepwitness runs`: how many runs a plan needs, and how long they take; nothing moves."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.terminal import NOT_GOOD, OK, Commands, record_folder, say
from stepwitness.errors import BadInput, Place

if TYPE_CHECKING:
    from stepwitness.plan.runs import Scatter

FIGURE = "bidirectional_repeatability"


def add(commands: Commands) -> None:
    runs = commands.add_parser("runs", help="say how many runs an uncertainty or a shift takes, and how long")
    runs.add_argument("plan", metavar="PLAN", type=Path, help="a plan with repeatability")
    asked = runs.add_mutually_exclusive_group(required=True)
    asked.add_argument("--within", metavar="U", help="expanded uncertainty wanted, as 1 um")
    asked.add_argument("--shift", metavar="TRAVEL", help="shift of a mean that is to be seen, as 2 um")
    runs.add_argument("--of", default=FIGURE, metavar="FIGURE", help=f"whose uncertainty (default: {FIGURE})")
    known = runs.add_mutually_exclusive_group(required=True)
    known.add_argument("--like", type=Path, metavar="RECORD", help="take the scatter from an earlier record")
    known.add_argument("--scatter", metavar="TRAVEL", help="standard deviation of one approach, as 0.4 um")
    runs.add_argument(
        "--power", type=float, default=0.9, metavar="P", help="probability of seeing the shift (default: 0.9)"
    )
    runs.add_argument(
        "--false-alarm",
        type=float,
        default=0.05,
        metavar="P",
        help="probability of seeing one that isn't (default: 0.05)",
    )
    runs.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    from stepwitness.display import duration_text
    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.plan.runs import Scatter, runs_to_see, runs_within

    plan, bench = load_plan_and_bench(given.plan)
    scatter = _scatter_in(given.like) if given.like else Scatter(_travel(given.scatter, "--scatter"))
    if given.within:
        found = runs_within(plan, bench, given.of, within_m=_travel(given.within, "--within"), scatter=scatter)
        aim = f"U of {found.characteristic.heading} at most {given.within}"
    else:
        shift_m = _travel(given.shift, "--shift")
        found = runs_to_see(
            plan, bench, shift_m=shift_m, scatter=scatter, power=given.power, false_alarm=given.false_alarm
        )
        aim = f"a shift of {given.shift} seen with a probability of {given.power:g}"
    if found.time_s is None:
        least = _shown(found.needed.floor or found.needed.reached) if given.within else f"{found.needed.reached:.2g}"
        say(f"{aim}: no number of runs is enough; endless ones would leave {least}")
        return NOT_GOOD
    reached = f"U = {_shown(found.needed.reached)}" if given.within else f"power {found.needed.reached:.3f}"
    say(f"{aim}: {found.needed.runs} runs each way ({reached}), {duration_text(found.time_s)} on the axis")
    say(
        f"the plan asks for {found.planned} runs, {duration_text(found.planned_time_s)}; scatter {_shown(scatter.sd_m)}"
    )
    return OK


def _scatter_in(directory: Path) -> Scatter:
    from stepwitness.bench.model import parse_bench
    from stepwitness.plan.runs import scatter_of
    from stepwitness.records.manifest import open_record

    record = open_record(record_folder(directory))
    entry = next((one for one in record.sections["procedures"] if one["procedure"] == "repeatability"), None)
    if entry is None:
        raise BadInput("a record without repeatability tells no scatter", place=Place(str(directory)))
    bench = record.sections["bench"]
    return scatter_of(record.journal(entry["id"]), parse_bench(bench["text"], bench["file"]))


def _travel(text: str, option: str) -> float:
    from stepwitness.quantities import Kind, si

    try:
        return si(text, Kind.TRAVEL)
    except BadInput as error:
        raise error.at(Place(option)) from None


def _shown(length_m: float) -> str:
    from stepwitness.display import shown
    from stepwitness.quantities import Kind

    return str(shown(length_m, 0.0, "um", Kind.TRAVEL, resolution=1e-8))
