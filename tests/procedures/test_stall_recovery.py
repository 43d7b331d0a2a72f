"""Stall recovery: by physics on the stand-in, and its arithmetic on readings made up here."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Decoding
from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription, Part
from stepwitness.bench.errors import UnprovokedStall
from stepwitness.devices.interfaces import DriveStatus
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Estimate
from stepwitness.plan.model import settings_from
from stepwitness.procedures.stall_recovery import PROCEDURE
from stepwitness.procedures.stall_recovery.declared import Settings, hunting_windows
from stepwitness.procedures.stall_recovery.evaluate import reversals
from stepwitness.procedures.stall_recovery.loop import loop_for
from stepwitness.procedures.stall_recovery.run import Unheard

STEP_M, COUNT_M = 1e-5, 1e-6
QUICK = Settings(stall_current_a=0.05, healthy_moves=1, provocations=1, hunting_time_s=0.2)
OPEN, CLOSED = Part("stand-in", {}), Part("stand-in", {"loop": "closed"})


class Ran:
    """A run, its estimates, and where the load truly was at each row of `seen` tables."""

    def __init__(
        self,
        rig: Any,
        kept: Any,
        settings: Settings,
        *,
        on_row: Callable[[Any, str, Mapping[str, Any]], None] = lambda _rig, _table, _row: None,
    ) -> None:
        self.rig, self.settings = rig, settings
        self.loads_m: dict[str, list[float]] = {}

        def seen(table: str, row: Mapping[str, Any]) -> None:
            if table not in ("watch", "motion"):
                self.loads_m.setdefault(table, []).append(rig.load_m())
            on_row(rig, table, row)

        self.journal = kept(seen)
        PROCEDURE.run(rig.bench, settings, self.journal)
        found = PROCEDURE.evaluate(self.journal, rig.bench.description, settings)
        self.found: dict[str, Estimate] = {estimate.name: estimate for estimate in found}
        assert sorted(self.found) == sorted(item.name for item in PROCEDURE.characteristics)

    def value(self, name: str) -> float:
        value = self.found[name].value
        assert value is not None, self.found[name].reason
        return value

    def rows(self, table: str, **wanted: Any) -> list[dict[str, Any]]:
        rows = self.journal.tables[table]
        return [row for row in rows if all(row[key] == value for key, value in wanted.items())]


# -- a healthy axis, the harness closing the loop ------------------------------------------------------------


@pytest.fixture(scope="module")
def healthy(rigged: Any, doser: BenchDescription, kept: Any) -> Ran:
    return Ran(rigged(doser, start_m=0.02), kept, QUICK)


def test_the_drive_claims_8_mm_and_nothing_moved(healthy: Ran) -> None:
    """The sentence that this procedure is for: drive, counter, gauge."""
    assert healthy.value("claim_error") == pytest.approx(8e-3, abs=1e-6)
    for row, out_m in zip(healthy.rows("claim"), (8e-3, -8e-3), strict=True):
        assert row["claim_m"] == pytest.approx(out_m, abs=1e-9)
        assert row["counted_m"] == pytest.approx(0.0, abs=1e-6)
        assert row["gauge_m"] == pytest.approx(0.0, abs=1e-6)
    before_m, after_m = healthy.loads_m["claim"]
    assert before_m == pytest.approx(after_m, abs=1e-7)
    for part in ("8.000", "0.000", "the encoder counted", "the gauge saw"):
        assert part in healthy.found["claim_error"].statement


def test_the_meter_sees_the_current_that_was_set(healthy: Ran) -> None:
    found = healthy.found["current_difference"]
    assert found.value == pytest.approx(0.0, abs=found.expanded_uncertainty)


def test_a_healthy_axis_passes_in_every_way(healthy: Ran) -> None:
    for name in ("missed_stalls", "false_alarms", "unrecovered", "fault_outputs_missing", "needless_corrections"):
        assert healthy.value(name) == 0, name
    assert healthy.value("attempts_needed") == 1
    assert healthy.value("hunting_reversals") == 0
    assert healthy.value("recovery_error") <= STEP_M
    assert {row["loop"] for row in healthy.journal.tables["standstill"]} == {"harness"}


@pytest.mark.parametrize(("speed", "window_m"), [(0.006, 2e-5), (0.006, 8e-5), (0.003, 2e-5)])
def test_detection_takes_what_physics_and_polling_ask(
    rigged: Any, doser: BenchDescription, kept: Any, speed: float, window_m: float
) -> None:
    """From window/speed up to that, the way the rotor coasts, and two rounds of polling.

    Coasting: 1/2 J w^2 against friction, all of which ends up as rotor travel (first principles).
    """
    settings = replace(QUICK, speed_m_per_s=speed, following_error_window_m=window_m)
    found = Ran(rigged(doser, start_m=0.02), kept, settings)
    rad_per_s = 2 * math.pi * speed / 0.002
    inertia = 5.7e-6 + 3.0e-7 + 0.8 * (0.002 / (2 * math.pi)) ** 2
    coast_m = 0.5 * inertia * rad_per_s**2 / 0.026 * 0.002 / (2 * math.pi)
    round_s = (
        1e-3 + 7 * 2e-4
    )  # a pause, and at most seven exchanges: status, claim, counts, claim, gauge, inputs, current
    least_s = window_m / speed
    latency_s = found.value("detection_latency")
    assert least_s < latency_s < least_s + coast_m / speed + 2 * round_s
    assert found.value("detection_travel") == pytest.approx(speed * latency_s, abs=speed * round_s)


def test_while_the_cause_lasts_the_attempts_fail_and_then_the_fault_reaction_brings_it_home(healthy: Ran) -> None:
    attempts = healthy.rows("attempts", scenario="persistent")
    assert [row["attempt"] for row in attempts] == [1, 2, 3]
    assert not any(row["reached"] for row in attempts)
    (reaction,) = healthy.rows("recoveries", scenario="persistent")
    assert reaction["output_on"]
    assert reaction["recovered"]
    transient, persistent = healthy.loads_m["recoveries"]
    target_m = reaction["target_m"]
    play_m = 1.5e-5
    (home,) = healthy.rows("attempts", scenario="fault reaction")
    assert home["reached"]
    assert persistent == pytest.approx(target_m, abs=STEP_M + play_m)
    assert transient == pytest.approx(target_m, abs=STEP_M + play_m)
    (before_transient,) = healthy.rows("recoveries", scenario="transient")
    assert not before_transient["output_on"], "the output is the fault reaction's, not the transient stall's"


def test_the_axis_was_displaced_and_brought_back(healthy: Ran) -> None:
    back = healthy.rows("standstill", scenario="return")
    assert back[0]["error_m"] == pytest.approx(3 * STEP_M, abs=2e-6)
    assert healthy.value("standstill_error") <= STEP_M
    assert 0 < healthy.value("standstill_return") < 0.1


@pytest.mark.parametrize(("part", "displaced_m"), [(Part("stand-in"), 3 * STEP_M), (CLOSED, 4 * STEP_M)])
def test_standstill_by_truth(rigged: Any, doser: BenchDescription, kept: Any, part: Part, displaced_m: float) -> None:
    """Without play: the rotor truly leaves the target, by an electrical period where only a slip displaces it, and
    truly comes back."""
    rig = rigged(replace(doser, drive=part), start_m=0.02, screw={"backlash_m": 0.0})
    motion.prepare(rig.bench, speed_m_per_s=0.006)
    motion.move_to(rig.bench, 0.03, motion.Watch(None), speed_m_per_s=0.006)
    rig.clock.sleep(0.3)
    target_m, rotor_m = 0.03, lambda: rig.rig.truth().rotor_turns * 0.002
    there_m = rotor_m()
    loop = loop_for(rig.bench, QUICK, kept(), 0.006)
    with loop.armed(), loop.displaced(target_m, 3 * STEP_M):
        assert there_m - rotor_m() == pytest.approx(displaced_m, abs=2e-6)
        loop.hold(target_m, window_m=STEP_M, for_s=2.0, until_inside=True, scenario="return")
        assert rotor_m() == pytest.approx(there_m, abs=2e-6)


def test_left_alone_inside_its_window_it_isnt_corrected(healthy: Ran) -> None:
    alone = healthy.rows("standstill", scenario="left alone")
    assert len(alone) > 10
    assert all(2e-6 < abs(row["error_m"]) <= STEP_M for row in alone), "it was never displaced"
    assert all(row["correction_m"] == 0.0 for row in alone)


def test_a_window_finer_than_a_count_hunts(healthy: Ran) -> None:
    """The target lies between two counts, so no error below half a count can be seen to be gone."""
    assert COUNT_M / 2 < healthy.value("least_window") <= 2 * COUNT_M
    finest_m = min(row["window_m"] for row in healthy.journal.tables["standstill"])
    assert reversals(healthy.rows("standstill", scenario="hunting", window_m=finest_m)) > 3


def test_it_hands_the_drive_back_believing_what_was_counted(healthy: Ran) -> None:
    sweep = healthy.rig.bench.sweep()
    assert sweep.claim_m == pytest.approx(sweep.counted_m, abs=COUNT_M)
    assert not healthy.rig.bench.drive.status().moving


# -- other axes ----------------------------------------------------------------------------------------------


def test_a_coarse_encoder_hunts_at_the_plans_own_window(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    """50 lines at X1 count 40 µm: between two counts the axis shuttles from edge to edge at a window of 10 µm."""
    assert doser.axis.encoder is not None
    coarse = replace(
        doser,
        axis=replace(doser.axis, encoder=replace(doser.axis.encoder, lines=Fraction(50), decoding=Decoding.X1)),
    )
    ran = Ran(rigged(coarse, start_m=0.02), kept, replace(QUICK, displacement_m=2e-4))
    assert ran.value("hunting_reversals") > 3
    rows, loads_m = ran.journal.tables["standstill"], ran.loads_m["standstill"]
    shuttling = [
        load
        for row, load in zip(rows, loads_m, strict=True)
        if row["scenario"] == "hunting" and row["window_m"] == pytest.approx(STEP_M)
    ]
    assert max(shuttling) - min(shuttling) > 5e-6, "the load itself never moved"
    for name in ("detection_latency", "detection_travel", "missed_stalls"):
        assert ran.found[name].value is None
        assert "an encoder with more lines" in ran.found[name].reason
    assert ran.value("false_alarms") == 0


def test_too_fast_to_tell_a_stall_from_health(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    settings = replace(QUICK, speed_m_per_s=0.03)
    (warning,) = PROCEDURE.check(doser, settings).warnings
    assert warning.startswith("detection in motion is not observable")
    ran = Ran(rigged(doser, start_m=0.02), kept, settings)
    assert ran.rows("detections") == []
    for name in ("detection_latency", "missed_stalls", "unrecovered", "attempts_needed"):
        assert ran.found[name].value is None
        assert "lower the speed" in ran.found[name].reason
    assert ran.value("claim_error") == pytest.approx(8e-3, abs=1e-6)
    assert ran.value("standstill_error") <= STEP_M


def test_an_absurdly_small_window_alarms_falsely_and_goes_on(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    """The lag of any axis in motion is more than a hundredth of a step."""
    ran = Ran(rigged(doser, start_m=0.02), kept, replace(QUICK, following_error_window_m=1e-7, healthy_moves=2))
    assert ran.value("false_alarms") == 4, "one alarm ends each of two moves out and back"
    assert "4 alarms" in ran.found["false_alarms"].statement
    (warning,) = PROCEDURE.check(doser, ran.settings).warnings
    assert "may alarm falsely" in warning


def test_a_window_that_is_too_wide_is_told(doser: BenchDescription) -> None:
    (warning,) = PROCEDURE.check(doser, replace(QUICK, following_error_window_m=5e-5)).warnings
    assert "may miss a slip of four steps" in warning


def test_without_a_counter_the_gauge_tells_the_claim_and_nobody_the_rest(
    rigged: Any, doser: BenchDescription, kept: Any
) -> None:
    bare = replace(doser, counter=None, axis=replace(doser.axis, encoder=None))
    assert any("no encoder counter" in text for text in PROCEDURE.check(bare, QUICK).warnings)
    ran = Ran(rigged(bare, start_m=0.02), kept, QUICK)
    assert ran.value("claim_error") == pytest.approx(8e-3, abs=1e-6)
    observed = {name for name, estimate in ran.found.items() if estimate.value is not None}
    assert observed == {"claim_error", "current_difference"}
    assert "no encoder counter" in ran.found["missed_stalls"].reason


def test_without_any_witness_nothing_testifies(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    bare = replace(doser, counter=None, gauge=None, meter=None, axis=replace(doser.axis, encoder=None))
    ran = Ran(rigged(bare, start_m=0.02), kept, QUICK)
    assert {estimate.value for estimate in ran.found.values()} == {None}
    assert "nothing testifies beside the drive's own claim" in ran.found["claim_error"].reason


def test_a_drive_that_gives_less_current_than_it_was_told(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    ran = Ran(rigged(doser, start_m=0.02, motor={"current_scale": 0.8}), kept, QUICK)
    found = ran.found["current_difference"]
    assert found.value == pytest.approx(-0.2, abs=found.expanded_uncertainty)


def test_a_starved_motor_that_still_turns_claims_no_error(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    """A stall current that is no stall current: everything follows, and the stalls that never were are missed."""
    ran = Ran(rigged(doser, start_m=0.02), kept, replace(QUICK, stall_current_a=0.6))
    assert ran.value("claim_error") <= 2 * STEP_M
    assert ran.value("missed_stalls") == 2
    assert ran.found["detection_latency"].value is None
    assert "no provoked stall was detected" in ran.found["detection_latency"].reason


def test_a_load_that_rests_on_its_stop(rigged: Any, lift: BenchDescription, kept: Any) -> None:
    """Back-driving: starved only against the stop, and never dropped."""
    settings = replace(QUICK, stall_current_a=0.15)
    lowest_m = [math.inf]

    def watch(rig: Any, table: str, _row: Mapping[str, Any]) -> None:
        if table in ("motion", "standstill", "watch"):
            lowest_m[0] = min(lowest_m[0], rig.load_m())

    ran = Ran(rigged(lift, start_m=0.004), kept, settings, on_row=watch)
    assert lowest_m[0] > -1e-4, "the stop at 0 mm held it"
    assert ran.value("claim_error") > 7.9e-3
    for name in ("missed_stalls", "false_alarms", "unrecovered", "fault_outputs_missing", "hunting_reversals"):
        assert ran.value(name) == 0, name
    assert ran.value("standstill_error") <= float(lift.axis.step_travel)
    aloft = [load for row, load in zip(ran.rows("standstill"), ran.loads_m["standstill"], strict=True) if row]
    assert min(aloft) > 3e-3, "displaced off the stop"


# -- a hand ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("description", ["open", "closed"])
@pytest.mark.parametrize("table", ["watch", "attempts"])
def test_a_hand_in_a_healthy_move_ends_the_run(
    rigged: Any, doser: BenchDescription, kept: Any, description: str, table: str
) -> None:
    """In the watched moves, and on the way of the second provocation before anything was provoked."""
    bench = doser if description == "open" else replace(doser, drive=CLOSED)
    rig = rigged(bench, start_m=0.02)
    pushed: list[float] = []

    def push() -> None:
        pushed.append(rig.load_m())
        rig.rig.push(-2000.0)

    def on_row(_rig: Any, written: str, row: Mapping[str, Any]) -> None:
        if pushed or written != table:
            return
        if table == "watch" and row["claim_m"] > 0.028:
            push()
        if table == "attempts":  # the next move upwards is the one in which the persistent stall is to come
            rig.clock.once(lambda: rig.load_m() < 0.0265, lambda: rig.once_beyond(0.0268, push))

    with pytest.raises(UnprovokedStall):
        Ran(rig, kept, QUICK, on_row=on_row)
    assert pushed
    assert rig.stays_put()
    assert rig.load_m() < pushed[0] + 1e-3


def test_a_hand_passes_no_wider_window(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    """The plan's window lets a stall pass without an alarm; where the axis then stands doesn't."""

    def on_row(rig: Any, table: str, row: Mapping[str, Any]) -> None:
        if table == "watch" and row["claim_m"] > 0.0339:
            rig.rig.push(-2000.0)

    with pytest.raises(UnprovokedStall):
        Ran(rigged(doser, start_m=0.02), kept, replace(QUICK, following_error_window_m=5e-3), on_row=on_row)


def test_a_hand_that_only_leans_on_the_load_changes_no_verdict(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    def on_row(rig: Any, table: str, _row: Mapping[str, Any]) -> None:
        if table == "watch":
            rig.rig.push(-40.0)

    ran = Ran(rigged(doser, start_m=0.02), kept, QUICK, on_row=on_row)
    for name in ("missed_stalls", "false_alarms", "unrecovered", "hunting_reversals"):
        assert ran.value(name) == 0, name


# -- a drive that closes the loop itself ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def closed(rigged: Any, doser: BenchDescription, kept: Any) -> Ran:
    return Ran(rigged(replace(doser, drive=CLOSED), start_m=0.02), kept, QUICK)


def test_the_rows_say_that_the_drive_closed_the_loop(closed: Ran) -> None:
    for table in ("detections", "attempts", "recoveries", "standstill"):
        assert {row["loop"] for row in closed.journal.tables[table]} == {"drive"}, table
    assert "noticed by the drive" in closed.found["missed_stalls"].statement


def test_a_healthy_closed_loop_axis_passes_in_every_way(closed: Ran) -> None:
    for name in ("missed_stalls", "false_alarms", "unrecovered", "fault_outputs_missing", "needless_corrections"):
        assert closed.value(name) == 0, name
    assert closed.value("attempts_needed") == 1
    assert closed.value("hunting_reversals") == 0
    assert closed.value("standstill_error") <= STEP_M
    assert closed.value("claim_error") <= STEP_M, "it claims what it counted: nothing"


def test_the_drives_own_detection_is_as_fast_as_physics_lets_it(closed: Ran) -> None:
    speed = 0.006
    assert 2 * STEP_M / speed < closed.value("detection_latency") < 0.012
    assert closed.value("detection_travel") > 2 * STEP_M


def test_it_was_displaced_by_a_slip_and_came_back_by_its_own_correction(closed: Ran) -> None:
    back = closed.rows("standstill", scenario="return")
    assert back[0]["error_m"] == pytest.approx(4 * STEP_M, abs=2e-6), "one electrical period"
    assert [row["correction_m"] for row in back if row["correction_m"]] == [pytest.approx(4 * STEP_M, abs=2e-6)]
    rows, loads_m = closed.journal.tables["standstill"], closed.loads_m["standstill"]
    there_m = [load for row, load in zip(rows, loads_m, strict=True) if row["scenario"] == "return"]
    assert there_m[-1] - there_m[0] == pytest.approx(4 * STEP_M, abs=1.2e-5)
    assert back[-1]["rested"]


def test_a_displacement_inside_the_window_is_left_to_itself(closed: Ran) -> None:
    alone = closed.rows("standstill", scenario="left alone")
    assert all(abs(row["error_m"]) == pytest.approx(STEP_M / 2, abs=1.5e-6) for row in alone)
    assert all(row["correction_m"] == 0.0 for row in alone)


def test_its_loop_is_off_afterwards(closed: Ran) -> None:
    """A slip after the run is nobody's to correct any more."""
    rig = closed.rig
    status = rig.bench.loop.loop_status()
    assert not status.alarm
    rig.rig.shaft_torque(-1.0)
    rig.clock.sleep(0.005)
    rig.rig.shaft_torque(0.0)
    rig.clock.sleep(0.2)
    assert abs(rig.bench.loop.loop_status().following_error) > 4 * 16 - 8
    assert rig.stays_put()
    assert not rig.bench.loop.loop_status().alarm


