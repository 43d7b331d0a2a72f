"""Lengths at 20 °C: by hand, by simulation, and no reading that isn't one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.metrology.statistics import BadReadings
from stepwitness.metrology.thermal import Body, at_reference


def test_a_metre_of_steel_two_kelvin_warm_by_hand() -> None:
    found = at_reference(1.0, Body(22.0, 11.5e-6, u_temperature_k=0.5, u_expansion_per_k=1e-6))

    assert found.correction == pytest.approx(-23e-6)
    assert found.length == pytest.approx(1 - 23e-6)
    assert found.standard_uncertainty == pytest.approx(math.hypot(2e-6, 5.75e-6, 0.5e-6))


def test_a_scale_that_expands_alike_takes_the_correction_away() -> None:
    body = Body(25.0, 11.5e-6, 0.1, 1e-6)

    assert at_reference(0.5, body, body).correction == 0.0
    assert at_reference(0.5, body, body).standard_uncertainty > 0.0


def test_at_20_degrees_the_second_order_remains() -> None:
    found = at_reference(2.0, Body(20.0, 0.0, 0.5, 1e-6))

    assert found.correction == 0.0
    assert found.standard_uncertainty == pytest.approx(1e-6)


def test_uncertainty_by_drawing_both() -> None:
    rng = np.random.default_rng(1)
    temperature, expansion = rng.normal(22.0, 0.5, 1_000_000), rng.normal(11.5e-6, 1e-6, 1_000_000)
    drawn = -0.3 * expansion * (temperature - 20.0)
    found = at_reference(0.3, Body(22.0, 11.5e-6, 0.5, 1e-6))

    assert found.standard_uncertainty == pytest.approx(drawn.std(), rel=0.005)


@given(length=st.floats(0.001, 3.0), scale=st.floats(1e-3, 1e6), warm=st.floats(-10.0, 10.0))
def test_scales_with_the_unit(length: float, scale: float, warm: float) -> None:
    body = Body(20.0 + warm, 11.5e-6, 0.2, 1e-6)
    one, other = at_reference(length, body), at_reference(length * scale, body)

    assert other.correction == pytest.approx(scale * one.correction)
    assert other.standard_uncertainty == pytest.approx(scale * one.standard_uncertainty)


@pytest.mark.parametrize("body", [(math.nan, 1e-5), (20.0, math.inf), (20.0, 1e-5, -1.0), (20.0, 1e-5, 0.0, -1e-6)])
def test_no_body(body: tuple[float, ...]) -> None:
    with pytest.raises(BadReadings):
        Body(*body)


def test_no_length() -> None:
    with pytest.raises(BadReadings):
        at_reference(math.nan, Body(20.0, 1e-5))
