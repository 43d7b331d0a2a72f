"""Where units are tested one by one: what is refused before anything moves, and a run of one attempt at one unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path

from stepwitness.attempts import Attempt, Refused
from stepwitness.bench.arming import check_live, only_read
from stepwitness.bench.description import BenchDescription
from stepwitness.conduct import conduct, seal_left_behind
from stepwitness.display import THIN, duration_text, number
from stepwitness.errors import BadInput
from stepwitness.plan.description import Plan
from stepwitness.plan.preview import expired
from stepwitness.site import NOTHING_SAID, SiteFacts


@dataclass(frozen=True)
class Rig:
    """Where units are tested: the bench, its name where its real parts may move, and how stand-ins are reached."""

    bench: BenchDescription
    live: str = ""
    over: str = ""

    @property
    def simulated(self) -> bool:
        return not self.live

    def check(self, today: date) -> None:
        """Refuse a bench that isn't armed and has no stand-ins, and one whose calibration is out of date.

        Raises
        ------
        BadInput, Refused : with the reason; nothing moved.
        """
        if self.live:
            check_live(self.bench, (self.live,))
        elif self.bench.stand_in is None:
            raise BadInput(only_read(self.bench), place=self.bench.drive.place)
        late = expired(self.bench, today)
        if late:
            raise Refused(f"bench '{self.bench.name}': {'; '.join(late)}; no unit is tested with it")

    def forecast(self, plan: Plan) -> str:
        """What a plan will move, how far and how long, for whoever stands beside it."""
        forecasts = [planned.procedure.check(self.bench, planned.settings) for planned in plan.procedures]
        low, high = min(one.lowest_m for one in forecasts), max(one.highest_m for one in forecasts)
        takes = duration_text(sum(one.duration_s for one in forecasts))
        span = f"{_mm(low)} to {_mm(high)}{THIN}mm"
        return f"{self.bench.axis.name} will move from {span}, for {takes}. Keep clear of it."

    def conduct(
        self,
        plan: Plan,
        folder: Path,
        attempt: Attempt,
        *,
        site: SiteFacts = NOTHING_SAID,
        told: Callable[[str], None],
    ) -> None:
        """Run a plan on the unit of an attempt, into a record in `folder`. Raises as `conduct.conduct`."""
        conduct(
            plan,
            self.bench,
            folder,
            serial=attempt.serial,
            live=self.live,
            over=self.over,
            attempt=attempt.number,
            previous=attempt.previous or None,
            reason=attempt.reason,
            site=site,
            told=told,
        )

    def seal_left_behind(
        self, plan: Plan, folder: Path, attempt: Attempt, *, site: SiteFacts = NOTHING_SAID
    ) -> Path | None:
        """Seal what an attempt left whose process died; None where it left nothing."""
        return seal_left_behind(
            plan,
            self.bench,
            folder,
            started=attempt.begun,
            serial=attempt.serial,
            live=self.live,
            over=self.over,
            attempt=attempt.number,
            previous=attempt.previous or None,
            reason=attempt.reason,
            site=site,
        )


def _mm(travel_m: float) -> str:
    return number(Fraction(str(round(travel_m * 1e3, 3))), 0 if round(travel_m * 1e3, 3).is_integer() else 1)