def test_its_loop_is_off_after_an_abort_too(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    rig = rigged(replace(doser, drive=CLOSED), start_m=0.02)

    turns: list[float] = []

    def on_row(_rig: Any, table: str, _row: Mapping[str, Any]) -> None:
        if table == "standstill":
            turns.append(rig.rig.truth().rotor_turns)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Ran(rig, kept, QUICK, on_row=on_row)
    assert rig.stays_put()
    gone_steps = (rig.rig.truth().rotor_turns - turns[0]) * 200
    assert abs(gone_steps) < 0.5, "the drive went on correcting the four steps of its displacement"


@pytest.mark.parametrize("table", ["detections", "attempts", "recoveries", "standstill"])
def test_a_drive_that_starts_anew_is_not_judged(rigged: Any, doser: BenchDescription, kept: Any, table: str) -> None:
    """It has lost its windows and its zero, and would be found to miss stalls or not to come back."""
    begun: list[str] = []

    def on_row(rig: Any, written: str, _row: Mapping[str, Any]) -> None:
        if written == table and not begun:
            begun.append(written)
            rig.rig.drive().reboot(enabled=True)

    with pytest.raises(UnprovokedStall, match=r"the drive claims -?0\.0"):
        Ran(rigged(replace(doser, drive=CLOSED), start_m=0.02), kept, QUICK, on_row=on_row)
    assert begun


def test_no_instant_at_which_it_stops_watching_makes_a_fault(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    """Its corrections hunt, and are interrupted a millisecond later each time, over a wire that is slower than a
    correction takes to begin.
    """
    rig = rigged(replace(doser, drive=CLOSED), start_m=0.02, exchange_s=0.012)
    bench, at_m = rig.bench, 0.02 + COUNT_M / 2
    motion.prepare(bench, speed_m_per_s=0.006)
    loop = loop_for(bench, QUICK, kept(), 0.006)
    with loop.armed():
        for instant in range(45):
            loop.aim(at_m)
            for_s = 0.06 + 0.001 * instant
            loop.hold(at_m, window_m=COUNT_M / 8, for_s=for_s, until_inside=False, scenario="hunting")
            assert bench.drive.status().fault == "", f"after {for_s:.3f} s"


def test_an_axis_that_it_leaves_in_fault_is_enabled_again(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    """As a reset leaves a drive disabled, which then takes no position (IEC 61800-7-201, transition 15)."""
    rig = rigged(replace(doser, drive=CLOSED), start_m=0.02)
    bench, loop = rig.bench, loop_for(rig.bench, QUICK, kept(), 0.006)
    motion.prepare(bench, speed_m_per_s=0.006)
    reset = bench.loop.clear_alarm

    def leaves_it_disabled() -> None:
        if bench.drive.status().fault:
            bench.drive.disable()
        reset()

    bench.loop.clear_alarm = leaves_it_disabled
    with loop.armed():
        bench.drive.set_run_current(QUICK.stall_current_a)
        bench.drive.start_move_by(4000)
        motion.wait_for_rest(bench)
        assert bench.drive.status().fault == "following error"
    assert bench.drive.status() == DriveStatus(enabled=True, moving=False, fault="")


def test_a_closed_loop_load_that_would_fall_isnt_displaced(rigged: Any, lift: BenchDescription, kept: Any) -> None:
    settings = replace(QUICK, stall_current_a=0.15)
    ran = Ran(rigged(replace(lift, drive=CLOSED), start_m=0.004), kept, settings)
    assert ran.value("unrecovered") == 0
    for name in ("standstill_error", "hunting_reversals", "least_window"):
        assert ran.found[name].value is None
        assert "this axis' load doesn't allow" in ran.found[name].reason


# -- a host that is busy elsewhere ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("part", "scenario", "sweeps"),
    [
        *((OPEN, "transient 1", sweeps) for sweeps in (0, 72, 108, 144)),
        (OPEN, "persistent 2", 108),
        *((CLOSED, "transient 1", sweeps) for sweeps in (36, 108)),
        (CLOSED, "persistent 2", 72),
    ],
)
def test_a_stall_that_nobody_listened_to_is_provoked_again(
    rigged: Any, doser: BenchDescription, kept: Any, part: Part, scenario: str, sweeps: int
) -> None:
    """The host's gap comes a number of sweeps into the move: before, at and after the onset of the stall."""
    came = itertools.count()

    def on_row(rig: Any, table: str, row: Mapping[str, Any]) -> None:
        if table == "motion" and row["phase"] == scenario and next(came) == sweeps:
            rig.clock.sleep(0.3)

    ran = Ran(rigged(replace(doser, drive=part), start_m=0.02), kept, QUICK, on_row=on_row)
    again = [row for row in ran.rows("events") if row["event"] == "provoked again"]
    assert len(again) == (next(came) > sweeps)
    assert len(ran.rows("detections")) == 2
    for name in ("missed_stalls", "false_alarms", "unrecovered", "fault_outputs_missing"):
        assert ran.value(name) == 0, name


def test_a_host_that_never_listens_ends_the_run(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    rig = rigged(doser, start_m=0.02)

    def on_row(_rig: Any, table: str, row: Mapping[str, Any]) -> None:
        if table == "motion" and row["phase"] == "transient 1":
            rig.clock.sleep(0.3)

    with pytest.raises(Unheard, match=r"weren't heard for 0\.30 s"):
        Ran(rig, kept, QUICK, on_row=on_row)


# -- what is refused ------------------------------------------------------------------------------------------


def test_refuses_to_drop_a_load(lift: BenchDescription) -> None:
    with pytest.raises(BadInput, match="only where the bench file declares the load 'blocked'"):
        PROCEDURE.check(replace(lift, blocked=None), QUICK)
    assert "against the stop" in PROCEDURE.check(lift, replace(QUICK, stall_current_a=0.15)).phrase


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"stall_current_a": 1.2}, "found 1.2 A; allowed: less than 1.2 A"),
        ({"distance_m": 0.0194}, "fit the envelope three times .* allowed: at most 19.3"),
        ({"speed_m_per_s": 0.031}, "found 31 mm/s; allowed: at most 30 mm/s"),
        ({"displacement_m": 1e-5}, "doesn't leave the position window; found 10 µm; allowed: more than 10 µm"),
        ({"position_window_m": 4e-5}, "doesn't leave the position window"),
    ],
)
def test_refuses_settings_that_cant_be_run(doser: BenchDescription, changes: dict[str, float], said: str) -> None:
    with pytest.raises(BadInput, match=said):
        PROCEDURE.check(doser, replace(QUICK, **changes))


