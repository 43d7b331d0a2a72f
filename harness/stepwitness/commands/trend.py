"""`stepwitness trend`: one characteristic over the records of the store."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from stepwitness.commands.stored import add_json, add_kind, add_store, as_json, checked_time, opened, when
from stepwitness.commands.terminal import OK, WIDTH, Commands, say
from stepwitness.errors import BadInput, Place, near_miss

if TYPE_CHECKING:
    from stepwitness.history.series import Series
    from stepwitness.records.store import Store, TrendPoint

NEWEST = 60
PICTURE = 24


def add(commands: Commands) -> None:
    command = commands.add_parser("trend", help="show a characteristic over the records of the store")
    command.add_argument(
        "characteristic", metavar="CHARACTERISTIC", help="as a plan names it, or PROCEDURE.CHARACTERISTIC"
    )
    for name in ("axis", "serial", "bench", "plan"):
        command.add_argument(f"--{name}", default="", metavar=name.upper(), help=f"only records of this {name}")
    command.add_argument("--since", default="", metavar="WHEN", help="only records begun at this day or time or later")
    add_kind(command)
    command.add_argument(
        "--limit", type=int, default=NEWEST, metavar="N", help=f"the newest so many (default: {NEWEST})"
    )
    command.add_argument("--svg", type=Path, metavar="FILE", help="write a picture of it, too")
    add_json(command)
    add_store(command)
    command.set_defaults(run=run)


def run(given: argparse.Namespace) -> int:
    if given.limit < 1:
        raise BadInput("no points", place=Place("--limit"), found=str(given.limit), allowed="1 or more")
    from stepwitness.history.series import histories, series_of

    procedure, _, characteristic = given.characteristic.rpartition(".")
    with opened(given) as store:
        points = store.trend(
            procedure=procedure,
            characteristic=characteristic,
            axis=given.axis,
            serial=given.serial,
            bench=given.bench,
            plan=given.plan,
            simulated=given.simulated,
            since=checked_time(given.since, "--since"),
            limit=given.limit,
        )
        if not points and (given.svg or not given.json):
            raise BadInput(
                f"no record that is meant has a value of '{given.characteristic}'",
                cure=near_miss(characteristic, [one for one in store.characteristics() if one != characteristic]),
            )
        found = histories(points)
        if given.json:
            say(as_json(points))
        for number, history in enumerate([] if given.json else found):
            if number:
                say("")
            _say(store, history, characteristic)
        if given.svg:
            _draw([series_of(store, history, characteristic) for history in found], given.svg)
            if not given.json:
                say(str(given.svg))
    return OK


def _draw(found: Sequence[Series], file: Path) -> None:
    from stepwitness.records.rendering import picture_of
    from stepwitness.records.writing import write_over

    drawing = picture_of(found)
    try:
        write_over(file, drawing.encode())
    except OSError as error:
        raise BadInput(f"the picture can't be written: {error.strerror}", place=Place(str(file))) from None


def _say(store: Store, points: Sequence[TrendPoint], characteristic: str) -> None:
    from stepwitness.bench.model import parse_bench
    from stepwitness.display import bound_text, shown
    from stepwitness.history.notes import words_on
    from stepwitness.quantities import Kind

    last = points[-1]
    sections = store.sections(last.seal)
    axis = parse_bench(sections["bench"]["text"], sections["bench"]["file"]).axis
    kind = Kind(_kind(store, last, characteristic))
    unit = f"{axis.name}, serial {last.serial}" if last.serial else axis.name
    name = f"{last.procedure}.{characteristic}"
    say(name + ("SIMULATED".rjust(WIDTH - len(name)) if last.simulated else ""))
    say(f"{unit} on {last.bench}, plan {last.plan}")
    values = [str(shown(one.value, one.expanded or 0.0, one.unit, kind, axis)) for one in points]
    widest = max(len(text) for text in values)
    pictures = list(_pictures(points))
    before: TrendPoint | None = None
    for one, text, picture in zip(points, values, pictures, strict=True):
        if before is not None and before.splits != one.splits:
            say(f"  since here another {_changed(before, one)}")
        say(f"  {when(one.started)}  {text:>{widest}}  {picture}  {one.verdict}".rstrip())
        before = one
    legend = "= the value, - as far as U goes"
    if last.limit is not None:
        drawn = "| " if any("|" in picture for picture in pictures) else ""
        legend += f", {drawn}the limit {bound_text(last.limit, last.unit, kind, axis)}"
    say(f"  {legend}")
    newest = words_on(sections.get("history", {}), last.procedure, characteristic)
    for line in textwrap.wrap(f"the newest run: {newest}", WIDTH - 2) if newest else ():
        say(f"  {line}")


def _kind(store: Store, point: TrendPoint, characteristic: str) -> str:
    return next(
        one.kind
        for one in store.findings(point.seal)
        if (one.procedure, one.characteristic) == (point.procedure, characteristic)
    )


def _changed(before: TrendPoint, after: TrendPoint) -> str:
    names = dict.fromkeys((*before.splits, *after.splits))
    return ", ".join(name for name in names if before.splits.get(name) != after.splits.get(name))


def _pictures(points: Sequence[TrendPoint]) -> Iterator[str]:
    """Each point on one scale that holds all values, their U and the limits that are near."""
    ends = [end for one in points for end in (one.value - (one.expanded or 0.0), one.value + (one.expanded or 0.0))]
    low, high = min(ends), max(ends)
    limits = {one.limit for one in points if one.limit is not None}
    near = [limit for limit in limits if abs(limit - (low + high) / 2) <= max(5 * (high - low), abs(high + low) / 2)]
    low, high = min([low, *near]), max([high, *near])
    scale = (PICTURE - 1) / (high - low) if high > low else 0.0

    def column(value: float) -> int:
        return min(max(round((value - low) * scale), 0), PICTURE - 1)

    for one in points:
        cells = [" "] * PICTURE
        if one.limit in near:
            cells[column(one.limit)] = "|"
        spread = one.expanded or 0.0
        for at in range(column(one.value - spread), column(one.value + spread) + 1):
            cells[at] = "-"
        cells[column(one.value)] = "="
        yield "".join(cells)
