"""Every defect shows where it must and nowhere else, at the size that physics gives it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import pytest

from stepwitness.axis import Axis
from stepwitness.devices.clock import VirtualClock
from stepwitness.errors import BadInput
from stepwitness.standin.checks import check
from stepwitness.standin.defects import DEFECTS, with_defect
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig

COUNT_M = 1e-6


@dataclass(frozen=True)
class Seen:
    """What the witnesses saw: claims, counts and gauge in metres after a move of 20 mm and after the way back."""

    claim_m: float
    counted_m: float
    gauged_m: float
    closure_m: float
    reversal_m: float
    faults: int
    current_a: float


def seen(axis: Axis, stand_in: StandIn) -> Seen:
    """20 mm up, 20 mm down, and one place from both sides."""
    clock = VirtualClock()
    rig = Rig(axis, stand_in, clock)
    drive, counter, gauge, meter = rig.drive(), rig.counter(), rig.gauge(), rig.meter()
    drive.set_speed(10 * 1600.0)
    drive.set_acceleration(300 * 1600.0)
    drive.enable()
    clock.sleep(0.1)
    start_m = gauge.travel_m()

    def go(millimetres: float) -> None:
        drive.start_move_by(round(millimetres * 1600))
        while drive.status().moving:
            clock.sleep(0.01)
        clock.sleep(0.3)

    go(21.0)
    go(-1.0)
    from_above = gauge.travel_m()
    go(-20.0)
    closure = counter.counts() * COUNT_M
    go(20.0)
    from_below, claim, counted = gauge.travel_m(), drive.position() / 1.6e6, counter.counts() * COUNT_M
    return Seen(
        claim_m=claim,
        counted_m=counted,
        gauged_m=from_below - start_m,
        closure_m=closure,
        reversal_m=from_above - from_below,
        faults=counter.faults(),
        current_a=meter.current_a(),
    )


@pytest.fixture(scope="module")
def look() -> Any:
    @cache
    def looked(axis: Axis, name: str, size: float) -> Seen:
        return seen(axis, with_defect(preset("doser"), name, size) if name else preset("doser"))

    return looked


def test_a_healthy_axis_agrees_with_itself(doser: Axis, look: Any) -> None:
    healthy = look(doser, "", 0.0)
    assert healthy.claim_m == pytest.approx(0.02, abs=1e-9)
    assert healthy.counted_m == pytest.approx(0.02, abs=2e-6)
    assert healthy.gauged_m == pytest.approx(0.02, abs=1e-5)
    assert healthy.closure_m == pytest.approx(0.0, abs=2e-6)
    assert healthy.reversal_m == pytest.approx(1.08e-5, abs=1e-6)
    assert healthy.faults == 0


def test_worn_nut(doser: Axis, look: Any) -> None:
    worn = look(doser, "worn-nut", 4.5e-5)
    assert worn.reversal_m == pytest.approx(4.5e-5, abs=2e-6)
    assert worn.closure_m == pytest.approx(0.0, abs=2e-6)


def test_slack_coupling(doser: Axis, look: Any) -> None:
    slack = look(doser, "slack-coupling", 0.01)
    assert slack.reversal_m == pytest.approx(2e-5 + 1.05e-5, abs=2e-6)
    assert slack.closure_m == pytest.approx(0.0, abs=2e-6)


def test_under_set_current(doser: Axis, look: Any) -> None:
    weak = look(doser, "under-set-current", 0.25)
    assert weak.current_a == pytest.approx(0.3, abs=0.02)


@pytest.mark.parametrize(("name", "size"), [("lost-winding", 0.0), ("under-set-current", 0.04)])
def test_defects_that_stop_the_axis_leave_the_claim(doser: Axis, look: Any, name: str, size: float) -> None:
    stopped = look(doser, name, size)
    assert stopped.claim_m == pytest.approx(0.02, abs=1e-9)
    assert abs(stopped.counted_m) < 1e-3
    assert abs(stopped.gauged_m) < 1e-3


def test_sticking_guide_widens_the_reversal_inside_its_zone(doser: Axis) -> None:
    """Closed form: by 2 F/k where the load turns inside the zone."""
    sticking = with_defect(preset("doser"), "sticking-guide", 100.0)
    zone = (sticking.load.sticky_from_m, sticking.load.sticky_to_m)
    assert zone[0] < 0.03 < zone[1]
    clock = VirtualClock()
    rig = Rig(doser, sticking, clock)
    drive = rig.drive()
    drive.set_speed(4000.0)
    drive.enable()
    places = []
    for target in (-1600, 0, 1600, 0):
        drive.start_move_to(target)
        clock.sleep(1.0)
        places.append(rig.truth().load_m)
    assert places[3] - places[1] == pytest.approx(1.08e-5 + 2 * 100.0 / 2e7, abs=3e-6)


def test_bent_screw_swings_once_a_turn(doser: Axis) -> None:
    clock = VirtualClock()
    rig = Rig(doser, with_defect(preset("doser"), "bent-screw", 1e-5), clock)
    drive = rig.drive()
    drive.set_speed(3200.0)
    drive.enable()
    drive.start_move_to(3200)
    clock.sleep(2.0)
    deviations = []
    for quarter in range(1, 5):
        drive.start_move_by(800)
        clock.sleep(1.0)
        deviations.append(rig.truth().nut_m - 0.03 - 2e-3 * (1 + quarter / 4))
    assert deviations[0] - deviations[2] == pytest.approx(2e-5, abs=1e-6)
    assert deviations[1] == pytest.approx(deviations[3], abs=2e-6)


def test_missed_edges_and_dirt(doser: Axis, look: Any) -> None:
    missing = look(doser, "missed-edges", 1e-3)
    assert missing.faults > 10
    assert abs(missing.counted_m - 0.02) > 1e-5
    assert missing.gauged_m == pytest.approx(0.02, abs=1e-5)
    assert look(doser, "dirty-encoder", 1e-3).faults > 5


@pytest.mark.parametrize(
    ("name", "size", "claim", "counted", "gauged"),
    [
        ("wrong-lead", 1e-3, 1.0, 1.0, 1.001),
        ("gauge-scale", 2e-3, 1.0, 1.0, 1.002),
        ("wrong-decoding", 2, 1.0, 0.5, 1.0),
    ],
)
def test_defects_of_scale(
    doser: Axis, look: Any, name: str, size: float, claim: float, counted: float, gauged: float
) -> None:
    scaled = look(doser, name, size)
    assert scaled.claim_m == pytest.approx(0.02 * claim, abs=1e-9)
    assert scaled.counted_m == pytest.approx(0.02 * counted, abs=2e-6)
    assert scaled.gauged_m == pytest.approx(0.02 * gauged, abs=8e-6)


def test_too_many_microsteps_halve_the_way(doser: Axis) -> None:
    fine = with_defect(preset("doser"), "wrong-microsteps", 32)
    halved = seen(doser, fine)
    assert halved.counted_m == pytest.approx(0.01, abs=2e-6)
    assert halved.gauged_m == pytest.approx(0.01, abs=1e-5)
    assert halved.claim_m == pytest.approx(0.02, abs=1e-9)


def test_end_stop_in_the_stroke_takes_steps(doser: Axis, look: Any) -> None:
    stopped = look(doser, "end-stop", 0.045)
    assert stopped.gauged_m < 0.0155
    assert stopped.claim_m == pytest.approx(0.02, abs=1e-9)
    assert abs(stopped.closure_m) > 1e-3


def test_play_in_the_gauge_adds_to_the_reversal(doser: Axis, look: Any) -> None:
    healthy, loose = look(doser, "", 0.0), look(doser, "gauge-play", 5e-6)
    # The gauge trails by half its play either way: the reversal that the nut shows is seen so much greater.
    assert loose.reversal_m - healthy.reversal_m == pytest.approx(5e-6, abs=1e-6)
    assert loose.closure_m == healthy.closure_m


def test_a_cold_gauge_drifts(doser: Axis, look: Any) -> None:
    """By 20 um (1 - exp(-t / 60 s)) over the eight seconds or so of four moves."""
    drift_m = look(doser, "gauge-drift", 2e-5).gauged_m - look(doser, "", 0.0).gauged_m
    assert 1e-6 < drift_m < 4e-6


def test_a_screw_that_warms_up_grows(doser: Axis) -> None:
    """Closed form: 11.5 ppm/K times 20 K times the 50 mm to its bearing, in the end."""
    clock = VirtualClock()
    rig = Rig(doser, with_defect(preset("doser"), "warm-screw", 20.0), clock)
    rig.drive().enable()
    clock.sleep(0.5)
    before_m = rig.truth().nut_m
    clock.sleep(1200.0)
    assert rig.truth().nut_m - before_m == pytest.approx(1.15e-5 * 20.0 * 0.05, rel=0.01)


def test_an_outrun_counter_loses_counts_and_a_weak_supply_steps(doser: Axis, look: Any) -> None:
    outrun = look(doser, "outrun-counter", 1.2e-4)
    assert outrun.counted_m < 0.0195
    assert outrun.gauged_m == pytest.approx(0.02, abs=1e-5)
    starved = look(doser, "weak-supply", 0.03)
    assert abs(starved.gauged_m) < 0.019
    assert starved.claim_m == pytest.approx(0.02, abs=1e-9)


def test_resonance_leaves_the_rotor_swinging(doser: Axis) -> None:
    rest_after_s = []
    for stand_in in (preset("doser"), with_defect(preset("doser"), "resonance", 1e-3)):
        clock = VirtualClock()
        rig = Rig(doser, stand_in, clock)
        drive = rig.drive()
        drive.set_speed(32_000.0)
        drive.enable()
        drive.start_move_by(1600)
        while drive.status().moving:
            pass
        stopped_s = clock.now()
        while not rig.truth().at_rest:
            clock.sleep(1e-3)
        rest_after_s.append(clock.now() - stopped_s)
    assert rest_after_s[1] > 4 * rest_after_s[0]


def test_weak_brake_lets_the_plate_fall(plate_lift: Axis) -> None:
    fallen = []
    for size in (2e-3, 0.5):
        clock = VirtualClock()
        rig = Rig(plate_lift, with_defect(preset("plate-lift"), "weak-brake", size), clock)
        clock.sleep(0.5)
        fallen.append(0.06 - rig.truth().load_m)
    assert fallen[0] > 1e-4
    assert abs(fallen[1]) < 1e-6


@pytest.mark.parametrize("name", sorted(DEFECTS))
def test_every_defect_s_example_is_an_axis(doser: Axis, name: str) -> None:
    defect = DEFECTS[name]
    bad = with_defect(preset("doser"), name, defect.example)
    check(doser, bad)
    assert bad != preset("doser")
    assert defect.title
    assert defect.size


def test_an_unknown_defect_is_told() -> None:
    with pytest.raises(BadInput, match="unknown defect") as error:
        with_defect(preset("doser"), "worn-nutt", 1.0)
    assert "did you mean 'worn-nut'" in str(error.value)
