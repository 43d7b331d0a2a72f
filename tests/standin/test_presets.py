"""The demo axes do what their plans take for granted."""

from __future__ import annotations

from operator import attrgetter
from typing import Any

import pytest

from stepwitness.axis import Axis
from stepwitness.errors import BadInput
from stepwitness.standin.plant import GRAVITY_M_PER_S2
from stepwitness.standin.presets import DETENT_SHARE, FRAME_RANGES, PRESETS, SOURCES, preset
from stepwitness.standin.screw import back_drives


def reversal_m(bench: Any) -> float:
    """Load travel between coming to one place from below and from above."""
    places = []
    for way in (1, -1):
        bench.move(-way * 1.0)
        bench.move(way * 1.0)
        places.append(bench.rig.truth().load_m)
    return places[1] - places[0]


@pytest.mark.parametrize(("speed", "acceleration"), [(5.0, 300.0), (20.0, 300.0), (20.0, 1000.0), (30.0, 1000.0)])
def test_doser_moves_without_loss_and_reverses_by_eleven_micrometres(
    bench: Any, speed: float, acceleration: float
) -> None:
    bench.drive.set_speed(speed * bench.per_mm)
    bench.drive.set_acceleration(acceleration * bench.per_mm)
    bench.move(20.0)
    bench.move(-20.0)
    assert bench.counter.counts() == pytest.approx(0, abs=1)
    assert bench.rig.truth().slipped_full_steps == 0
    assert reversal_m(bench) == pytest.approx(11e-6, abs=1.2e-6)


def test_plate_lift_moves_up_and_down_without_loss(plate_lift: Axis, bench_of: Any) -> None:
    lift = bench_of(plate_lift)
    lift.drive.enable()
    lift.clock.sleep(0.1)
    lift.rig.brake().open()
    for speed, acceleration in ((20.0, 300.0), (30.0, 1000.0)):
        lift.drive.set_speed(speed * lift.per_mm)
        lift.drive.set_acceleration(acceleration * lift.per_mm)
        lift.move(40.0)
        lift.move(-40.0)
        assert lift.counter.counts() == pytest.approx(0, abs=2)
    # Gravity keeps one flank loaded: the play can't show.
    assert abs(reversal_m(lift)) < 2e-6


def test_plate_lift_falls_without_its_brake_and_doser_doesn_t_move_at_a_starved_current(starved: Any) -> None:
    lift = preset("plate-lift")
    assert back_drives(lift.screw, lift.load, 0.005, GRAVITY_M_PER_S2)
    starved.move(1.0)
    assert abs(starved.rig.truth().rotor_turns * 200) < 0.01


@pytest.mark.parametrize("name", sorted(FRAME_RANGES))
def test_a_frame_s_numbers_lie_in_their_ranges(name: str) -> None:
    stand_in = preset(name)
    for field, (low, high) in FRAME_RANGES[name].items():
        assert low <= attrgetter(field)(stand_in) <= high, field
    share = stand_in.motor.detent_torque_nm / stand_in.motor.holding_torque_nm
    assert DETENT_SHARE[0] <= share <= DETENT_SHARE[1]


@pytest.mark.parametrize("name", sorted(FRAME_RANGES))
def test_a_frame_moves_without_loss(doser: Axis, bench_of: Any, name: str) -> None:
    made = bench_of(doser, preset(name))
    made.drive.enable()
    made.clock.sleep(0.1)
    for millimetres in (5.0, -5.0):
        made.move(millimetres)
    assert made.rig.truth().slipped_full_steps == 0
    assert made.counter.counts() == pytest.approx(0, abs=3)


def test_presets_are_known_by_name_and_seed() -> None:
    assert sorted(PRESETS) == sorted(SOURCES) == ["doser", "frame-42", "frame-57", "plate-lift"]
    assert preset("doser", seed=7).seed == 7
    with pytest.raises(BadInput, match="unknown preset") as error:
        preset("dosr")
    assert "did you mean 'doser'" in str(error.value)
