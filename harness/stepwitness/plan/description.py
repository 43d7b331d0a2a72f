"""What a plan is, as frozen data: purpose, bench, rule, procedures with settings and limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

from stepwitness.errors import Place
from stepwitness.findings import MAXIMUM_RISK, DecisionRule, Limit
from stepwitness.procedures.procedure import Procedure


class Purpose(Enum):
    """Why a plan is run. Incoming inspection and qualification pass only where every limit is PASS."""

    NIGHTLY = "nightly"
    INCOMING = "incoming"
    QUALIFICATION = "qualification"

    @property
    def strict(self) -> bool:
        return self is not Purpose.NIGHTLY


class OnInconclusive(Enum):
    """What an INCONCLUSIVE finding does to its test: fail it, or show it as skipped. Never a plain pass."""

    FAIL = "fail"
    SHOW = "show"


@dataclass(frozen=True)
class ReadColumn:
    """A column in a file of readings that another machine took: its heading, its unit, and where it tells a direction,
    the words for up and down."""

    heading: str
    unit: str = ""
    up: str = ""
    down: str = ""
    place: Place = Place()


@dataclass(frozen=True)
class PlannedProcedure:
    """One procedure of a plan. `settings` is an instance of `procedure.settings`; `columns` say, by what stands in
    them, where to find another machine's readings, and are empty for a procedure that is run."""

    id: str
    procedure: Procedure
    settings: Any
    limits: tuple[Limit, ...]
    place: Place = Place()
    columns: Mapping[str, ReadColumn] = field(default_factory=dict)


@dataclass(frozen=True)
class Plan:
    """A plan file, read and converted. `text` is the file as read; `bench` the path of its bench file.

    `maximum_risk` is what the rule of a stated risk allows; an `inform_only` plan may hold limits that its bench is too
    coarse for.
    """

    name: str
    path: str
    text: str
    purpose: Purpose
    bench: str
    rule: DecisionRule
    on_inconclusive: OnInconclusive
    procedures: tuple[PlannedProcedure, ...]
    maximum_risk: float = MAXIMUM_RISK
    inform_only: bool = False
