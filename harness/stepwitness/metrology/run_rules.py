"""Run rules of a control chart, and how often they cry wolf.

1. A rule is data: at least `count` of the last `window` points lie in a region that is given in standard deviations
   from the centre. Two-sided rules are two such rules, one a side.
2. Detection and false alarms come from the same description: `alarms` follows the points, `average_run_length` follows
   the Markov chain whose states are what the rules still remember (Champ and Woodall, Technometrics 29, 1987, named
   from memory), exact for independent normal points and known centre and sd.
3. Rules about trends and alternation (six points rising, fourteen up and down) aren't regions and aren't offered: they
   add false alarms that can't be stated in this way, and see little that CUSUM and EWMA don't.

The rules are those of ISO 7870-2 and of common practice (numbers from memory; sources differ between eight and nine
points on one side).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy import sparse, special
from scipy.sparse import linalg

from stepwitness.metrology.inputs import positive, readings
from stepwitness.metrology.statistics import BadReadings

MOST_STATES = 20_000


@dataclass(frozen=True)
class RunRule:
    """At least `count` of the last `window` points lie between `low` and `high`, in sd from the centre.

    A region that is open on one side holds for its mirror image too when `mirrored`; the two are judged apart. One that
    is mirrored as a whole, such as −1 to 1, is given with `mirrored` False. `outside` turns it inside out.
    """

    name: str
    count: int
    window: int
    low: float
    high: float = math.inf
    mirrored: bool = True
    outside: bool = False

    def __post_init__(self) -> None:
        if not 1 <= self.count <= self.window:
            raise BadReadings(f"rule '{self.name}': {self.count} of {self.window} points can't be")
        if not self.low < self.high:
            raise BadReadings(f"rule '{self.name}': its region from {self.low} to {self.high} is empty")

    def holds(self, z: float) -> bool:
        """Whether a point `z` sd from the centre lies in the region."""
        return (self.low < z < self.high) != self.outside


BEYOND_LIMIT = RunRule("one beyond 3 sd", 1, 1, 3.0)
TWO_OF_THREE = RunRule("two of three beyond 2 sd", 2, 3, 2.0)
FOUR_OF_FIVE = RunRule("four of five beyond 1 sd", 4, 5, 1.0)
EIGHT_ON_ONE_SIDE = RunRule("eight on one side", 8, 8, 0.0)
NINE_ON_ONE_SIDE = RunRule("nine on one side", 9, 9, 0.0)
FIFTEEN_WITHIN = RunRule("fifteen within 1 sd", 15, 15, -1.0, 1.0, mirrored=False)
EIGHT_WITHOUT = RunRule("eight beyond 1 sd, both sides", 8, 8, -1.0, 1.0, mirrored=False, outside=True)

FOUR_RULES = (BEYOND_LIMIT, TWO_OF_THREE, FOUR_OF_FIVE, EIGHT_ON_ONE_SIDE)
"""The four rules in common use; together they sound about once in 92 points of a process that is in control."""


@dataclass(frozen=True)
class Alarm:
    """A rule was met by the point at `index` (from 0) and those before it."""

    index: int
    rule: str
    side: int
    """1 above the centre, −1 below, 0 where the rule has no side."""


def alarms(standardized: ArrayLike, rules: Sequence[RunRule] = (BEYOND_LIMIT,)) -> tuple[Alarm, ...]:
    """Where the rules are met.

    Parameters
    ----------
    standardized : shape (n,), points as (x − centre)/sd, in order of time.

    Raises
    ------
    BadReadings : a point that isn't a number; no rule.
    """
    z = readings(standardized, "points of a chart", least=0)
    found: list[Alarm] = []
    for rule, sign in _one_sided(rules):
        inside = [rule.holds(sign * value) for value in z.tolist()]
        side = sign if rule.mirrored else 0
        found.extend(
            Alarm(index, rule.name, side)
            for index, hit in enumerate(inside)
            if hit and sum(inside[max(0, index + 1 - rule.window) : index + 1]) >= rule.count
        )
    return tuple(sorted(found, key=lambda alarm: (alarm.index, alarm.rule, alarm.side)))


def average_run_length(rules: Sequence[RunRule] = (BEYOND_LIMIT,), *, shift: float = 0.0) -> float:
    """Points until the first alarm, on average, from a fresh start, with the mean `shift` sd from the centre.

    Raises
    ------
    BadReadings : no rule, rules that remember more than 20,000 states, or rules that never sound.
    """
    sides = _one_sided(rules)
    zones = _zones(sides, shift)
    start = tuple((0,) * (rule.window - 1) for rule, _ in sides)
    index = {start: 0}
    queue, rows, columns, values = [start], [], [], []
    for state in queue:
        for inside, chance in zones.items():
            after = _next(state, inside, sides)
            if after is None:
                continue
            if after not in index:
                if len(index) >= MOST_STATES:
                    raise BadReadings(f"these rules remember more than {MOST_STATES} states")
                index[after] = len(index)
                queue.append(after)
            rows.append(index[state])
            columns.append(index[after])
            values.append(chance)
    size = len(index)
    staying = sparse.csc_array((values, (rows, columns)), shape=(size, size))
    lengths = np.atleast_1d(linalg.spsolve(sparse.csc_array(sparse.eye_array(size)) - staying, np.ones(size)))
    length = float(lengths[0])
    if not (math.isfinite(length) and length > 0.0):
        raise BadReadings("these rules never sound, so they have no average run length")
    return length


def limit_for_run_length(length: float) -> float:
    """The single limit, in sd, both sides, that sounds once in `length` points of a process in control.

    Raises
    ------
    BadReadings : a length of 1 or less.
    """
    if positive(length, "the run length") <= 1.0:
        raise BadReadings(f"the run length is {length}; it takes more than one point")
    return float(special.ndtri(1.0 - 0.5 / length))


def _one_sided(rules: Sequence[RunRule]) -> tuple[tuple[RunRule, int], ...]:
    if not rules:
        raise BadReadings("no run rule")
    return tuple((rule, sign) for rule in rules for sign in ((1, -1) if rule.mirrored else (1,)))


def _zones(sides: tuple[tuple[RunRule, int], ...], shift: float) -> dict[tuple[bool, ...], float]:
    """Which of the rules a point falls in, with the probability of each such pattern."""
    cuts = sorted({sign * end for rule, sign in sides for end in (rule.low, rule.high) if math.isfinite(end)})
    edges = [-math.inf, *cuts, math.inf]
    zones: dict[tuple[bool, ...], float] = {}
    for low, high in pairwise(edges):
        if math.isinf(low):
            middle = high - 1.0 if math.isfinite(high) else 0.0
        else:
            middle = low + 1.0 if math.isinf(high) else (low + high) / 2
        inside = tuple(rule.holds(sign * middle) for rule, sign in sides)
        a, b = low - shift, high - shift
        chance = float(special.ndtr(b) - special.ndtr(a) if a < 0.0 else special.ndtr(-a) - special.ndtr(-b))
        zones[inside] = zones.get(inside, 0.0) + chance
    return zones


def _next(
    state: tuple[tuple[int, ...], ...], inside: tuple[bool, ...], sides: tuple[tuple[RunRule, int], ...]
) -> tuple[tuple[int, ...], ...] | None:
    """What is remembered after a point, or None where a rule is met. Hits that can't matter any more are forgotten."""
    after = []
    for memory, hit, (rule, _) in zip(state, inside, sides, strict=True):
        if hit and sum(memory) + 1 >= rule.count:
            return None
        kept = [*memory, int(hit)][1:] if memory else []
        # the oldest hits count only if the points to come can still complete the rule before those leave the window
        for place in range(len(kept)):
            if kept[place] and sum(kept[place:]) + place + 1 < rule.count:
                kept[place] = 0
        after.append(tuple(kept))
    return tuple(after)
