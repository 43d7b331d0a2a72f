"""The lot file: what it says, and one line for each mistake."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import json

import jsonschema
import pytest
import yaml

from stepwitness.errors import BadInput
from stepwitness.inspection.description import Counting, Reduction
from stepwitness.inspection.model import load_lot, lot_schema

BY_VARIABLES = '{{by: variables, edition: "ISO 2859-1:1999", aql: 4 %, figures: [{figures}]}}'


def test_a_lot_is_read_as_it_is_written(inward) -> None:
    lot, plan, bench = load_lot(
        inward.lot(
            serials="[FS-0401 to FS-0424, 00X17]",
            sampling="{edition: MIL-STD-105E, level: S-3, aql: 0.65 %}",
            inconclusive="open",
            reduction="{wanted: yes, limit_number: 2}",
        )
    )
    assert (lot.supplier, lot.part, lot.lot, lot.quantity) == ("Fennick Screws", "FS-2040-B", "2026-117", 25)
    assert lot.serials[0] == "FS-0401"
    assert lot.serials[-2:] == ("FS-0424", "00X17")
    assert (lot.sampling.edition, lot.sampling.level, lot.sampling.aql_percent) == ("MIL-STD-105E", "S-3", 0.65)
    assert lot.inconclusive is Counting.OPEN
    assert lot.reduction == Reduction(wanted=True, steady=True, limit_number=2)
    assert (plan.name, bench.name) == ("doser", "incoming-rig-1")


def test_what_isnt_said_is_the_safe_thing(inward) -> None:
    lot, _, _ = load_lot(inward.lot())
    assert lot.inconclusive is Counting.NONCONFORMING
    assert lot.reduction == Reduction()
    assert (lot.sampling.level, lot.sampling.measured, lot.resubmits) == ("II", (), "")


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"quantity": "24"}, "2026-117.lot.yaml:5 serials: another number of serial numbers than of units; found 25 serial numbers; allowed: 24, as 'quantity' says"),
        ({"quantity": "1"}, "2026-117.lot.yaml:4 quantity: too small; found '1'; allowed: at least 2"),
        ({"serials": "[FS-01 to FS-24, FS-07]"}, "2026-117.lot.yaml:5 serials: a serial number that stands twice; found 'FS-07'; the first is in entry 1 of the list"),
        ({"serials": "FS-25 to FS-01"}, "2026-117.lot.yaml:5 serials: a range that runs downwards"),
        ({"serials": "[FS-01 to FS-24, FS 25]"}, "2026-117.lot.yaml:5 serials: neither a serial number nor a range"),
        ({"plan": "doesr.plan.yaml"}, "2026-117.lot.yaml:6 plan: there is no such plan file; found 'doesr.plan.yaml'; allowed: a path relative to the lot's folder; did you mean 'doser.plan.yaml'?"),
        ({"sampling": "{edition: MIL-STD-105E, aql: 3 %}"}, "2026-117.lot.yaml:7 sampling.aql: the tables have no column for this AQL; found 3 %; allowed: 0.01, 0.015, "),
        ({"sampling": "{edition: MIL-STD-105, aql: 4 %}"}, "2026-117.lot.yaml:7 sampling.edition: not one of its words; found 'MIL-STD-105'; allowed: MIL-STD-105E, ISO 2859-1:1999; did you mean 'MIL-STD-105E'?"),
        ({"sampling": "{edition: MIL-STD-105E, aql: 4 %, level: IV}"}, "2026-117.lot.yaml:7 sampling.level: not one of its words"),
        ({"sampling": "{edition: MIL-STD-105E, aql: 4 %, figures: [sway.offset]}"}, "2026-117.lot.yaml:7 sampling.figures: figures without 'by: variables'; allowed: no figures"),
        ({"sampling": '{by: variables, edition: MIL-STD-105E, aql: 4 %}'}, "2026-117.lot.yaml:7 sampling.by: sampling by variables without figures"),
        ({"sampling": BY_VARIABLES.format(figures="sway.ofset")}, "2026-117.lot.yaml:7 sampling.figures: no limit of the plan; found 'sway.ofset'; allowed: sway.offset, sway.worst; did you mean 'sway.offset'?"),
        ({"sampling": BY_VARIABLES.format(figures="sway.offset, sway.worst")}, "2026-117.lot.yaml:7 sampling.figures: sampling by variables supposes a normal figure, and worst is an extreme; found 'sway.worst'; allowed: sway.offset"),
        ({"sampling": BY_VARIABLES.format(figures="sway.offset"), "reduction": "{wanted: yes}"}, "2026-117.lot.yaml:8 reduction.wanted: reduced inspection by variables isn't offered"),
        ({"quantity": "3", "serials": "FS-1 to FS-3", "sampling": BY_VARIABLES.format(figures="sway.offset")}, "2026-117.lot.yaml:7 sampling: a lot of which every unit is inspected is judged by attributes"),
        ({"reduction": "{wanted: yes}"}, "2026-117.lot.yaml:8 reduction: the reduced plans of ISO 2859-1:1999 aren't at hand"),
        ({"inconclusive": "pass"}, "2026-117.lot.yaml:8 inconclusive: not one of its words; found 'pass'; allowed: nonconforming, conforming, open"),
        ({"resubmits": "2026-117"}, "2026-117.lot.yaml:8 resubmits: a lot that resubmits itself; allowed: the lot's earlier number"),
        ({"suplier": "X"}, "2026-117.lot.yaml:8 suplier: an unknown key 'suplier'"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_line_with_its_place(inward, changed: dict[str, str], told: str) -> None:
    with pytest.raises(BadInput) as raised:
        load_lot(inward.lot(**changed))
    assert str(raised.value).replace(str(inward.folder), "").lstrip("/").startswith(told)


def test_a_plan_for_another_purpose_is_refused(inward) -> None:
    text = (inward.folder / "doser.plan.yaml").read_text()
    inward.write("doser.plan.yaml", text.replace("incoming", "nightly"))
    with pytest.raises(BadInput, match="plan: a plan that isn't for incoming inspection; found purpose: nightly"):
        load_lot(inward.lot())


def test_the_schema_takes_what_the_reader_takes_and_describes_every_key(inward) -> None:
    schema = json.loads(json.dumps(lot_schema()))
    jsonschema.validate(yaml.safe_load(inward.lot().read_text()), schema)
    for section in (schema, *schema["$defs"].values()):
        assert all(key.get("description") for key in section["properties"].values())
