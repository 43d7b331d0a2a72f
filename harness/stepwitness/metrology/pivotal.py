"""Draws for generalized pivotal intervals: a fixed scrambled net, so the same study has the same interval always.

A mean square S² of ν degrees is turned into draws of its expectation, S²·ν/χ²; what is built from expectations is built
from the draws, and its interval runs between their quantiles. The draws are points of a scrambled Sobol' net, which
settle faster than random ones.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import special, stats
from scipy.stats import qmc

from stepwitness.metrology.inputs import Floats, Interval

LOG2_DRAWS = 13
"""Number of draws, as a power of two."""

SEED = 20_481


@lru_cache(maxsize=64)
def chi_square_ratios(degrees: tuple[int, ...]) -> Floats:
    """χ²/ν for each of `degrees`, shape (2^13, len(degrees)); columns independent."""
    net = _net(len(degrees))
    return _read_only(np.asarray(stats.chi2.ppf(net, np.array(degrees)) / np.array(degrees)))


@lru_cache(maxsize=64)
def normal_and_chi_square_ratios(degrees: tuple[int, ...]) -> tuple[Floats, Floats]:
    """A standard normal, shape (2^13,), and χ²/ν as above; all independent."""
    net = _net(1 + len(degrees))
    ratios = np.asarray(stats.chi2.ppf(net[:, 1:], np.array(degrees)) / np.array(degrees))
    return _read_only(np.asarray(special.ndtri(net[:, 0]))), _read_only(ratios)


def interval(draws: Floats, confidence: float) -> Interval:
    """Between the quantiles of the draws, equal tails."""
    tail = (1.0 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1.0 - tail], method="inverted_cdf")
    return Interval(float(low), float(high), confidence)


def _net(columns: int) -> Floats:
    points = qmc.Sobol(columns, scramble=True, seed=SEED).random_base2(LOG2_DRAWS)
    return np.clip(points, 1e-12, 1.0 - 1e-12)


def _read_only(array: Floats) -> Floats:
    array.flags.writeable = False
    return array
