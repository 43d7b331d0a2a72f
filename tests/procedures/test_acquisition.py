"""Every way out of a procedure leaves the axis safe and its journal ended, and the readings say the same for ever."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench import motion
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import Aborted, EnvelopeError, SafeStateError, StopCircuitOpen
from stepwitness.devices.errors import LinkLost, OutOfRange
from stepwitness.devices.exchange_log import LOG_SIZE, ExchangeLog
from stepwitness.procedures import backlash, repeatability, stall_recovery
from stepwitness.procedures.acquisition import EXCHANGES, INCOMPLETE, acquire
from stepwitness.procedures.common import witnesses
from stepwitness.procedures.procedure import Procedure
from stepwitness.records.journal import JournalReadings, JournalWriter, Missing


@dataclass(frozen=True)
class Planned:
    procedure: Procedure
    settings: Any


def running(run: Callable[[Any], None]) -> Planned:
    """A procedure that does only this."""
    return Planned(replace(repeatability.PROCEDURE, run=lambda bench, _settings, _journal: run(bench)), None)


def travelling(speed_m_per_s: float = 0.02) -> Planned:
    """A procedure that travels up to 50 mm."""

    def run(bench: Any) -> None:
        motion.prepare(bench, speed_m_per_s=speed_m_per_s)
        watch = motion.healthy_watch(bench, speed_m_per_s=speed_m_per_s)
        motion.move_to(bench, 0.05, watch, speed_m_per_s=speed_m_per_s)

    return running(run)


def test_a_run_that_ends_in_order(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    rig, journal = rigged(doser, start_m=0.01), kept()
    acquire(rig.bench, travelling(), journal)
    assert (journal.outcome, journal.cause) == ("done", "")
    assert rig.load_m() == pytest.approx(0.05, abs=2e-5)
    assert rig.bench.stopped == ""


def test_an_overrange_ends_the_procedure_and_the_reading_that_is_missing_keeps_its_reason(
    rigged: Any, doser: BenchDescription, tmp_path: Path
) -> None:
    def run(bench: Any, _settings: Any, journal: Any) -> None:
        motion.prepare(bench, speed_m_per_s=0.01)
        bench.gauge.travel_m = lambda: (_ for _ in ()).throw(OutOfRange("gauge reports overrange"))
        journal.write("stops", witnesses(bench.sweep()))

    rig = rigged(doser, start_m=0.01)
    writer = JournalWriter(tmp_path / "a.journal.jsonl", {})
    acquire(rig.bench, Planned(replace(repeatability.PROCEDURE, run=run), None), writer)
    readings = JournalReadings(writer.path)
    (row,) = readings.rows(INCOMPLETE, reasons=True)

    assert (readings.outcome, readings.cause) == ("aborted", "gauge reports overrange")
    assert readings.tables == (INCOMPLETE,)
    assert row["gauge_m"] == Missing("gauge reports overrange")
    assert row["counted_m"] == pytest.approx(row["claim_m"], abs=1e-4)
    assert next(readings.rows(INCOMPLETE))["gauge_m"] is None
    assert rig.stays_put()


def test_what_was_last_said_to_the_parts_is_kept_where_a_run_is_aborted(
    rigged: Any, doser: BenchDescription, tmp_path: Path
) -> None:
    def run(bench: Any) -> None:
        log = bench._parts["drive"].log
        for number in range(LOG_SIZE + 5):
            log.note(
                f"status? {number}", "enabled resting", asked_s=float(number), ended_s=number + 0.25, answered=True
            )
        log.note("login password=hunter2", "", asked_s=900.0, ended_s=901.0, answered=False)
        raise LinkLost("the port is gone")

    for fails in (True, False):
        rig = rigged(doser, start_m=0.01)
        rig.bench._parts["drive"].log = ExchangeLog()
        writer = JournalWriter(tmp_path / f"{fails}.journal.jsonl", {})
        acquire(rig.bench, running(run) if fails else travelling(), writer)
        rows = list(JournalReadings(writer.path).rows(EXCHANGES))
        if not fails:
            assert rows == []
            continue
        assert len(rows) == LOG_SIZE
        assert rows[-2] == {
            "part": "drive",
            "asked_s": LOG_SIZE + 4.0,
            "took_s": 0.25,
            "sent": f"status? {LOG_SIZE + 4}",
            "heard": "enabled resting",
            "answered": True,
        }
        assert (rows[-1]["heard"], rows[-1]["answered"]) == ("", False)
        assert "hunter2" not in writer.path.read_text(encoding="utf-8")


EXITS = [
    (EnvelopeError("a move leaves the envelope"), "a move leaves the envelope", False, False),
    (LinkLost("the port is gone"), "the port is gone", False, False),
    (ZeroDivisionError("division by zero"), "ZeroDivisionError: division by zero", False, False),
    (Aborted("a hand"), "a hand", True, False),
    (StopCircuitOpen("the stop circuit opened"), "the stop circuit opened", True, False),
    (SafeStateError("the brake doesn't hold"), "the brake doesn't hold", True, False),
    (KeyboardInterrupt(), "interrupted by the operator", False, True),
    (SystemExit(3), "SystemExit: 3", False, True),
    (GeneratorExit(), "GeneratorExit: ", False, True),
]


@pytest.mark.parametrize(("error", "cause", "stops", "raised"), EXITS, ids=lambda value: type(value).__name__)
def test_every_exit_ends_the_journal_and_brings_the_safe_state(
    rigged: Any, lift: BenchDescription, kept: Any, error: BaseException, cause: str, stops: bool, raised: bool
) -> None:
    """In the middle of a move upwards: the load ends braked, de-energised, and where it was."""
    rig, journal = rigged(lift, start_m=0.004), kept()

    def fail() -> None:
        raise error

    rig.once_beyond(0.008, fail)
    if raised:
        with pytest.raises(type(error)):
            acquire(rig.bench, travelling(), journal)
    else:
        acquire(rig.bench, travelling(), journal)
    assert (journal.outcome, journal.cause) == ("aborted", cause)
    assert rig.bench.stopped == (cause if stops else "")
    assert not rig.bench.drive.status().enabled
    assert rig.bench.brake.is_closed()
    assert rig.stays_put()
    assert rig.load_m() == pytest.approx(0.0085, abs=6e-4)


def test_ctrl_c_drops_no_load(rigged: Any, lift: BenchDescription, kept: Any) -> None:
    """At every instant from the interrupt to the safe state, the load is no lower than it was."""
    rig, journal = rigged(lift, start_m=0.004), kept()
    heights_m: list[float] = []

    def noted() -> bool:
        heights_m.append(rig.load_m())
        return False

    def interrupt() -> None:
        noted()
        rig.clock.once(noted, lambda: None)  # from now on at every instant
        raise KeyboardInterrupt

    rig.once_beyond(0.02, interrupt)
    with pytest.raises(KeyboardInterrupt):
        acquire(rig.bench, travelling(), journal)
    rig.clock.sleep(5.0)
    assert len(heights_m) > 100
    assert min(heights_m) == heights_m[0]
    assert max(heights_m) - rig.load_m() < float(lift.axis.step_travel)


def test_what_fails_in_the_safe_state_is_told_beside_the_cause(rigged: Any, lift: BenchDescription, kept: Any) -> None:
    rig, journal = rigged(lift, start_m=0.004, brake={"torque_nm": 0.001}), kept()
    rig.once_beyond(0.008, lambda: (_ for _ in ()).throw(LinkLost("the gauge is gone")))
    acquire(rig.bench, travelling(), journal)
    assert journal.outcome == "aborted"
    assert journal.cause.startswith("the gauge is gone; lift-rig-1: the safe state was not reached; brake: the brake")
    assert rig.bench.stopped == journal.cause
    assert rig.bench.drive.status().enabled
    assert rig.stays_put()


def test_a_safe_state_that_fails_after_a_good_run_makes_it_no_good_run(
    rigged: Any, lift: BenchDescription, kept: Any
) -> None:
    rig, journal = rigged(lift, start_m=0.004, brake={"torque_nm": 0.001}), kept()
    acquire(rig.bench, running(lambda bench: motion.prepare(bench, speed_m_per_s=0.02)), journal)
    assert journal.outcome == "aborted"
    assert journal.cause.count("the safe state was not reached") == 1
    assert rig.bench.stopped == journal.cause


@pytest.mark.parametrize("happening", ["hand", "stop circuit"])
def test_after_a_stop_from_the_axis_nothing_moves_any_more(
    rigged: Any, doser: BenchDescription, kept: Any, happening: str
) -> None:
    """Not in this procedure, and not in the ones that would follow; they are aborted and say why."""
    rig, journal = rigged(doser, start_m=0.01), kept()
    happens = (lambda: rig.rig.push(-2000.0)) if happening == "hand" else rig.rig.open_stop_circuit
    rig.once_beyond(0.02, happens)
    acquire(rig.bench, travelling(), journal)
    assert journal.outcome == "aborted"
    rig.rig.push(0.0)
    rig.rig.close_stop_circuit()
    assert rig.stays_put()
    before_m, pulses = rig.load_m(), rig.rig.truth().pulses
    later = kept()
    acquire(rig.bench, travelling(), later)
    assert later.outcome == "aborted"
    assert later.cause == f"not started, because the axis had stopped before: {journal.cause}"
    assert rig.rig.truth().pulses == pulses
    assert rig.load_m() == pytest.approx(before_m, abs=1e-7)


def test_after_a_mistake_in_a_procedure_the_next_one_runs(rigged: Any, doser: BenchDescription, kept: Any) -> None:
    rig, first, later = rigged(doser, start_m=0.01), kept(), kept()
    acquire(rig.bench, running(lambda _: {}["nut"]), first)
    assert first.cause == "KeyError: 'nut'"
    acquire(rig.bench, travelling(), later)
    assert later.outcome == "done"


def test_after_an_abrupt_stop_travel_has_no_zero_until_the_axis_is_referenced_again(
    rigged: Any, doser: BenchDescription, kept: Any
) -> None:
    rig = rigged(doser, start_m=0.004)
    acquire(rig.bench, travelling(), kept())
    assert rig.bench.drive.referenced

    def fails(bench: Any) -> None:
        del bench
        raise LinkLost("the cable was pulled and is back")

    acquire(rig.bench, running(fails), kept())
    assert not rig.bench.drive.referenced
    journal = kept()
    acquire(rig.bench, travelling(), journal)
    assert (journal.outcome, rig.bench.drive.referenced) == ("done", True)


def test_a_hand_that_only_leans_reduces_nothing(
    rigged: Any, doser: BenchDescription, kept: Any, estimated: Any
) -> None:
    """30 N on a 2 mm screw is no stall and no lost count; the load is still seen to stop short by its play."""
    settings = repeatability.Settings(targets=2, runs=2, dwell_s=0.1)
    found = []
    for force_n in (0.0, -30.0):
        rig, journal = rigged(doser, start_m=0.002), kept()
        rig.rig.push(force_n)
        acquire(rig.bench, Planned(repeatability.PROCEDURE, settings), journal)
        assert journal.outcome == "done", journal.cause
        found.append(estimated(repeatability.PROCEDURE, journal, doser, settings))
    alone, leaned = found
    for name in ("motor_side_mean_reversal", "count_closure"):
        assert leaned[name].value == pytest.approx(alone[name].value, abs=1.1e-6), name  # a count
    assert leaned["mean_reversal"].value is not None


PLANNED = [
    Planned(repeatability.PROCEDURE, repeatability.Settings(targets=2, runs=2, dwell_s=0.1)),
    Planned(backlash.PROCEDURE, backlash.Settings(places=1, repeats=2, dwell_s=0.1, drags_n=(0.0, 30.0))),
    Planned(
        stall_recovery.PROCEDURE,
        stall_recovery.PROCEDURE.settings(stall_current_a=0.05, healthy_moves=1, provocations=1, hunting_time_s=0.2),
    ),
]


@pytest.mark.parametrize("planned", PLANNED, ids=lambda planned: planned.procedure.name)
def test_the_same_seed_writes_the_same_journal_and_it_says_the_same_twice(
    rigged: Any, doser: BenchDescription, tmp_path: Path, planned: Planned
) -> None:
    """To the byte. Another seed is another unit, so the bytes aren't the same by accident."""
    paths = []
    for number, seed in enumerate((7, 7, 8)):
        paths.append(tmp_path / f"{number}.journal.jsonl")
        journal = JournalWriter(paths[-1], {"procedure": planned.procedure.name})
        acquire(rigged(doser, start_m=0.002, seed=seed).bench, planned, journal)
    one, same, other = (path.read_bytes() for path in paths)
    assert one == same
    assert one != other
    readings = JournalReadings(paths[0])
    assert readings.outcome == "done"
    first, again = (planned.procedure.evaluate(readings, doser, planned.settings) for _ in range(2))
    assert first == again
    assert {estimate.name for estimate in first} == {item.name for item in planned.procedure.characteristics}
    assert all(estimate.value is not None for estimate in first)
