"""What a site says of a run: where it stands, what wins, and what is refused."""

from __future__ import annotations

import pytest

from stepwitness.bench.model import parse_bench
from stepwitness.errors import BadInput
from stepwitness.site import FACTS, NOTHING_SAID, SiteFacts, site_facts
from stepwitness.site_section import SiteSection


def test_the_section_has_a_key_for_each_fact() -> None:
    assert tuple(SiteSection.model_fields) == FACTS
    assert SiteSection().facts() == NOTHING_SAID


def test_later_facts_win_and_silence_keeps_the_earlier() -> None:
    bench = SiteFacts(laboratory="room 2", operator="MK")
    plan = SiteFacts(customer="purchasing", operator="A.B.")

    assert bench.under(plan) == SiteFacts(laboratory="room 2", operator="A.B.", customer="purchasing")


def test_a_command_line_gives_facts_by_key() -> None:
    assert site_facts(["operator=MK", "ambient=22.4 °C, 41 % = fine", "operator=JB"]) == SiteFacts(
        operator="JB", ambient="22.4 °C, 41 % = fine"
    )


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ("operater=MK", "not a fact of the site; found 'operater=MK'.*did you mean 'operator'"),
        ("operator", "not a fact of the site"),
        ("operator=Maria Kowalska", "more than initials; found 'Maria Kowalska'; allowed: up to four letters"),
        ("operator=MARIA", "more than initials"),
        ("received=20.11.2026", "not a day of the calendar"),
    ],
)
def test_what_is_no_fact_is_refused(told: str, said: str) -> None:
    with pytest.raises(BadInput, match=said):
        site_facts([told])


@pytest.mark.parametrize("initials", ["M", "MK", "M.K.", "ÄÖ", "J-PB", "王"])
def test_initials_of_any_alphabet_are_taken(initials: str) -> None:
    assert site_facts([f"operator={initials}"]).operator == initials


BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: stand-in}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, side: low, at: 0 mm, speed: 5 mm/s}
safe_state: hold
"""


def test_a_bench_file_says_it_in_a_section() -> None:
    bench = parse_bench(BENCH + "site: {laboratory: Tarnbrook Dosing, operator: MK}\n", "doser.bench.yaml")

    assert bench.site == SiteFacts(laboratory="Tarnbrook Dosing", operator="MK")
    assert parse_bench(BENCH, "doser.bench.yaml").site == NOTHING_SAID


def test_what_is_wrong_in_the_section_has_its_place() -> None:
    with pytest.raises(BadInput, match=r"doser.bench.yaml:9 site.operator: more than initials"):
        parse_bench(BENCH + "site: {operator: Maria}\n", "doser.bench.yaml")
    with pytest.raises(BadInput, match=r"doser.bench.yaml:9 site.custmer.*did you mean 'customer'"):
        parse_bench(BENCH + "site: {custmer: purchasing}\n", "doser.bench.yaml")
