"""Acceptance sampling by attributes: single plans by lot, level and AQL; switching; isolated lots.

1. The edition is named, because editions differ: "MIL-STD-105E" has all three tables here; of "ISO 2859-1:1999" the
   reduced table wasn't at hand and is refused rather than borrowed.
2. A lot smaller than its sample is inspected whole (Ac as in the plan).
3. Switching is a pure state machine: a state and a lot go in, the next state comes out; see `switching`.
4. A single lot that stands alone is judged by limiting quality, not by AQL: an AQL plan's risk to the consumer only
   comes down by switching. `isolated_lot` computes such a plan; it isn't read from ISO 2859-2, whose table wasn't at
   hand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

from scipy import stats

from stepwitness.metrology.inputs import count, probability
from stepwitness.metrology.operating_characteristic import quality_accepted
from stepwitness.metrology.sampling_tables import AQLS, CODE_LETTERS, LEVELS, TABLES, Level, Severity
from stepwitness.metrology.statistics import BadReadings

Edition = Literal["MIL-STD-105E", "ISO 2859-1:1999"]
LARGEST_LOT = 10**9


@dataclass(frozen=True)
class SinglePlan:
    """A single sampling plan: draw `sample`, accept up to `ac`, don't from `re` on.

    Between `ac` and `re` (reduced plans of MIL-STD-105E alone) the lot is accepted and inspection returns to normal.
    `letter` : of the plan that is used, after arrows; `code_letter` : that the lot's size asked for. `whole_lot` : the
    sample was greater than the lot, so every unit is inspected.
    """

    edition: Edition
    severity: Severity
    level: Level
    aql_percent: float
    lot_size: int
    code_letter: str
    letter: str
    sample: int
    ac: int
    re: int
    whole_lot: bool

    def accepts(self, nonconforming: int) -> bool:
        """Whether the lot is accepted with so many nonconforming in the sample."""
        return count(nonconforming, "the nonconforming units", least=0) < self.re


def code_letter(lot_size: int, *, level: Level = "II") -> str:
    """The code letter of a lot at an inspection level.

    Raises
    ------
    BadReadings : a lot of fewer than 2 units, an unknown level.
    """
    size = count(lot_size, "the lot", least=2)
    if level not in LEVELS:
        raise BadReadings(f"no inspection level '{level}'; there are {', '.join(LEVELS)}")
    letters = next(letters for least, letters in reversed(CODE_LETTERS) if size >= least)
    return letters[LEVELS.index(level)]


def single_plan(
    lot_size: int,
    *,
    aql_percent: float,
    edition: Edition,
    level: Level = "II",
    severity: Severity = "normal",
) -> SinglePlan:
    """The single plan for a lot.

    Parameters
    ----------
    aql_percent : one of the tables' columns, 0.010 to 15 % nonconforming.

    Raises
    ------
    BadReadings : an AQL that isn't a column, an unknown level, severity or edition, a lot of fewer than 2, and the
        reduced plans of the ISO edition.

    Examples
    --------
    >>> plan = single_plan(1000, aql_percent=1.0, edition="MIL-STD-105E")
    >>> plan.letter, plan.sample, plan.ac, plan.re
    ('J', 80, 2, 3)
    """
    if edition not in get_args(Edition):
        raise BadReadings(f"no edition '{edition}'; there are {', '.join(get_args(Edition))}")
    if severity not in TABLES:
        raise BadReadings(f"no severity '{severity}'; there are {', '.join(TABLES)}")
    if edition != "MIL-STD-105E" and severity == "reduced":
        raise BadReadings(
            f"the reduced plans of {edition} aren't at hand, and those of MIL-STD-105E differ; give your own"
        )
    if aql_percent not in AQLS:
        raise BadReadings(f"no column for an AQL of {aql_percent} %; there are {', '.join(map(str, AQLS))}")
    asked = code_letter(lot_size, level=level)
    letter, sample, ac, re = _resolved(severity, asked, AQLS.index(aql_percent))
    return SinglePlan(
        edition=edition,
        severity=severity,
        level=level,
        aql_percent=aql_percent,
        lot_size=lot_size,
        code_letter=asked,
        letter=letter,
        sample=min(sample, lot_size),
        ac=ac,
        re=re,
        whole_lot=sample >= lot_size,
    )


def acceptance_one_step_tighter(plan: SinglePlan) -> int | None:
    """Ac of the plan's own row at the AQL one step tighter, which the switching score asks for.

    None where that cell is an arrow or there is no tighter AQL: the acceptance number is then 0 or 1 and isn't asked.
    """
    column = AQLS.index(plan.aql_percent)
    if column == 0:
        return None
    cell = _rows(plan.severity)[plan.letter][1][column - 1]
    return int(cell.split("/")[0]) if "/" in cell else None


@lru_cache(maxsize=3)
def _rows(severity: Severity) -> dict[str, tuple[int, tuple[str, ...]]]:
    rows = {}
    for line in TABLES[severity].strip().splitlines():
        letter, sample, *cells = line.split()
        rows[letter] = (int(sample), tuple(cells))
    return rows


def _resolved(severity: Severity, letter: str, column: int) -> tuple[str, int, int, int]:
    rows = _rows(severity)
    letters = list(rows)
    at = letters.index(letter)
    while (cell := rows[letters[at]][1][column]) in ("v", "^"):
        at += 1 if cell == "v" else -1
    ac, re = (int(number) for number in cell.split("/"))
    return letters[at], rows[letters[at]][0], ac, re


@dataclass(frozen=True)
class IsolatedPlan:
    """A plan for one lot that stands alone.

    `consumer_risk` : probability of accepting a lot of limiting quality, drawn without replacement. `nonconforming` :
    what limiting quality is in that lot, in units. `good_fraction` : the quality that is accepted with 95 %, binomial;
    0 for a lot that is inspected whole.
    """

    lot_size: int
    limiting_quality: float
    nonconforming: int
    sample: int
    ac: int
    consumer_risk: float
    good_fraction: float


def isolated_lot(lot_size: int, *, limiting_quality: float, ac: int = 0, consumer_risk: float = 0.10) -> IsolatedPlan:
    """The smallest sample that accepts a lot of limiting quality with no more than `consumer_risk`.

    Computed from the hypergeometric distribution. The aim is that of ISO 2859-2, whose plans have a consumer's risk
    usually below 10 % and always below 13 % at the limiting quality (from the scope of the 1985 edition, as seen in
    public catalogues); its plans themselves come from a table that wasn't at hand, so this isn't one of them.

    Parameters
    ----------
    limiting_quality : fraction nonconforming that must hardly be accepted. `ac` : nonconforming units allowed.

    Raises
    ------
    BadReadings : numbers out of range; an `ac` that would accept a lot of limiting quality even seen whole.
    """
    size = count(lot_size, "the lot", least=1)
    if size > LARGEST_LOT:
        raise BadReadings(f"a lot of {size}; up to {LARGEST_LOT} is due")
    probability(limiting_quality, "the limiting quality")
    probability(consumer_risk, "the consumer's risk")
    count(ac, "the acceptance number", least=0)
    nonconforming = math.ceil(limiting_quality * size - 1e-9)
    if nonconforming <= ac:
        raise BadReadings(
            f"limiting quality is {nonconforming} of {size} units, which a plan that allows {ac} always accepts"
        )

    def risk(n: int) -> float:
        return float(stats.hypergeom.cdf(ac, size, nonconforming, n))

    low, high = ac, size
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if risk(middle) <= consumer_risk else (middle, high)
    return IsolatedPlan(
        lot_size=size,
        limiting_quality=limiting_quality,
        nonconforming=nonconforming,
        sample=high,
        ac=ac,
        consumer_risk=risk(high),
        good_fraction=0.0 if high == size or high <= ac else quality_accepted(high, ac, probability_of_acceptance=0.95),
    )