def test_refuses_to_push_harder_than_the_stop_may_take(lift: BenchDescription) -> None:
    with pytest.raises(BadInput, match=r"at most 0\.3 A \(blocked\.push_current\)"):
        PROCEDURE.check(lift, replace(QUICK, stall_current_a=0.4))


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("following_error_window", "-1 step"),
        ("healthy_moves", "0"),
        ("provocations", "0"),
        ("attempts", "0"),
        ("speed", "-1 mm/s"),
        ("position_window", "-1 step"),
        ("displacement", "-3 steps"),
        ("return_time", "0 s"),
        ("stall_current", "-1 A"),
    ],
)
def test_refuses_settings_out_of_bounds(doser: BenchDescription, key: str, text: str) -> None:
    given_settings = {"stall_current": "0.05 A", key: text}
    with pytest.raises(BadInput, match=key):
        settings_from(PROCEDURE, given_settings, doser.axis, Place("x.plan.yaml", 3))


def test_the_forecast_covers_what_it_takes(healthy: Ran, doser: BenchDescription) -> None:
    forecast = PROCEDURE.check(doser, QUICK)
    rows = [*healthy.rows("watch"), *(row for row in healthy.rows("motion") if row["phase"] != "approach")]
    claims_m = [row["claim_m"] for row in rows]
    assert forecast.lowest_m - STEP_M <= min(claims_m)
    assert max(claims_m) <= forecast.highest_m + STEP_M


