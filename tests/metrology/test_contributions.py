"""Contributions of the trade, each against what defines it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from stepwitness.metrology import contributions as of
from stepwitness.metrology.budget import Distribution, propagate, summed
from stepwitness.metrology.statistics import NotEnoughReadings


def test_calibration_is_u_over_k() -> None:
    assert of.gauge_calibration(1.2).standard_uncertainty == pytest.approx(0.6)
    few = of.gauge_calibration(1.2, k=2.4, degrees_of_freedom=8)
    assert (few.standard_uncertainty, few.distribution) == (pytest.approx(0.5), Distribution.STUDENT)


def test_resolution_and_quantisation_are_half_a_step_either_way() -> None:
    # JCGM 100, F.2.2.1
    assert of.resolution(1.0).standard_uncertainty == pytest.approx(1 / math.sqrt(12))
    assert of.encoder_quantisation(1.0).standard_uncertainty == pytest.approx(1 / math.sqrt(12))


def test_cosine_error_by_drawing_the_angle() -> None:
    angle = np.random.default_rng(1).uniform(-0.01, 0.01, 1_000_000)
    shortfall = 60.0 * (1 - np.cos(angle))
    line = of.cosine(60.0, within_rad=0.01)

    assert line.value == pytest.approx(shortfall.mean(), rel=0.005)
    assert line.standard_uncertainty == pytest.approx(shortfall.std(), rel=0.005)


def test_line_error_is_that_of_a_sine_at_a_phase_unknown() -> None:
    sine = 0.4 * np.sin(np.linspace(0, 2 * np.pi, 10_000, endpoint=False))

    assert of.encoder_line_error(0.4).standard_uncertainty == pytest.approx(sine.std())


@pytest.mark.parametrize(
    ("line", "half_width"),
    [
        (of.abbe(50e-3, tilt_within_rad=20e-6), 1e-6),
        (of.missed_edges(2, 1e-6), 2e-6),
        (of.timing(-0.02, jitter_s=1e-4), 2e-6),
        (of.setting_up(3e-6), 3e-6),
        (of.thermal_expansion(0.06, expansion_per_k=11.5e-6, within_k=2.0), 1.38e-6),
        (of.expansion_coefficient(0.06, from_reference_k=-3.0, within_per_k=1e-6), 0.18e-6),
    ],
    ids=lambda value: getattr(value, "source", ""),
)
def test_bounds_are_rectangular(line: of.Input, half_width: float) -> None:
    assert line.distribution is Distribution.RECTANGULAR
    assert line.standard_uncertainty == pytest.approx(half_width / math.sqrt(3))
    assert line.kind == "B"


def test_repeatability_is_type_a() -> None:
    line = of.repeatability(2.0, 5, averaged=4)

    assert (line.standard_uncertainty, line.degrees_of_freedom, line.kind) == (1.0, 4, "A")
    with pytest.raises(NotEnoughReadings):
        of.repeatability(2.0, 1)


def test_a_positioning_budget_of_them_all() -> None:
    lines = [
        of.gauge_calibration(1.2),
        of.resolution(0.1),
        of.repeatability(0.3, 5, averaged=5),
        of.thermal_expansion(60e3, expansion_per_k=11.5e-6, within_k=0.5),
        of.abbe(20e3, tilt_within_rad=10e-6),
        of.setting_up(0.3),
    ]
    budget = propagate(summed(lines))

    assert budget.standard_uncertainty == pytest.approx(math.hypot(*(line.standard_uncertainty for line in lines)))
    assert max(zip(budget.shares, lines, strict=True))[1].source == "calibration of the gauge"
