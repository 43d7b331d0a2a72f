"""What the witnesses saw, as sentences, and the likeliest cause where they disagree.

1. Pure text from numbers in SI; nothing here judges.
2. A cause is named only where the witnesses leave no other: play behind the encoder, a slip before it, a scale that
   doesn't fit. Where they leave two, both are named.
"""

from __future__ import annotations

import math

from stepwitness.axis import Axis
from stepwitness.display import number, with_unit
from stepwitness.metrology.positioning import Positioning

_MICRO = 1e6

STEEL_PER_K = 11.5e-6
"""Coefficient of linear expansion of plain steel; common practice, no source."""


def _um(value_m: float) -> str:
    return with_unit(number(value_m * _MICRO, 1), "µm")


def _fine(value_m: float) -> str:
    return with_unit(number(value_m * _MICRO, 2), "µm")


def _mm(value_m: float, decimals: int = 3) -> str:
    return with_unit(number(value_m * 1e3, decimals), "mm")


def _counts(counts: float) -> str:
    text = number(counts, 1).removesuffix(".0")
    return with_unit(text, "count" if text in ("1", "−1") else "counts")


def in_trade(value_m: float, axis: Axis) -> str:
    """A travel also in full steps and in degrees of the motor shaft."""
    steps = number(value_m / float(axis.step_travel), 2)
    degrees = number(value_m / float(axis.travel_per_turn) * 360, 2)
    return f"that is {with_unit(steps, 'steps')} or {degrees}° of the motor"


def load_figure(attribute: str, figures: Positioning) -> str:
    """What stands behind an ISO 230-2 figure of the load."""
    if attribute in ("R", "R_up", "R_down"):
        share = f"reversal accounts for {_um(abs(figures.B_mean))} of it" if attribute == "R" else "scatter of one side"
        return f"the load's positions spread over {_um(getattr(figures, attribute))}; {share}"
    if attribute in ("B", "B_mean"):
        side = "short" if figures.B_mean < 0 else "long"
        return (
            f"approached upwards, the load stops {_um(abs(figures.B_mean))} {side} of where it stops downwards "
            f"(greatest at a target: {_um(figures.B)})"
        )
    return f"the load's mean deviations range over {_um(figures.E)}"


def motor_figure(attribute: str, figures: Positioning) -> str:
    """What stands behind a figure counted at the motor."""
    if attribute == "R":
        return f"the counted positions of the motor spread over {_um(figures.R)}, in travel"
    return f"the motor itself stops {_um(abs(figures.B_mean))} apart by direction: twice its lag under friction"


def scale(difference: float, span_m: float) -> str:
    """Counter against gauge over the span of the targets."""
    ppm = with_unit(number(abs(difference) * 1e6, 0), "ppm")
    side = "less" if difference < 0 else "more"
    return (
        f"over {_mm(span_m, 1)} the counter tells {ppm} {side} travel than the gauge; which of lead and "
        "gauge is wrong can't be told without a check standard"
    )


def closure(counts: float, gauge_closure_m: float | None) -> str:
    """Counts on the return to the start, and what the gauge says of the same return."""
    said = f"back at the start, drive and counter differ by {_counts(counts)} from where they began"
    if abs(counts) < 1.5:
        return said
    if gauge_closure_m is None:
        return f"{said}; edges missed by the counter or steps lost by the motor, which can't be told without a gauge"
    if abs(gauge_closure_m) < 2e-6:
        return f"{said}, while the gauge closes to {_um(abs(gauge_closure_m))}: the counter missed or doubled edges"
    return f"{said}, and the gauge to {_um(abs(gauge_closure_m))}: the motor lost steps, or both witnesses slipped"


def start_drift(total_m: float, spread_m: float, probability: float | None) -> str:
    """How the start moved from run to run, and whether it is more than scatter."""
    said = f"the start moved by {_um(total_m)} from the first reading to the last, and within {_um(spread_m)}"
    if probability is None:
        return said
    if probability < 0.05:
        return f"{said}; steadily, so the axis or the bench drifted while it was tested"
    return f"{said}, no more than it scatters"


def reversal(load_m: float, uncertainty_m: float, motor_m: float | None, axis: Axis) -> str:
    """The load's reversal beside the motor's, and where the play therefore lies."""
    side = "long" if load_m > 0 else "short"
    said = f"the load came {_um(abs(load_m))} ± {_um(uncertainty_m)} {side} on reversal"
    if abs(load_m) <= uncertainty_m:
        return f"{said}, no more than its uncertainty"
    if motor_m is None:
        return said
    motor_counts = abs(motor_m) / float(axis.count_travel)
    behind_m = abs(load_m) - abs(motor_m)
    if behind_m > abs(motor_m):
        return (
            f"{said}; drive and counter agree with each other to {_counts(motor_counts)}, "
            "so the play lies behind the encoder: nut or coupling"
        )
    return (
        f"{said}; the motor itself came {_counts(motor_counts)} short, so most of it lies before the screw: "
        "friction against too little torque"
    )


