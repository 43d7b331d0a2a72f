"""The sections of a plan for what goes before a run's readings and what they are held against: strokes and history."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated

from pydantic import Field, model_validator

from stepwitness.errors import BadInput
from stepwitness.fields import Day, FromText, Strict, as_pydantic, quantity, whole, word
from stepwitness.files import quoted
from stepwitness.metrology.trend import BASELINE, LEAST
from stepwitness.plan.description import HistoryPolicy, OnChange
from stepwitness.procedures.preparation import Strokes
from stepwitness.quantities import Kind


def _runs(text: str) -> int:
    match = re.fullmatch(r"([0-9]{1,6})(\s+runs?)?", text)
    if match is None:
        raise BadInput("not a number of runs", found=quoted(text), allowed="such as 20 runs")
    if int(match[1]) < LEAST:
        raise BadInput("too few runs for a baseline", found=quoted(text), allowed=f"at least {LEAST} runs")
    return int(match[1])


_RUNS_SCHEMA = {"type": ["string", "integer"], "pattern": "^[0-9]+( +runs?)?$", "examples": [f"{BASELINE} runs"]}

Policy = Annotated[OnChange, word(OnChange)]


class HistorySection(Strict):
    """What a nightly run is held against, and what a change does to its test."""

    baseline: Annotated[int, FromText(_runs, _RUNS_SCHEMA)] | None = Field(
        None, description=f"Runs in the baseline, such as {BASELINE} runs, which is the default."
    )
    since: Day | None = Field(None, description="First day whose runs count, year-month-day; all by default.")
    on_drift: Policy = Field(OnChange.WARN, description="For a characteristic that drifted: warn, or fail its test.")
    on_step: Policy = Field(OnChange.WARN, description="For one that changed by a step: warn, or fail its test.")
    on_check_standard: Policy = Field(
        OnChange.FAIL, description="Where the check standard isn't what it was: warn, or fail every test of the night."
    )
    on_flaky: Policy = Field(
        OnChange.WARN, description="For a pass after an attempt that was none, the same night: warn, or fail the run."
    )

    def policy(self) -> HistoryPolicy:
        since: date | None = self.since
        return HistoryPolicy(self.baseline, since, self.on_drift, self.on_step, self.on_check_standard, self.on_flaky)


class StrokesSection(Strict):
    """Strokes over the envelope, before the first procedure of a run."""

    strokes: Annotated[int, whole(at_least=1, at_most=100_000)] | None = Field(
        None, description="How many, there and back."
    )
    time: Annotated[float, quantity(Kind.TIME, above=0, at_most=86_400)] | None = Field(
        None, description="Or how long, such as 600 s."
    )

    @model_validator(mode="after")
    def _one(self) -> StrokesSection:
        if (self.strokes is None) == (self.time is None):
            raise as_pydantic(
                BadInput("strokes are given by number or by time", allowed="one of strokes: 20 and time: 10 min")
            )
        return self

    def given(self) -> Strokes:
        return Strokes(self.strokes or 0, self.time or 0.0)
