"""The plan of a test that was written by hand: what it asked for and compared, written down as a plan is.

1. Settings stand as the test gave them; each limit is the strictest that the test compared a characteristic with, in
   the sense of that characteristic and by its value with the whole uncertainty: guarded acceptance.
2. A comparison that no limit can say (strictly below, on the other side, of the value alone) is the test's own.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.display import unit_value
from stepwitness.errors import BadInput
from stepwitness.findings import Characteristic, DecisionRule, Limit, Sense
from stepwitness.plan.description import Plan, Purpose
from stepwitness.plan.model import limit_from, parse_plan, setting_text
from stepwitness.procedures.procedure import Procedure
from stepwitness.procedures.registry import procedures
from stepwitness.quantities import STEP_UNITS, Kind, si_text

_LEAST = 1e-90
"""A plan's exponents have two digits at most."""


@dataclass(frozen=True)
class Asked:
    """A procedure as a test asked for it: `settings` by key as it wrote them, and by characteristic every bound that
    it compared the value with, as text."""

    id: str
    procedure: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    bounds: Mapping[str, Sequence[str]] = field(default_factory=dict)


def limit_asserted(characteristic: Characteristic, comparison: str, bound: str | float) -> str:
    """The limit, as a plan writes it, that a comparison (``<=``, ``>=``, ``==``) asks for; empty where none says it.

    A number is in SI. That nothing is counted (``== 0``) is a limit of 0.
    """
    allowed = "<=" if characteristic.sense is Sense.AT_MOST else ">="
    counted = characteristic.kind is Kind.COUNT and allowed == "<=" and comparison == "==" and bound in (0, "0")
    if comparison != allowed and not counted:
        return ""
    if isinstance(bound, str):
        return "" if characteristic.magnitude and bound.strip().startswith(("-", "−")) else bound
    writable = bound == 0 or _LEAST < abs(bound) < 1 / _LEAST
    if not writable or (characteristic.magnitude and bound < 0):
        return ""
    return _written(bound, characteristic)


def _written(bound: float, characteristic: Characteristic) -> str:
    """A number of SI in the unit of its characteristic, where that is a decimal number exactly; in SI otherwise."""
    kind, unit = characteristic.kind, characteristic.unit
    if kind is not Kind.COUNT and unit and unit not in STEP_UNITS:
        there = Fraction(repr(float(bound))) / unit_value(unit, kind, None)
        text = si_text(float(there), Kind.RATIO)
        if Fraction(text) == there:
            return f"{text} {unit}"
    return si_text(bound, kind)


def asked_plan(
    asked: Sequence[Asked],
    *,
    name: str,
    path: str,
    node_id: str,
    bench: BenchDescription,
    known: Mapping[str, Procedure] | None = None,
) -> Plan:
    """A nightly plan of what the test `node_id` in the file `path` asked for; `known` as in `parse_plan`.

    Raises
    ------
    BadInput : where a procedure, setting or bound isn't one that this version knows.
    """
    known = procedures() if known is None else known
    text = "\n".join([*_head(node_id, bench), *(line for one in asked for line in _item(one, bench, known))]) + "\n"
    return parse_plan(text, path, bench, known, kept_as=name)


def _head(node_id: str, bench: BenchDescription) -> Iterator[str]:
    yield f"# What the test {' '.join(node_id.split())} asked for."
    yield "# Judged: these limits, by the value with the whole of its uncertainty."
    yield "# Not judged: what it asserts otherwise."
    yield f"purpose: {Purpose.NIGHTLY.value}"
    yield f"bench: {_scalar(bench.path)}"
    yield f"decision_rule: {DecisionRule.GUARDED.value}"
    yield "procedures:"


def _item(asked: Asked, bench: BenchDescription, known: Mapping[str, Procedure]) -> Iterator[str]:
    procedure = known.get(asked.procedure)
    if procedure is None:
        raise BadInput(f"an unknown procedure '{asked.procedure}'")
    yield f"  - {asked.procedure}:"
    yield f"      id: {asked.id}"
    for key, value in asked.settings.items():
        yield f"      {key}: {_scalar(setting_text(value))}"
    limits = [_strictest(procedure, name, texts, bench) for name, texts in asked.bounds.items() if texts]
    if limits:
        yield "      limits:"
        yield from (f"        {limit.characteristic.name}: {_scalar(limit.text)}" for limit in limits)


def _strictest(procedure: Procedure, name: str, texts: Sequence[str], bench: BenchDescription) -> Limit:
    characteristic = procedure.characteristic(name)
    if characteristic is None:
        raise BadInput(f"'{name}' isn't a characteristic of {procedure.name}")
    limits = [limit_from(characteristic, text, bench.axis) for text in texts]
    choose = min if characteristic.sense is Sense.AT_MOST else max
    return choose(limits, key=lambda limit: limit.bound)


def _scalar(value: Any) -> str:
    """A text, or a list of texts, as YAML; JSON is YAML that needs no care."""
    return json.dumps(value, ensure_ascii=False)
