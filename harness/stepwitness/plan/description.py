"""What a plan is, as frozen data: purpose, bench, rule, procedures with settings and limits."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Any

from stepwitness.errors import Place
from stepwitness.findings import DecisionRule, Limit
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
class PlannedProcedure:
    """One procedure of a plan. `settings` is an instance of `procedure.settings`."""

    id: str
    procedure: Procedure
    settings: Any
    limits: tuple[Limit, ...]
    place: Place = Place()


@dataclass(frozen=True)
class Plan:
    """A plan file, read and converted. `text` is the file as read; `bench` the path of its bench file."""

    name: str
    path: str
    text: str
    purpose: Purpose
    bench: str
    rule: DecisionRule
    on_inconclusive: OnInconclusive
    procedures: tuple[PlannedProcedure, ...]
