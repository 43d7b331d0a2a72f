"""Populations of virtual units."""

from __future__ import annotations

import math
import statistics
from functools import partial

import pytest

from stepwitness.axis import Axis
from stepwitness.errors import BadInput
from stepwitness.standin.batch import over_units, spreadable, unit
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant
from stepwitness.standin.presets import preset

SPREAD = {"screw.backlash_m": 0.2, "motor.holding_torque_nm": 0.03, "exchange_s": 0.1}


def rotor_after_a_move(axis: Axis, stand_in: StandIn) -> float:
    plant = Plant(axis, stand_in)
    plant.set_amplitude(1.2)
    plant.advance(0.05)
    plant.set_pulses([0.05 + 1e-3 * k for k in range(50)], forward=True)
    plant.advance(0.2)
    return plant.rotor_rad + 1e6 * plant.load_m


def test_units_spread_as_asked() -> None:
    nominal = preset("doser")
    logs = [
        math.log(unit(nominal, SPREAD, number).screw.backlash_m / nominal.screw.backlash_m) for number in range(400)
    ]
    # Standard error of a standard deviation: s / sqrt(2 n); of a mean: s / sqrt(n).
    assert statistics.stdev(logs) == pytest.approx(0.2, abs=4 * 0.2 / math.sqrt(800))
    assert statistics.fmean(logs) == pytest.approx(0.0, abs=4 * 0.2 / math.sqrt(400))


def test_a_unit_is_itself_whoever_else_is_in_the_batch() -> None:
    nominal = preset("doser")
    alone = unit(nominal, {"screw.backlash_m": 0.2}, 7)
    assert unit(nominal, SPREAD, 7).screw == alone.screw
    assert unit(nominal, SPREAD, 7).seed == alone.seed != unit(nominal, SPREAD, 8).seed
    assert unit(nominal, {}, 7).screw == nominal.screw


def test_results_don_t_depend_on_batch_size_order_or_workers(doser: Axis) -> None:
    task = partial(rotor_after_a_move, doser)
    nominal = preset("doser")
    whole = over_units(task, nominal, SPREAD, range(12))
    assert len(set(whole)) == 12
    assert over_units(task, nominal, SPREAD, reversed(range(12))) == whole[::-1]
    assert over_units(task, nominal, SPREAD, [5]) == [whole[5]]
    # A task that a spawned worker can import: here the unit itself.
    units = over_units(repr, nominal, SPREAD, range(20))
    assert over_units(repr, nominal, SPREAD, range(20), workers=2) == units


@pytest.mark.parametrize("name", ["screw.backlash", "nut.backlash_m", "seed", "screw", "load.vertical", "hands"])
def test_fields_that_no_unit_has_are_told(name: str) -> None:
    with pytest.raises(BadInput, match="no such number") as error:
        unit(preset("doser"), {name: 0.1}, 0)
    if name == "screw.backlash":
        assert "did you mean 'screw.backlash_m'" in str(error.value)


@pytest.mark.parametrize("deviation", [-0.1, float("nan")])
def test_a_senseless_spread_is_told(deviation: float) -> None:
    with pytest.raises(BadInput, match="negative spread"):
        unit(preset("doser"), {"screw.backlash_m": deviation}, 0)


def test_spreadable_names_every_number() -> None:
    names = spreadable(preset("doser"))
    assert "screw.backlash_m" in names
    assert "start_m" in names
    assert "load.vertical" not in names
    assert "seed" not in names
