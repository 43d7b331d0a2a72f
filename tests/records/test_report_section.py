"""What ISO/IEC 17025:2017, 7.8 asks of a report stands in each record, absent items as absent."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.findings import Estimate
from stepwitness.plan.description import Plan
from stepwitness.plan.model import parse_plan
from stepwitness.procedures.procedure import Procedure
from stepwitness.records.manifest import open_record
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.site import FACTS, SiteFacts

Acquired = Callable[..., Path]

# Letters of 7.8.2.1 and 7.8.3.1, and 7.8.6.1, by the 2017 edition; from memory.
CLAUSES = [
    *(f"7.8.2.1 {letter}" for letter in "abcdefghijklmnop"),
    *(f"7.8.3.1 {letter}" for letter in "abcd"),
    "7.8.6.1",
]


def told(folder: Path) -> dict[str, str | None]:
    items = open_record(folder).sections["report"]["items"]
    return {item["item"]: item["told"] for item in items}


def test_every_item_is_there_and_what_nobody_told_is_absent(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    acquired("play-at-end")
    seal_record(folder, plan, bench, run)
    section = open_record(folder).sections["report"]

    assert list(dict.fromkeys(item["clause"] for item in section["items"])) == CLAUSES
    assert [item["item"] for item in section["items"] if item["told"] is None] == [
        "laboratory",
        "location of the test",
        "customer",
        "condition of the item",
        "date of receipt",
        "sampling",
        "deviations from the method",
        "authorised by",
        "results of others",
        "ambient conditions",
        "opinions and interpretations",
    ]
    assert section["operator"] == ""


def test_what_the_record_itself_knows(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    acquired("play-at-end")
    seal_record(folder, plan, bench, run)
    record = open_record(folder)
    items = told(folder)

    assert items["item"] == "axis doser, serial TB-0417"
    assert items["method"] == "offset (evaluator 3; own definition); play-at-end (evaluator 3; own definition)"
    assert items["dates of the test"] == "2026-11-25 02:10 UTC to 2026-11-25 02:14 UTC"
    assert items["results"] == "4 findings among 8 estimates, each with its unit"
    assert items["statement of conformity"] == record.sections["run"]["statement"]
    assert "guarded acceptance, k = " in str(items["decision rule"])
    assert "95.45 %" in str(items["measurement uncertainty"])


def test_the_sites_facts_fill_what_was_absent(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    acquired("play-at-end")
    said = {name: f"told {name}" for name in FACTS if name not in ("operator", "received")}
    bench = replace(bench, site=SiteFacts(laboratory="bench's", customer="bench's"))
    plan = replace(plan, site=SiteFacts(customer="plan's", operator="AB"))
    seal_record(folder, plan, bench, replace(run, site=SiteFacts(**said, received="2026-11-20", operator="MK")))

    assert None not in told(folder).values()
    assert told(folder)["customer"] == "told customer"
    assert told(folder)["date of receipt"] == "2026-11-20"
    assert open_record(folder).sections["report"]["operator"] == "MK"


def test_what_was_left_out_is_a_deviation(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Acquired
) -> None:
    acquired("offset")
    seal_record(folder, replace(plan, inform_only=True), bench, replace(run, over="file"))

    assert told(folder)["deviations from the method"] == (
        "partial: not acquired: play-at-end, limits may be finer than the bench can tell"
    )
    assert told(folder)["results of others"] == "readings that another machine took"


def test_what_falls_short_of_a_standard_is_a_deviation_told_once(
    folder: Path,
    plan: Plan,
    bench: BenchDescription,
    run: RunFacts,
    acquired: Acquired,
    known: dict[str, Procedure],
    procedure: Callable[..., Procedure],
) -> None:
    few = "4 runs each way where 5 are the least (a standard)"

    def short(*given: Any) -> tuple[Estimate, ...]:
        return tuple(replace(estimate, deviations=(few,)) for estimate in known["offset"].evaluate(*given))

    acquired("offset")
    acquired("play-at-end")
    with_short = {**known, "offset": procedure("offset", evaluate=short)}
    seal_record(folder, parse_plan(plan.text, plan.path, bench, with_short), bench, run)

    assert told(folder)["deviations from the method"] == f"offset falls short of its standard: {few}"
    offset, play = open_record(folder).sections["procedures"]
    assert {tuple(held["deviations"]) for held in offset["estimates"]} == {(few,)}
    assert {tuple(held["deviations"]) for held in play["estimates"]} == {()}


def test_calibrations_stand_beside_the_identities(
    folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts
) -> None:
    seal_record(folder, plan, replace(bench, counter_certificate="TB-C-7"), run)
    section = open_record(folder).sections["bench"]

    assert section["calibration"] == {"counter": {"certificate": "TB-C-7"}}
    assert section["identities"] == run.identities
