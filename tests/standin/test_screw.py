"""Nut, guide and thread in closed form."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.standin.parameters import LoadPhysics, ScrewPhysics
from stepwitness.standin.screw import back_drives, dead_band_m, lag_m, thread_torque

GRAVITY = 9.80665


def test_a_load_trails_by_elasticity_and_half_the_clearance() -> None:
    assert lag_m(4.0, stiffness_n_per_m=2e7, backlash_m=1e-5) == pytest.approx(5.2e-6)
    assert lag_m(-4.0, stiffness_n_per_m=2e7, backlash_m=1e-5) == pytest.approx(-5.2e-6)
    assert lag_m(0.0, stiffness_n_per_m=2e7, backlash_m=1e-5) == 0.0


def test_reversal_shows_clearance_only_where_the_force_on_the_nut_reverses() -> None:
    common = {"friction_n": 4.0, "stiffness_n_per_m": 2e7, "backlash_m": 1e-5}
    assert dead_band_m(external_n=0.6, **common) == pytest.approx(1e-5 + 2 * 4.0 / 2e7)
    assert dead_band_m(external_n=-30.0, **common) == pytest.approx(2 * 4.0 / 2e7)


def test_a_screw_without_friction_has_one_lever_both_ways() -> None:
    """First principles: torque is force times lead over one turn."""
    thread = thread_torque(ScrewPhysics(friction_coefficient=0.0), 0.008)
    assert thread.raise_m == pytest.approx(0.008 / (2 * 3.141592653589793))
    assert thread.lower_m == pytest.approx(-thread.raise_m)


@given(friction=st.floats(0.0, 0.3), lead_m=st.floats(1e-4, 0.02))
def test_raising_never_costs_less_than_lowering_gives(friction: float, lead_m: float) -> None:
    thread = thread_torque(ScrewPhysics(friction_coefficient=friction), lead_m)
    assert thread.raise_m >= -thread.lower_m


def test_a_screw_of_too_much_friction_jams() -> None:
    with pytest.raises(ValueError, match="jams"):
        thread_torque(ScrewPhysics(friction_coefficient=3.0), 0.02)


def test_what_back_drives() -> None:
    hanging = LoadPhysics(mass_kg=3.0, friction_n=6.0, vertical=True)
    rolling = ScrewPhysics(friction_coefficient=0.01, drag_torque_nm=0.005)
    assert back_drives(rolling, hanging, 0.005, GRAVITY)
    assert not back_drives(rolling, replace(hanging, vertical=False), 0.005, GRAVITY)
    assert not back_drives(rolling, replace(hanging, friction_n=40.0), 0.005, GRAVITY)
    assert not back_drives(replace(rolling, drag_torque_nm=0.1), hanging, 0.005, GRAVITY)
    assert not back_drives(replace(rolling, friction_coefficient=0.3), hanging, 0.005, GRAVITY)
