"""Contributions to an uncertainty that this trade has, each as one input of a budget.

1. Lengths in one unit, angles in radian; every input adds to the measurand with sensitivity 1.
2. What is bounded and no more known is rectangular; a periodic error of known amplitude and unknown phase has an
   arcsine distribution (JCGM 101:2008, 6.4.6). ISO/TR 230-9 is the model for positioning, from memory.
3. An error of known sign (cosine) has a value as well: the mean of what it may be, by which a reading is corrected.
"""

from __future__ import annotations

import math

from stepwitness.metrology.budget import Distribution, Input, within
from stepwitness.metrology.statistics import NotEnoughReadings


def gauge_calibration(expanded: float, *, k: float = 2.0, degrees_of_freedom: float = math.inf) -> Input:
    """A certificate's expanded uncertainty U with its coverage factor (JCGM 100:2008, 4.3.3)."""
    distribution = Distribution.NORMAL if math.isinf(degrees_of_freedom) else Distribution.STUDENT
    return Input("calibration of the gauge", 0.0, expanded / k, distribution, degrees_of_freedom)


def resolution(least_step: float) -> Input:
    """A reading rounded to `least_step`: within half a step of what it rounds (JCGM 100:2008, F.2.2.1)."""
    return within("resolution of the reading", least_step / 2)


def repeatability(s: float, n: int, *, averaged: int = 1) -> Input:
    """Scatter s of `n` readings, in a mean of `averaged` of them; n − 1 degrees of freedom (JCGM 100:2008, 4.2)."""
    if n < 2 or averaged < 1:
        raise NotEnoughReadings(f"scatter of {n} readings in a mean of {averaged}")
    return Input("repeatability", 0.0, s / math.sqrt(averaged), Distribution.STUDENT, n - 1, "A")


def thermal_expansion(length: float, *, expansion_per_k: float, within_k: float) -> Input:
    """Length at a temperature that is within ± `within_k` of the one taken for correction."""
    return within("temperature of the axis", length * expansion_per_k * within_k)


def expansion_coefficient(length: float, *, from_reference_k: float, within_per_k: float) -> Input:
    """Coefficient within ± `within_per_k`, at a temperature that is `from_reference_k` away from 20 °C."""
    return within("coefficient of expansion", length * abs(from_reference_k) * within_per_k)


def cosine(length: float, *, within_rad: float) -> Input:
    """Gauge askew to the travel by an angle anywhere within ± `within_rad`: it reads short by length·θ²/2.

    For a rectangular θ within ± a the shortfall has the mean L a²/6 and the standard deviation L a²/√45; the
    distribution is skewed, so a budget that rests on this line is to be simulated from θ itself.
    """
    return Input("cosine error of alignment", length * within_rad**2 / 6, length * within_rad**2 / math.sqrt(45))


def abbe(offset: float, *, tilt_within_rad: float) -> Input:
    """Gauge line beside the line of motion by `offset`, where the carriage tilts within ± `tilt_within_rad`."""
    return within("Abbe offset times tilt", offset * tilt_within_rad)


def encoder_quantisation(count: float) -> Input:
    """A counted position is within half a count of the true one."""
    return within("quantisation of the encoder", count / 2)


def encoder_line_error(amplitude: float) -> Input:
    """Periodic error of an encoder's lines and of interpolation between them, at an unknown phase."""
    return within("line error of the encoder", amplitude, Distribution.ARCSINE)


def missed_edges(edges: float, count: float) -> Input:
    """As many edges as may have been missed or doubled without anybody noticing; a bound, so rectangular."""
    return within("edges that may have been missed", edges * count)


def timing(velocity: float, *, jitter_s: float) -> Input:
    """Two witnesses read in motion, at instants that differ by an unknown time within ± `jitter_s`."""
    return within("timing, velocity times jitter", abs(velocity) * jitter_s)


def setting_up(half_width: float) -> Input:
    """What another mounting of the same gauge on the same axis could change, within ± `half_width`."""
    return within("set-up of the gauge", half_width)