# -- the arithmetic alone -------------------------------------------------------------------------------------


def look(correction_m: float = 0.0, *, rested: bool = False) -> dict[str, Any]:
    return {"correction_m": correction_m, "rested": rested}


@pytest.mark.parametrize(
    ("looks", "expected"),
    [
        ([], 0),
        ([look(), look()], 0),
        ([look(1.0), look(-1.0), look(1.0)], 2),
        ([look(1.0), look(2.0), look(1.0)], 0),
        ([look(1.0), look(), look(), look(-1.0)], 1),
        ([look(1.0), look(rested=True), look(-1.0)], 0),
        ([look(1.0), look(rested=True), look(-1.0), look(1.0)], 1),
    ],
)
def test_a_reversal_is_a_change_of_sign_without_rest(looks: list[dict[str, Any]], expected: int) -> None:
    assert reversals(looks) == expected


@given(st.lists(st.floats(-1, 1).filter(lambda value: abs(value) > 1e-9)))
def test_reversals_count_the_runs_of_one_sign(corrections: list[float]) -> None:
    signs = [correction > 0 for correction in corrections]
    expected = sum(a != b for a, b in itertools.pairwise(signs))
    assert reversals([look(correction) for correction in corrections]) == expected


@pytest.fixture
def synthetic(kept: Any, doser: BenchDescription) -> Any:
    """A run of two transient stalls and one persistent, and a quiet standstill."""
    journal = kept()
    for leg, sign in (("out", 1), ("back", -1)):
        journal.write("claim", {"leg": leg, "claim_m": 8e-3 * sign, "counted_m": 0.0, "gauge_m": 1e-7})
    for metered_a in (0.59, 0.6, 0.61):
        journal.write("currents", {"t_s": 0.0, "set_a": 0.6, "metered_a": metered_a})
    for move in range(2):
        journal.write("watch", {"move": move, "alarm": False, "claim_m": 0.03, "counted_m": 0.03 - 1e-6 * move})
    for index, (scenario, onset_s, detected_s) in enumerate(
        [("transient", 1.0, 1.005), ("transient", 2.0, 2.009), ("persistent", 3.0, 3.004)]
    ):
        detection = {
            "index": index,
            "scenario": scenario,
            "loop": "harness",
            "detected": True,
            "onset_s": onset_s,
            "starved_s": onset_s + 0.0004,
            "detected_s": detected_s,
            "detected_skew_s": 0.0002,
            "commanded_since_m": 3e-5 + index * 1e-5,
        }
        journal.write("detections", detection)
        for attempt in (1, 2) if scenario == "transient" else (1, 2, 3):
            reached = scenario == "transient" and attempt == index + 1
            journal.write("attempts", {"index": index, "scenario": scenario, "attempt": attempt, "reached": reached})
            if reached:
                break
        journal.write(
            "recoveries",
            {
                "index": index,
                "scenario": scenario,
                "target_m": 0.03,
                "counted_m": 0.03 - 2e-6 * index,
                "gauge_m": 0.03,
                "output_on": scenario == "persistent",
                "recovered": True,
            },
        )
    for t_s, error_m, correction_m, rested in (
        (0.0, 3e-5, 3e-5, False),
        (0.02, 1e-6, 0.0, False),
        (0.08, 1e-6, 0.0, True),
    ):
        stand(journal, "return", STEP_M, t_s=t_s, error_m=error_m, correction_m=correction_m, rested=rested)
    stand(journal, "left alone", STEP_M, error_m=5e-6)
    for window_m in hunting_windows(doser, QUICK):
        stand(journal, "hunting", window_m)
    return journal


