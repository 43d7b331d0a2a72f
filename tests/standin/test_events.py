"""What the kernel records on its way: slips, contacts with stops and flanks, turning and rest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import pytest

from stepwitness.axis import Axis
from stepwitness.standin import kernel
from stepwitness.standin.defects import with_defect
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant, travel_per_rad
from stepwitness.standin.presets import preset
from stepwitness.standin.pulses import PulseTrain
from stepwitness.standin.screw import stiffness_n_per_m


class Happened(NamedTuple):
    kind: float
    time_s: float
    rotor_rad: float
    load_m: float


def moved(
    axis: Axis, stand_in: StandIn, *travels_m: float, speed_m_per_s: float = 0.02
) -> tuple[Plant, list[Happened]]:
    """A plant after these moves, one after the other from rest, and all that happened."""
    plant = Plant(axis, stand_in)
    happened: list[Happened] = []
    plant.on_event(lambda *event: happened.append(Happened(*event)))
    plant.set_amplitude(stand_in.motor.rated_current_a)
    plant.advance(0.05)
    microstep_m = float(axis.microstep_travel)
    for travel_m in travels_m:
        train = PulseTrain(
            start_s=plant.time_s,
            pulses=round(abs(travel_m) / microstep_m),
            speed=speed_m_per_s / microstep_m,
            acceleration=0.5 / microstep_m,
        )
        plant.set_pulses(train.times_s(0, train.total), forward=travel_m > 0.0)
        plant.advance(train.end_s + 0.1)
    return plant, happened


def of(happened: Sequence[Happened], *kinds: float) -> list[Happened]:
    return [event for event in happened if event.kind in kinds]


@pytest.mark.parametrize("way", [1, -1])
def test_each_slip_is_told_once_with_its_way(doser: Axis, way: int) -> None:
    """A slip is an electrical period, four full steps (rule of the two-phase motor): so many as the rotor lost."""
    stand_in = replace(preset("doser"), start_m=0.030)
    stand_in = replace(stand_in, load=replace(stand_in.load, stop_low_m=0.0285, stop_high_m=0.0315))
    plant, happened = moved(doser, stand_in, way * 3e-3)
    commanded_rad = way * plant.pulses_sent * float(doser.microstep_travel) / travel_per_rad(doser)
    lost_periods = (commanded_rad - plant.rotor_rad) / (2.0 * math.pi) * float(doser.rotor_teeth)
    ups, downs = len(of(happened, kernel.SLIPPED_UP)), len(of(happened, kernel.SLIPPED_DOWN))
    assert downs - ups == round(lost_periods)
    assert (downs if way > 0 else ups) >= 5
    assert of(happened, kernel.MET_STOP)[0].time_s < of(happened, kernel.SLIPPED_UP, kernel.SLIPPED_DOWN)[0].time_s


def test_the_load_meets_the_stop_where_it_stands(doser: Axis) -> None:
    stand_in = with_defect(preset("doser"), "end-stop", 0.0312)
    _, happened = moved(doser, stand_in, 3e-3)
    met = of(happened, kernel.MET_STOP)[0]
    step_m = 0.02 * 20e-6  # what the load travels in a step of the kernel at most
    assert met.load_m == pytest.approx(stand_in.load.stop_high_m, abs=step_m)


def test_contact_with_a_stop_is_told_in_turns_of_met_and_left(doser: Axis) -> None:
    _, happened = moved(doser, with_defect(preset("doser"), "end-stop", 0.0312), 3e-3, -3e-3)
    kinds = [event.kind for event in of(happened, kernel.MET_STOP, kernel.LEFT_STOP)]
    assert kinds[0] == kernel.MET_STOP
    assert kinds[-1] == kernel.LEFT_STOP
    assert all(first != second for first, second in pairwise(kinds))


def test_on_reversal_the_nut_meets_its_other_flank_after_the_clearance(doser: Axis) -> None:
    """First principles: the rotor turns by the clearance before the nut touches again; the load stands meanwhile."""
    stand_in = with_defect(preset("doser"), "worn-nut", 45e-6)
    plant, happened = moved(doser, stand_in, 2e-3)
    turned_at = len(happened)
    before_rad, before_m = plant.rotor_rad, plant.load_m
    plant.set_pulses([plant.time_s + 1e-3 * n for n in range(1, 161)], forward=False)
    plant.advance(plant.time_s + 0.3)
    met = of(happened[turned_at:], kernel.MET_FLANK)[0]
    assert met.load_m == pytest.approx(before_m, abs=0.1e-6)
    travelled_m = (before_rad - met.rotor_rad) * travel_per_rad(doser)
    relaxed_m = stand_in.load.friction_n / stiffness_n_per_m(stand_in.screw)
    assert travelled_m == pytest.approx(45e-6 + relaxed_m, abs=1.0e-6)


def test_events_come_in_the_order_of_time_and_the_rotor_ends_at_rest(doser: Axis) -> None:
    _, happened = moved(doser, preset("doser"), 2e-3, -2e-3)
    times = [event.time_s for event in happened]
    assert times == sorted(times)
    assert of(happened, kernel.RESTED)
    assert not of(happened, kernel.SLIPPED_UP, kernel.SLIPPED_DOWN, kernel.MET_STOP, kernel.LEFT_STOP)


def test_switching_the_current_on_far_from_the_command_is_no_slip(doser: Axis) -> None:
    """Without current there is no period to slip by; the rotor snaps to the nearest one and that is told as nothing."""
    stand_in = preset("doser")
    plant = Plant(doser, stand_in)
    happened: list[Happened] = []
    plant.on_event(lambda *event: happened.append(Happened(*event)))
    microsteps = plant.microsteps
    plant.set_pulses([1e-3 * n for n in range(1, 1 + 3 * microsteps)], forward=True)
    plant.advance(0.2)
    plant.set_amplitude(stand_in.motor.rated_current_a)
    plant.advance(0.4)
    assert plant.rotor_rad != 0.0
    assert not of(happened, kernel.SLIPPED_UP, kernel.SLIPPED_DOWN)
