"""What a qualification file may say, and how its mistakes are told."""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
import yaml

from stepwitness.attempts import Why
from stepwitness.errors import BadInput
from stepwitness.findings import Verdict
from stepwitness.qualification.description import By, Order
from stepwitness.qualification.model import load_qualification, qualification_schema

DEMO = Path(__file__).parents[2] / "benches" / "qualification" / "doser.qualification.yaml"

MORE_CLAUSES = """\
  - {number: 4.3, title: Third, plan: sway.plan.yaml, criterion: {%s}}
"""


def test_the_demo_reads_as_it_is_written() -> None:
    told = load_qualification(DEMO)
    assert told.units == ("TB-0501", "TB-0502", "TB-0503", "TB-0504", "TB-0505")
    assert [clause.number for clause in told.clauses] == ["4.1", "4.2", "4.3"]
    assert told.order is Order.BY_CLAUSE
    assert told.approval is not None
    assert told.approval.on == date(2026, 11, 21)
    (ambient,) = told.environment
    assert (ambient.low, ambient.high, ambient.unit) == (Fraction(20), Fraction(26), "°C")
    assert [clause.criterion.by for clause in told.clauses] == [By.TOLERANCE, By.ALL_PASS, By.RELIABILITY]
    assert told.clauses[1].criterion.counting == frozenset({Why.REWORK})
    assert list(told.files) == [
        "doser.qualification.yaml",
        "positioning.plan.yaml",
        "doser.bench.yaml",
        "reversal.plan.yaml",
        "stall.plan.yaml",
    ]
    assert Verdict.PASS.value  # the plans are for qualification, else they wouldn't have been read


def test_the_schema_takes_the_demo() -> None:
    tree = yaml.load(DEMO.read_text(encoding="utf-8"), yaml.BaseLoader)
    jsonschema.validate(tree, qualification_schema())


@pytest.mark.parametrize(
    ("changed", "more", "told"),
    [
        ({"units": "[U1, U2, U1]"}, "", r"yaml:5 units.*stands twice; found 'U1'"),
        ({"units": "U3 to U1"}, "", "runs downwards"),
        ({}, "order: by day\n", r"not one of its words; found 'by day'; allowed: by clause, by unit"),
        ({}, "environment:\n  - {quantity: heat, from: 20 °C, to: 290 K}\n", "not a range"),
        ({}, "environment:\n  - {quantity: heat, from: 26 °C, to: 20 °C}\n", "not a range"),
        ({}, "hold_points:\n  - {id: H1, before: 4.9, title: x}\n", r"no clause of this file; found '4\.9'"),
        ({}, "hold_points: [{id: H, before: 4.1, title: x}, {id: H, before: 4.2, title: x}]\n", "stands twice"),
        ({"number": "TB Q"}, "", "not a name"),
        ({"revision": "{of: 2026-11-20}"}, "", "the key 'mark' is missing"),
        ({"approval": "{by: AB}"}, "", "the key 'on' is missing"),
    ],
)
def test_mistakes_of_the_head_are_told(laboratory, changed: dict[str, str], more: str, told: str) -> None:
    laboratory.ask(more, **changed)
    with pytest.raises(BadInput, match=told):
        load_qualification(laboratory.file)


@pytest.mark.parametrize(
    ("criterion", "told"),
    [
        ("by: tolerance interval, content: 90 %, confidence: 90 %", "lacks 'figure'"),
        ("by: all pass, confidence: 90 %", "'confidence' doesn't belong to the criterion 'all pass'"),
        ("by: reliability, reliability: 90 %, confidence: 90 %", r"found 3 units; allowed: at least 22 units"),
        ("by: reliability, reliability: 40 %, confidence: 90 %, failures: 1", r"found 3 units; allowed: at least 5"),
        (
            "by: tolerance interval, figure: sway.offset, content: 90 %, confidence: 90 %, distribution: any",
            "found 3 units; allowed: at least 38 units",
        ),
        (
            "by: tolerance interval, figure: sway.worst, content: 90 %, confidence: 90 %",
            r"worst is an extreme; found 'sway.worst'; allowed: sway\.offset; or write 'distribution: any'",
        ),
        ("by: capability, figure: sway.wurst, least: 1.33, confidence: 90 %", "did you mean 'sway.worst'"),
        ("by: capability, figure: sway.worst, least: 1.33, confidence: 90 %", "worst is an extreme"),
        ("by: capability, figure: sway.offset, least: 1.33, confidence: 50 %", "a confidence that bounds nothing"),
        ("by: all pass, counting_reruns: [study]", "allowed: rework, dispute"),
    ],
)
def test_mistakes_of_a_criterion_are_told(laboratory, criterion: str, told: str) -> None:
    laboratory.ask(MORE_CLAUSES % criterion)
    with pytest.raises(BadInput, match=told) as caught:
        load_qualification(laboratory.file)
    assert ":9 clauses" in str(caught.value)


def test_mistakes_of_a_clause_are_told(laboratory) -> None:
    for old, new, told in (
        ("plan: again", "plan: agian", r"no such plan file; found 'agian.plan.yaml'.*did you mean 'again.plan.yaml'"),
        ("number: 4.2", "number: 4.1", r"a clause's number that stands twice; found '4\.1'"),
        ("number: 4.2", "number: four", "not a clause's number"),
    ):
        laboratory.write("doser.qualification.yaml", laboratory.ask().read_text().replace(old, new))
        with pytest.raises(BadInput, match=told):
            load_qualification(laboratory.file)
    laboratory.ask()
    plan = (laboratory.folder / "again.plan.yaml").read_text()
    laboratory.write("again.plan.yaml", plan.replace("purpose: qualification", "purpose: nightly"))
    with pytest.raises(BadInput, match="a plan that isn't for qualification; found purpose: nightly"):
        load_qualification(laboratory.file)
    laboratory.write("again.plan.yaml", plan.replace("lab.bench", "lift.bench"))
    bench = (laboratory.folder / "lab.bench.yaml").read_text()
    laboratory.write("lift.bench.yaml", bench.replace("name: doser", "name: lift"))
    with pytest.raises(BadInput, match="another axis than that of the first clause; found axis lift"):
        load_qualification(laboratory.file)
