"""A unit whose parameters are known is measured and fitted; the fit must find them again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from stepwitness.axis import Axis
from stepwitness.errors import BadInput
from stepwitness.standin.fit import Response, fit, respond
from stepwitness.standin.parameters import StandIn, with_field
from stepwitness.standin.presets import preset

Change = Callable[..., StandIn]
NOISE_STEPS = 0.004


@pytest.fixture
def unit(changed: Change) -> StandIn:
    """Not the preset: heavier, weaker, with detent and more drag."""
    return changed(
        preset("doser"),
        motor={"holding_torque_nm": 0.36, "rotor_inertia_kgm2": 6.6e-6, "detent_torque_nm": 0.012},
        screw={"drag_torque_nm": 0.008},
        load={"friction_n": 1.0},
    )


def measured(axis: Axis, unit: StandIn, *, seed: int = 1) -> list[Response]:
    """A ringing step of 8 microsteps, a slow walk, and a rest under a known torque; noise on top."""
    noise = np.random.default_rng(seed)
    blank = np.zeros(0)
    times = np.arange(0.0, 0.03, 2e-4)
    plans = [
        Response([0.0] * 8, times, blank, current_a=1.2),
        Response([0.004 * k for k in range(60)], np.arange(0.05, 0.3, 2e-3), blank, current_a=0.6),
        Response([], times, blank, current_a=1.2, shaft_torque_nm=0.15),
    ]
    answers = [respond(axis, unit, plan) for plan in plans]
    return [
        replace(plan, rotor_steps=answer + noise.normal(0.0, NOISE_STEPS, len(answer)))
        for plan, answer in zip(plans, answers, strict=True)
    ]


def test_a_fit_finds_the_unit_again(doser: Axis, unit: StandIn, changed: Change) -> None:
    guess = changed(preset("doser"), motor={"detent_torque_nm": 0.006}, screw={"drag_torque_nm": 0.012})
    guess = with_field(guess, "load.friction_n", 1.0)
    names = [
        "motor.holding_torque_nm",
        "motor.rotor_inertia_kgm2",
        "motor.detent_torque_nm",
        "screw.drag_torque_nm",
    ]
    found = fit(doser, guess, measured(doser, unit), names)
    assert found.stand_in.motor.holding_torque_nm == pytest.approx(0.36, rel=0.02)
    assert found.stand_in.motor.rotor_inertia_kgm2 == pytest.approx(6.6e-6, rel=0.03)
    assert found.stand_in.motor.detent_torque_nm == pytest.approx(0.012, rel=0.25)
    assert found.stand_in.screw.drag_torque_nm == pytest.approx(0.008, rel=0.15)
    assert found.rms_steps == pytest.approx(NOISE_STEPS, rel=0.1)
    assert all(0.0 < error < 0.2 for error in found.relative_error.values())


def test_residuals_show_a_model_that_doesn_t_fit(doser: Axis, unit: StandIn) -> None:
    """With the inertia held at the wrong value no holding torque explains both ringing and torque."""
    found = fit(doser, preset("doser"), measured(doser, unit), ["screw.drag_torque_nm"])
    assert found.rms_steps > 3 * NOISE_STEPS
    assert [len(part) for part in found.residual_steps] == [150, 125, 150]


def test_what_the_data_cannot_tell_is_said(doser: Axis, unit: StandIn) -> None:
    """A resting rotor says nothing of the gauge's noise."""
    resting = measured(doser, unit)[2:]
    found = fit(doser, unit, resting, ["gauge.noise_m"])
    assert found.relative_error == {"gauge.noise_m": float("inf")}


@pytest.mark.parametrize(
    ("name", "problem"), [("motor.holding_torque", "no such number"), ("motor.table_error", "positive value")]
)
def test_fields_that_can_t_be_fitted_are_told(doser: Axis, unit: StandIn, name: str, problem: str) -> None:
    with pytest.raises(BadInput, match=problem):
        fit(doser, unit, measured(doser, unit), [name])


def test_too_few_readings_are_told(doser: Axis, unit: StandIn) -> None:
    single = replace(measured(doser, unit)[0], time_s=np.array([0.01]), rotor_steps=np.array([0.1]))
    with pytest.raises(BadInput, match="fewer readings"):
        fit(doser, unit, [single], ["motor.holding_torque_nm"])