def periodic(
    amplitude_m: float, phase: tuple[float, float], p_value: float, greatest_m: float, motor_m: float | None
) -> str:
    """An error that repeats along the travel: whether it is there, its phase (in radian, with u), and
    which side of the encoder it lies."""
    if p_value > 0.01:
        return f"no more than scatter gives; what it may hide is below {_fine(greatest_m)}"
    degrees, within = (number(math.degrees(angle), 0) for angle in (phase[0], 2 * phase[1]))
    said = f"crests {_um(amplitude_m)} about the line through the deviations, at {degrees}° ± {within}° of the period"
    if motor_m is None:
        return said
    seen = f"the counter sees {_um(motor_m)} of that period"
    if motor_m > 0.7 * amplitude_m:
        return f"{said}; {seen}: it lies before the screw, in motor or coupling"
    if motor_m < 0.3 * amplitude_m:
        return f"{said}; {seen}: it lies behind the encoder, in screw or nut"
    return f"{said}; {seen}"


def gained(gain_m: float, from_m: float) -> str:
    """The greatest pitch error and where it is."""
    side = "more" if gain_m > 0 else "less"
    return f"over the lead from {_mm(from_m)} the load gains {_um(abs(gain_m))} {side} than one nominal lead"


def hysteresis(reversal_m: float, at_m: float) -> str:
    """The greatest difference of the directions and where it is."""
    side = "short" if reversal_m < 0 else "long"
    return f"approached upwards, the load stops {_um(abs(reversal_m))} {side} at {_mm(at_m)}"


def hysteresis_range(least_m: float, most_m: float) -> str:
    """How the difference of the directions varies along the travel."""
    return f"the difference of the directions lies between {_um(least_m)} and {_um(most_m)} along the travel"


def lead(relative: float, lead_m: float) -> str:
    """An error of the mean lead, as a length over one lead."""
    side = "long" if relative > 0 else "short"
    return f"each lead is on average {_fine(abs(relative) * lead_m)} {side}"


def thermal_change(change_m: float, at_m: float, length_s: float, p_value: float) -> str:
    """How far the place that moves most has moved, and whether that is more than scatter."""
    said = f"over {number(length_s / 60, 1)}\u2009min the load moved by {_um(change_m)} at {_mm(at_m)}"
    return said if p_value < 0.01 else f"{said}, no more than it scatters"


def thermal_rate(rate_m_per_s: float, found: bool) -> str:
    """How fast it still drifts at the last look."""
    said = f"at the last look the load drifts by {_fine(rate_m_per_s * 3600)} an hour"
    return said if found else f"{said}, no more than scatter gives"


def thermal_settled(change_m: float, settle_s: float) -> str:
    """Where it settles and how long that takes."""
    most = with_unit(number(3 * settle_s / 60, 1), "min")
    return f"it settles {_um(change_m)} from where it was, 95 % of that within {most}"


def thermal_expansion(expansion: float, lower_change_m: float) -> str:
    """The travel's own expansion, and what moved both places alike."""
    kelvin = with_unit(number(expansion / STEEL_PER_K, 1), "K")
    return (
        f"the travel grew as a steel screw does in {kelvin}; the lower place moved by {_um(lower_change_m)}, by growth "
        "below it or a drift of the gauge's zero"
    )


def count_drift(counts: float, steadily: float) -> str:
    """What the motor side says of the same time."""
    said = f"drive and counter changed by {_counts(counts)} against each other"
    if abs(counts) < 1.5:
        return f"{said}: whatever moved lies behind the encoder"
    return f"{said}, steadily" if steadily < 0.01 else said


def starved_claim(claim_m: float, counted_m: float | None, gauge_m: float | None) -> str:
    """The three figures of a move at too little current, side by side."""
    said = [f"at too little current the drive claims {_mm(claim_m)}"]
    if counted_m is not None:
        said.append(f"the encoder counted {_mm(counted_m)}")
    if gauge_m is not None:
        said.append(f"the gauge saw {_mm(gauge_m)}")
    return ", ".join(said)


def standing(target_m: float, counted_m: float, gauge_m: float | None) -> str:
    """How far from its target an axis stands, by each witness that looked."""
    said = f"after recovery the counter sees the axis {_um(target_m - counted_m)} from its target"
    return said if gauge_m is None else f"{said}, the gauge {_um(target_m - gauge_m)}"
