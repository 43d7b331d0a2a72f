"""What a plan is, as frozen data: purpose, bench, rule, procedures with settings and limits."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import Enum
from typing import Any

from stepwitness.errors import Place
from stepwitness.findings import MAXIMUM_RISK, DecisionRule, Limit
from stepwitness.procedures.preparation import Preparation, Strokes
from stepwitness.procedures.procedure import Procedure
from stepwitness.site import NOTHING_SAID, SiteFacts


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


class OnChange(Enum):
    """What a change that the history shows does to a test: a line in the summary, or a failure."""

    WARN = "warn"
    FAIL = "fail"


@dataclass(frozen=True)
class HistoryPolicy:
    """How a nightly run is held against the runs before it.

    Attributes
    ----------
    baseline : runs in it; None for the default of `stepwitness.metrology.trend`.
    since : first day whose runs count, or None for all that the store has.
    on_drift, on_step : for a characteristic that drifted, or changed by a step.
    on_check_standard : where the check standard isn't what it was, so that nothing else of that night is sure.
    on_flaky : for a pass after an attempt of the same night that was none.
    """

    baseline: int | None = None
    since: date | None = None
    on_drift: OnChange = OnChange.WARN
    on_step: OnChange = OnChange.WARN
    on_check_standard: OnChange = OnChange.FAIL
    on_flaky: OnChange = OnChange.WARN


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
class Measured:
    """A limit of a plan whose figure is judged over several units: of which procedure, by its id."""

    procedure: str
    limit: Limit

    @property
    def name(self) -> str:
        return f"{self.procedure}.{self.limit.characteristic.name}"


@dataclass(frozen=True)
class Plan:
    """A plan file, read and converted. `text` is the file as read; `bench` the path of its bench file.

    `maximum_risk` is what the rule of a stated risk allows; an `inform_only` plan may hold limits that its bench is too
    coarse for. `settling_s` is the least rest before a reading, after a move and after the drop to hold current.
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
    history: HistoryPolicy = HistoryPolicy()
    run_in: Strokes | None = None
    warm_up: Strokes | None = None
    settling_s: float = 0.0
    site: SiteFacts = NOTHING_SAID

    def preparation(self, *, first: bool, new_unit: bool) -> Preparation:
        """Before a procedure of this plan; the `first` of a run warms up, and runs in a unit without any record."""
        return Preparation(
            self.run_in if first and new_unit else None, self.warm_up if first else None, self.settling_s
        )