def stand(journal: Any, scenario: str, window_m: float, **columns: Any) -> None:
    row = {"scenario": scenario, "loop": "harness", "window_m": window_m, "t_s": 0.0, "error_m": 0.0}
    journal.write("standstill", {**row, "correction_m": 0.0, "rested": True, **columns})


def test_latency_is_the_longest_that_the_stamps_allow(synthetic: Any, doser: BenchDescription, estimated: Any) -> None:
    """The slowest stall, 9 ms and half an exchange; half of each exchange's interval in its uncertainty."""
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    latency = found["detection_latency"]
    assert latency.value == pytest.approx(0.0092)
    assert latency.standard_uncertainty == pytest.approx(math.hypot(0.0004 / math.sqrt(12), 0.0002 / math.sqrt(3)))
    assert found["detection_travel"].value == pytest.approx(5e-5)


def test_attempts_are_the_most_that_a_transient_stall_took(
    synthetic: Any, doser: BenchDescription, estimated: Any
) -> None:
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["attempts_needed"].value == 2
    for row in synthetic.tables["attempts"]:
        row["reached"] = False
    assert estimated(PROCEDURE, synthetic, doser, QUICK)["attempts_needed"].value == QUICK.attempts + 1


def test_a_stall_that_nobody_noticed(synthetic: Any, doser: BenchDescription, estimated: Any) -> None:
    synthetic.tables["detections"][1]["detected"] = False
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["missed_stalls"].value == 1
    assert found["detection_latency"].value == pytest.approx(0.0052)
    for row in synthetic.tables["detections"]:
        row["detected"] = False
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["missed_stalls"].value == 3
    assert found["detection_latency"].value is None


