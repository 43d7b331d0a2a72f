"""When did it change: one step in the mean of a history, by likelihood, judged by shuffling.

1. The statistic is the greatest two-sample t over all splits with at least `margin` readings on either side.
2. Its probability comes from shuffles of the same readings, so it supposes no distribution, but it does suppose that
   readings in control are exchangeable: a slow drift or a correlated history looks like a step too.
3. The set of places is a likelihood set for normal readings of one sd: splits whose deviance from the best is no
   greater than the true place's would be with that confidence, in simulated histories with the step that was found.
   (The place isn't a regular parameter: with the chi-square quantile a set of 95 % held a step of one sd in 84 % of
   trials.) It is approximate still: in 500 trials each, 94 to 96 % with 40 readings and 92 to 94 % with 20.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stepwitness.metrology.inputs import CONFIDENCE, Floats, count, probability, readings, spread
from stepwitness.metrology.statistics import NotEnoughReadings

SHUFFLES = 1999
SIMULATED = 1000
BLOCK = 250

PLAIN = 100.0
"""A step of so many sd is found for certain; greater ones only cost digits."""


@dataclass(frozen=True)
class ChangePoint:
    """The likeliest step of a history.

    `index` : of the first reading after the step. `first`, `last` : the range of indices in the likelihood set.
    `before`, `after`, `shift` : means and their difference, in the readings' unit; the shift is biased away from 0, as
    the best of many splits. `p` : probability of a split as good in a history without a step.
    """

    index: int
    first: int
    last: int
    before: float
    after: float
    shift: float
    t: float
    p: float


def change_point(values: ArrayLike, *, margin: int = 2, confidence: float = CONFIDENCE, seed: int = 1) -> ChangePoint:
    """The likeliest single step in the mean.

    Parameters
    ----------
    values : shape (n,), in order of time, n ≥ 2·margin and ≥ 5. `margin` : least readings on either side.
    seed : of the shuffles.

    Raises
    ------
    BadReadings, NotEnoughReadings : a reading that isn't a number, too few, no spread.
    """
    array = readings(values, "history", least=5)
    spread(array, "history")
    probability(confidence, "the confidence")
    n = len(array)
    if n < 2 * count(margin, "the margin"):
        raise NotEnoughReadings(f"history: {n} readings have no split with {margin} on either side")
    # the scale is taken out so that squares neither overflow nor vanish
    z = (array - np.mean(array)) / float(np.ptp(array))
    explained = _explained(z[np.newaxis, :], margin)[0]
    total = float(z @ z)
    best = int(np.argmax(explained))
    rest = np.maximum(total - explained, 1e-30 * total)
    draw = np.random.default_rng(seed)
    index = best + margin
    before, after = float(np.mean(array[:index])), float(np.mean(array[index:]))
    step = (after - before) / float(np.ptp(array)) / math.sqrt(float(rest[best]) / (n - 2))
    step = math.copysign(min(abs(step), PLAIN), step)
    inside = np.flatnonzero(n * np.log(rest / rest[best]) <= _deviance(draw, n, index, step, margin, confidence))
    as_good, done = 0, 0
    while done < SHUFFLES:
        rows = min(BLOCK, SHUFFLES - done)
        shuffled = draw.permuted(np.broadcast_to(z, (rows, n)), axis=1)
        as_good += int(np.sum(_explained(shuffled, margin).max(axis=1) >= explained[best] * (1.0 - 1e-12)))
        done += rows
    return ChangePoint(
        index=index,
        first=int(inside[0]) + margin,
        last=int(inside[-1]) + margin,
        before=before,
        after=after,
        shift=after - before,
        t=math.sqrt(float(explained[best]) * (n - 2) / float(rest[best])),
        p=(1 + as_good) / (1 + SHUFFLES),
    )


def _deviance(draw: np.random.Generator, n: int, index: int, step: float, margin: int, confidence: float) -> float:
    """The quantile of the deviance of the true place, in histories with a step of so many sd at `index`."""
    seen: list[Floats] = []
    for start in range(0, SIMULATED, BLOCK):
        rows = draw.standard_normal((min(BLOCK, SIMULATED - start), n))
        rows[:, index:] += step
        rows -= rows.mean(axis=1, keepdims=True)
        rest = np.sum(rows**2, axis=1, keepdims=True) - _explained(rows, margin)
        seen.append(n * np.log(rest[:, index - margin] / rest.min(axis=1)))
    return float(np.quantile(np.concatenate(seen), confidence))


def _explained(rows: Floats, margin: int) -> Floats:
    """Sum of squares that each split takes out of centred rows, shape (k, n − 2·margin + 1): S² n / (m (n − m))."""
    n = rows.shape[1]
    m = np.arange(margin, n - margin + 1)
    sums = np.cumsum(rows, axis=1)[:, m - 1]
    return np.asarray(sums**2 * (n / (m * (n - m))))
