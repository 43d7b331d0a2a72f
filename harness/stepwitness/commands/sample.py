"""`stepwitness sample`: how many units, and how many of them may fail, before a lot or a life test is begun."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Sequence
from typing import Any

from stepwitness.commands.terminal import OK, Commands, say
from stepwitness.errors import BadInput, Place

LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
SEVERITIES = ("normal", "tightened", "reduced")
EDITIONS = ("MIL-STD-105E", "ISO 2859-1:1999")
CHANCES = (0.95, 0.5, 0.1)
"""Of acceptance, at which a plan's quality is told."""


def add(commands: Commands) -> None:
    sample = commands.add_parser("sample", help="say how many units a lot, a demonstration or a life test takes")
    kinds = sample.add_subparsers(metavar="KIND", required=True)

    lot = _kind(kinds, "lot", "a single plan by attributes for a lot of a series")
    lot.add_argument("--size", type=int, required=True, metavar="N", help="units in the lot")
    lot.add_argument("--aql", type=float, required=True, metavar="PERCENT", help="acceptance quality limit")
    lot.add_argument("--level", choices=LEVELS, default="II", help="inspection level (default: II)")
    lot.add_argument("--severity", choices=SEVERITIES, default="normal", help="of inspection (default: normal)")
    lot.add_argument("--edition", choices=EDITIONS, default=EDITIONS[1], help=f"whose table (default: {EDITIONS[1]})")
    lot.set_defaults(reckon=_lot)

    isolated = _kind(kinds, "isolated", "a plan for one lot that stands alone")
    isolated.add_argument("--size", type=int, required=True, metavar="N", help="units in the lot")
    isolated.add_argument("--limiting-quality", type=float, required=True, metavar="PERCENT", help="hardly accepted")
    isolated.add_argument("--failures", type=int, default=0, metavar="AC", help="nonconforming units allowed")
    isolated.set_defaults(reckon=_isolated)

    shown = _kind(kinds, "demonstration", "units that show a reliability, each through one mission")
    _reliability(shown)
    shown.set_defaults(reckon=_demonstration)

    life = _kind(kinds, "life", "how long so many units run to show a reliability over a mission")
    _reliability(life)
    life.add_argument("--units", type=int, required=True, metavar="N")
    life.add_argument("--mission", type=float, required=True, metavar="T", help="in any unit, as strokes or hours")
    life.add_argument("--shape", type=float, required=True, metavar="BETA", help="supposed shape of the Weibull life")
    life.set_defaults(reckon=_life)


def _kind(kinds: Any, name: str, what: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = kinds.add_parser(name, help=what, description=what)
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(run=run)
    return parser


def _reliability(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--reliability", type=float, required=True, metavar="R", help="wanted, as 0.95")
    parser.add_argument("--confidence", type=float, default=0.95, metavar="C", help="(default: 0.95)")
    parser.add_argument("--failures", type=int, default=0, metavar="N", help="failures allowed (default: 0)")


def run(given: argparse.Namespace) -> int:
    from stepwitness.metrology.statistics import BadReadings

    reckon: Callable[[argparse.Namespace], tuple[dict[str, Any], Sequence[str]]] = given.reckon
    try:
        figures, lines = reckon(given)
    except BadReadings as error:
        raise BadInput(str(error), place=Place("stepwitness sample")) from None
    if given.json:
        say(json.dumps(figures, indent=2))
    else:
        for line in lines:
            say(line)
    return OK


def _lot(given: argparse.Namespace) -> tuple[dict[str, Any], Sequence[str]]:
    from stepwitness.metrology.sampling import single_plan

    plan = single_plan(
        given.size, aql_percent=given.aql, edition=given.edition, level=given.level, severity=given.severity
    )
    qualities = _qualities(plan.sample, plan.ac)
    whole = ", the whole lot" if plan.whole_lot else ""
    return {
        "sample": plan.sample,
        "accept": plan.ac,
        "reject": plan.re,
        "letter": plan.letter,
        "edition": plan.edition,
        "quality_by_chance_of_acceptance": qualities,
    }, [
        f"{plan.edition}, level {plan.level}, {plan.severity}, AQL {plan.aql_percent:g} %: code letter {plan.letter}",
        f"draw {plan.sample} of {plan.lot_size} units{whole}; accept with up to {plan.ac} nonconforming, not from "
        f"{plan.re} on",
        *_quality_lines(qualities),
    ]


def _isolated(given: argparse.Namespace) -> tuple[dict[str, Any], Sequence[str]]:
    from stepwitness.metrology.sampling import isolated_lot

    plan = isolated_lot(given.size, limiting_quality=given.limiting_quality / 100.0, ac=given.failures)
    return {"sample": plan.sample, "accept": plan.ac, "consumer_risk": plan.consumer_risk}, [
        f"draw {plan.sample} of {plan.lot_size} units; accept with up to {plan.ac} nonconforming",
        f"a lot with {plan.nonconforming} nonconforming units ({given.limiting_quality:g} %) is accepted with a "
        f"probability of {plan.consumer_risk:.3f}",
        "computed from the hypergeometric distribution; no table's plan",
    ]


def _demonstration(given: argparse.Namespace) -> tuple[dict[str, Any], Sequence[str]]:
    from stepwitness.metrology.binomial import demonstration_size

    units = demonstration_size(reliability=given.reliability, confidence=given.confidence, failures=given.failures)
    return {"units": units, "failures": given.failures}, [
        f"{units} units through one mission each, no more than {given.failures} of them failing, show a reliability of "
        f"{given.reliability:g} with a confidence of {given.confidence:g}"
    ]


def _life(given: argparse.Namespace) -> tuple[dict[str, Any], Sequence[str]]:
    from stepwitness.metrology.life_demonstration import duration_for_units

    test = duration_for_units(
        mission=given.mission,
        reliability=given.reliability,
        units=given.units,
        shape=given.shape,
        failures=given.failures,
        confidence=given.confidence,
    )
    return {"units": test.units, "duration": test.duration, "missions": test.missions, "failures": test.failures}, [
        f"run {test.units} units for {test.duration:g} each ({test.missions:.3g} missions); with no more than "
        f"{test.failures} failures a reliability of {test.reliability:g} over {given.mission:g} is shown",
        f"with a confidence of {test.confidence:g}, if the life is Weibull with a shape of {test.shape:g}",
    ]


def _qualities(sample: int, ac: int) -> dict[str, float]:
    from stepwitness.metrology.operating_characteristic import quality_accepted

    return {f"{chance:g}": quality_accepted(sample, ac, probability_of_acceptance=chance) for chance in CHANCES}


def _quality_lines(qualities: dict[str, float]) -> list[str]:
    return [
        f"  accepted with a probability of {chance}: {100 * fraction:.3g} % nonconforming"
        for chance, fraction in qualities.items()
    ]