def test_recovery_by_the_worst_of_them(synthetic: Any, doser: BenchDescription, estimated: Any) -> None:
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["recovery_error"].value == pytest.approx(4e-6)
    assert found["unrecovered"].value == 0
    assert found["fault_outputs_missing"].value == 0
    synthetic.tables["recoveries"][0]["recovered"] = False
    synthetic.tables["recoveries"][2]["output_on"] = False
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["unrecovered"].value == 1
    assert found["fault_outputs_missing"].value == 1


def test_current_by_the_mean_and_its_scatter(synthetic: Any, doser: BenchDescription, estimated: Any) -> None:
    """0.59, 0.60, 0.61 A: a standard deviation of 10 mA over the root of 3, and U/k = 2.5 mA of the certificate."""
    found = estimated(PROCEDURE, synthetic, doser, QUICK)["current_difference"]
    assert found.value == pytest.approx(0.0, abs=1e-12)
    assert found.standard_uncertainty == pytest.approx(math.hypot(0.01 / math.sqrt(3), 0.0025) / 0.6)


def test_false_alarms_are_counted(synthetic: Any, doser: BenchDescription, estimated: Any) -> None:
    assert estimated(PROCEDURE, synthetic, doser, QUICK)["false_alarms"].value == 0
    synthetic.tables["watch"][1]["alarm"] = True
    found = estimated(PROCEDURE, synthetic, doser, QUICK)["false_alarms"]
    assert found.value == 1
    assert "over 2 healthy moves" in found.statement


def test_return_time_is_the_first_look_of_the_last_stretch_inside(
    synthetic: Any, doser: BenchDescription, estimated: Any
) -> None:
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["standstill_return"].value == pytest.approx(0.02)
    assert found["standstill_error"].value == pytest.approx(1e-6)


@pytest.mark.parametrize("rested", [False, True])
def test_an_axis_that_didnt_return_took_at_least_as_long_as_it_had(
    synthetic: Any, doser: BenchDescription, estimated: Any, rested: bool
) -> None:
    """Inside at the last look without having rested there, or at rest but outside by the witness."""
    synthetic.tables["standstill"][2].update(t_s=2.003, rested=rested, error_m=1.2e-5 if rested else 1e-6)
    found = estimated(PROCEDURE, synthetic, doser, QUICK)["standstill_return"]
    assert found.value == 2.003
    assert "had not returned to rest after 2 s" in found.statement


def test_the_least_window_is_the_last_before_the_first_that_hunted(
    synthetic: Any, doser: BenchDescription, estimated: Any
) -> None:
    """Going down: one that hunts ends the search, even where a finer one happened to stay quiet."""
    windows_m = hunting_windows(doser, QUICK)
    assert list(windows_m) == sorted(windows_m, reverse=True)
    assert STEP_M in windows_m
    assert estimated(PROCEDURE, synthetic, doser, QUICK)["least_window"].value == pytest.approx(windows_m[-1])
    for correction_m in (1e-6, -1e-6):
        stand(synthetic, "hunting", windows_m[3], correction_m=correction_m, rested=False)
    synthetic.tables["standstill"].sort(key=lambda row: (row["scenario"] == "hunting", -row["window_m"]))
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["least_window"].value == pytest.approx(windows_m[2])
    assert found["hunting_reversals"].value == 0, "the plan's own window held"
    for window_m in windows_m[:3]:
        for correction_m in (1e-6, -1e-6):
            stand(synthetic, "hunting", window_m, correction_m=correction_m, rested=False)
    synthetic.tables["standstill"].sort(key=lambda row: (row["scenario"] == "hunting", -row["window_m"]))
    found = estimated(PROCEDURE, synthetic, doser, QUICK)
    assert found["least_window"].value is None
    assert found["hunting_reversals"].value == 1


@pytest.mark.parametrize(("correction_m", "needless"), [(5e-6, 1), (-5e-6, 1), (1.1e-5, 0), (0.0, 0)])
def test_a_correction_inside_the_window_is_needless(
    synthetic: Any, doser: BenchDescription, estimated: Any, correction_m: float, needless: int
) -> None:
    (row,) = (row for row in synthetic.tables["standstill"] if row["scenario"] == "left alone")
    row["correction_m"] = correction_m
    assert estimated(PROCEDURE, synthetic, doser, QUICK)["needless_corrections"].value == needless


def test_windows_of_a_bench_without_a_counter(doser: BenchDescription) -> None:
    bare = replace(doser, counter=None, axis=replace(doser.axis, encoder=None))
    assert hunting_windows(bare, QUICK) == ()
    assert motion.default_window_m(bare) == pytest.approx(2 * STEP_M)
