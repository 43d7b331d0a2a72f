"""The motion of stall recovery: starve the motor on purpose, notice, reposition, react, and stand."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager

from stepwitness.bench import motion
from stepwitness.bench.errors import Aborted, UnprovokedStall
from stepwitness.bench.live import Bench
from stepwitness.bench.sampler import Sweep
from stepwitness.procedures.common import Trace, witnesses
from stepwitness.procedures.procedure import Journal, Value
from stepwitness.procedures.stall_recovery.current import feed, starve
from stepwitness.procedures.stall_recovery.declared import (
    Course,
    Settings,
    against_stop,
    course,
    displacement_of,
    hunting_windows,
    position_window_of,
    speed_of,
    undetectable,
)
from stepwitness.procedures.stall_recovery.loop import Loop, loop_for

_TRACE_S = 0.005
_METER_READINGS = 5
_LONGEST_GAP_S = 0.1
"""Between two sweeps of a move whose stall is to be noticed: beyond that it's the wire or the host that is judged."""
_PROVOCATIONS = 3
"""How often a stall is provoked whose witnesses weren't heard meanwhile, before the run is given up."""


class Unheard(Aborted):
    """The witnesses weren't heard while a stall was provoked: nothing can be said of its detection."""


def run(bench: Bench, settings: Settings, journal: Journal) -> None:
    """Claim, detection, repositioning, fault reaction and standstill, in that order."""
    speed = speed_of(bench.description, settings)
    motion.prepare(bench, speed_m_per_s=speed)
    session = _Session(bench, settings, journal, speed, course(bench.description, settings))
    bench.drive.set_output(settings.output, False)
    session.go_to_start()
    session.meter()
    session.claim()
    if bench.counter is None:
        return
    with session.loop.armed():
        session.healthy_moves()
        if not undetectable(bench.description, settings):
            for index in range(settings.provocations):
                session.transient_stall(index)
            session.persistent_stall(settings.provocations)
        if session.loop.displaces:
            session.standstill()
    bench.claim_what_was_counted()


def between_counts(bench: Bench, travel_m: float) -> float:
    """The microstep near `travel_m` that lies nearest to the middle between two counts.

    A target on a count lets a loop rest with no error at all, at any window; between counts it can't, and a window
    finer than the resolution shows what it does.
    """
    axis = bench.axis
    first = axis.nearest_microstep(travel_m)
    one_count = math.ceil(axis.count_travel / axis.microstep_travel)
    near = [float(axis.travel_of_microsteps(at)) for at in range(first, first + max(axis.microsteps, one_count))]
    return min(near, key=lambda at_m: abs(bench.coordinates.counts_at(at_m) % 1 - 0.5))


class _Session:
    """One run: what every phase of it needs, and the phases."""

    def __init__(self, bench: Bench, settings: Settings, journal: Journal, speed_m_per_s: float, way: Course) -> None:
        self._bench = bench
        self._settings = settings
        self._journal = journal
        self._speed_m_per_s = speed_m_per_s
        self._way = way
        self.loop: Loop = loop_for(bench, settings, journal, speed_m_per_s)

    # -- current ---------------------------------------------------------------------------------------------

    def _feed(self) -> None:
        feed(self._bench, self._settings)

    def _starve(self) -> None:
        starve(self._bench, self._settings)

    @contextmanager
    def _starved(self) -> Iterator[None]:
        self._starve()
        self._bench.clock.sleep(self._settings.settle_s)
        try:
            yield
        finally:
            self._feed()

    # -- phases ----------------------------------------------------------------------------------------------

    def go_to_start(self) -> None:
        """To the start of the course, watched as any healthy move."""
        bench = self._bench
        trace = Trace(self._journal, "approach", period_s=10 * _TRACE_S)
        start_m = self._way.start_m
        motion.move_to(
            bench,
            start_m,
            motion.healthy_watch(bench, speed_m_per_s=self._speed_m_per_s),
            speed_m_per_s=self._speed_m_per_s,
            on_sweep=trace,
        )
        bench.clock.sleep(self._settings.settle_s)

    def meter(self) -> None:
        """The winding current at rest, beside the holding current that was set."""
        if self._bench.meter is None:
            return
        set_a = self._bench.description.motor.hold_current_a
        for _ in range(_METER_READINGS):
            sweep = self._bench.sweep(gauge=False, current=True)
            self._journal.write("currents", {"t_s": sweep.t_s, "set_a": set_a, "metered_a": sweep.current_a})

    def claim(self) -> None:
        """A move out and back at too little current: what each witness says of each leg."""
        bench = self._bench
        trace = Trace(self._journal, "starved", period_s=4 * _TRACE_S)
        watch = motion.Watch(None, self._settings.poll_s, gauge=True)
        with self._starved():
            for leg, by_m in (("out", self._way.out_m), ("back", -self._way.out_m)):
                before = bench.sweep()
                microsteps = bench.axis.nearest_microstep(by_m)
                expected_s = self._move_time(by_m)
                motion.run_move(
                    bench,
                    lambda microsteps=microsteps: bench.drive.start_move_by(microsteps),  # type: ignore[misc]
                    watch,
                    deadline_s=2 * expected_s + 2,
                    on_sweep=trace,
                )
                bench.clock.sleep(self._settings.settle_s)
                self._write_claim(leg, microsteps, before, bench.sweep())
        self._claim_again()

    def _write_claim(self, leg: str, microsteps: int, before: Sweep, after: Sweep) -> None:
        row: dict[str, Value] = {
            "leg": leg,
            "commanded_m": float(self._bench.axis.travel_of_microsteps(microsteps)),
            "claim_m": after.claim_m - before.claim_m,
            "counted_m": None,
            "gauge_m": None,
        }
        if before.counted_m is not None and after.counted_m is not None:
            row["counted_m"] = after.counted_m - before.counted_m
        if before.gauge_m is not None and after.gauge_m is not None:
            row["gauge_m"] = after.gauge_m - before.gauge_m
        self._journal.write("claim", row)
        self._journal.commit()

    def healthy_moves(self) -> None:
        """Moves at rated current, every sweep kept, alarms counted.

        An alarm over an axis that did follow is false and counted. An axis that didn't follow stalled without being
        provoked, which ends the run.
        """
        bench, way = self._bench, self._way
        away_m = way.start_m - way.out_m if against_stop(bench.description) else way.start_m + way.out_m
        watched_m = motion.healthy_watch(bench, speed_m_per_s=self._speed_m_per_s).window_m
        for index in range(2 * self._settings.healthy_moves):
            target_m = away_m if index % 2 == 0 else way.start_m
            alarms = 0

            def on_sweep(sweep: Sweep, index: int = index) -> bool:
                nonlocal alarms
                alarm = self.loop.alarm(sweep)
                alarms += alarm
                self._journal.write("watch", {**witnesses(sweep), "move": index, "alarm": alarm})
                return not alarm

            watch = motion.Watch(None, self._settings.poll_s)
            if not motion.move_to(bench, target_m, watch, speed_m_per_s=self._speed_m_per_s, on_sweep=on_sweep):
                self._answer_alarm(target_m)
            elif watched_m is not None:
                # a window wide enough lets a stall pass without an alarm
                motion.check_following(bench, bench.sweep(gauge=False), watched_m)
        self._journal.commit()

    def _answer_alarm(self, target_m: float) -> None:
        bench = self._bench
        bench.clock.sleep(self._settings.settle_s)
        sweep = bench.sweep(gauge=False)
        error_m = motion.following_error_m(bench, sweep)
        if abs(error_m) > float(max(bench.axis.step_travel, 2 * bench.axis.count_travel)):
            raise UnprovokedStall(
                f"{bench.description.name}: the axis stood {error_m * 1e6:.0f} µm from where the "
                "drive claims after a move at rated current that nobody disturbed; halted, not retried"
            )
        self._clear_alarm()
        watch = motion.healthy_watch(bench, speed_m_per_s=self._speed_m_per_s)
        motion.move_to(bench, target_m, watch, speed_m_per_s=self._speed_m_per_s)

    def _clear_alarm(self) -> None:
        if self._bench.loop is not None:
            self._bench.loop.clear_alarm()
            self._bench.drive.enable()

    def transient_stall(self, index: int) -> None:
        """Starve in mid-move, notice, feed again, reposition."""
        target_m = self._provoke(index, "transient")
        self._feed()
        self._attempts(index, "transient", target_m)
        self._verify(index, "transient", target_m)
        self.go_to_start()

    def persistent_stall(self, index: int) -> None:
        """Starve in mid-move and stay so: attempts fail, and the fault reaction must bring the axis home.

        Against a stop the attempts go on pushing, and home is where the load rests.
        """
        target_m = self._provoke(index, "persistent")
        self._attempts(index, "persistent", self._way.start_m + self._way.out_m)
        self._bench.drive.set_output(self._settings.output, True)
        self._feed()
        reached = self._attempts(index, "fault reaction", target_m)
        self._event("fault reaction", "output raised, rated current, move repeated")
        self._verify(index, "persistent", target_m, reached=reached)

    def _provoke(self, index: int, scenario: str) -> float:
        """Stall the axis in the middle of a move; journal onset and detection. Returns the move's target.

        A host that was busy elsewhere meanwhile is no fault of the axis: the stall is provoked again, from the start.
        """
        for _ in range(_PROVOCATIONS - 1):
            try:
                return self._provoke_once(index, scenario)
            except Unheard as unheard:
                self._event("provoked again", str(unheard))
            self._start_over()
        return self._provoke_once(index, scenario)

    def _start_over(self) -> None:
        """Back to the start from wherever a move was left, starved or not."""
        self._bench.drive.halt()
        motion.wait_for_rest(self._bench)
        self._feed()
        self._clear_alarm()
        self._claim_again()
        self.go_to_start()

    def _provoke_once(self, index: int, scenario: str) -> float:
        bench, way = self._bench, self._way
        blocked = against_stop(bench.description)
        target_m = way.start_m if blocked else way.start_m + way.out_m
        onset: Sweep | None = None
        onset_s = starved_s = commanded_m = 0.0
        detected: Sweep | None = None
        trace = Trace(self._journal, f"{scenario} {index + 1}", period_s=_TRACE_S)
        watched_m = motion.healthy_watch(bench, speed_m_per_s=self._speed_m_per_s).window_m
        heard_s = math.inf

        def on_sweep(sweep: Sweep) -> bool:
            nonlocal onset, onset_s, starved_s, detected, commanded_m, heard_s
            if sweep.t_s - heard_s > _LONGEST_GAP_S:
                raise Unheard(
                    f"{bench.description.name}: the witnesses weren't heard for {sweep.t_s - heard_s:.2f} s while a "
                    "stall was provoked, so nothing can be said of its detection"
                )
            heard_s = sweep.t_s
            if onset is not None and self.loop.alarm(sweep):
                detected, commanded_m = sweep, self.loop.commanded_m(sweep)
                trace.keep(sweep)
                return False
            trace(sweep)
            if onset is None and watched_m is not None:
                motion.check_following(bench, sweep, watched_m)
            if onset is None and abs(sweep.claim_m - way.start_m) >= abs(way.out_m) / 2:
                onset, onset_s = sweep, bench.clock.now()
                bench.drive.set_run_current(self._settings.stall_current_a)
                starved_s = bench.clock.now()
            return True

        if blocked:
            # the load rests on its stop: starve first, then push against it
            self._starve()
            onset, onset_s = bench.sweep(gauge=False), bench.clock.now()
            starved_s = onset_s
        microsteps = bench.axis.nearest_microstep(way.out_m)
        heard_s = bench.clock.now()
        motion.run_move(
            bench,
            lambda: bench.drive.start_move_by(microsteps),
            motion.Watch(None, self._settings.poll_s, gauge=True),
            deadline_s=2 * self._move_time(way.out_m) + 2,
            on_sweep=on_sweep,
        )
        if onset is None:
            raise Aborted(f"{bench.description.name}: the move ended before its stall was provoked")
        self._starve()
        self._journal.write(
            "detections",
            {
                "index": index,
                "scenario": scenario,
                "loop": self.loop.name,
                "detected": detected is not None,
                "onset_s": onset_s,
                "starved_s": starved_s,
                "onset_claim_m": onset.claim_m,
                "detected_s": detected.t_s if detected else None,
                "detected_skew_s": detected.skew_s if detected else None,
                "detected_claim_m": detected.claim_m if detected else None,
                "following_error_m": detected.following_error_m if detected else None,
                "commanded_since_m": abs(commanded_m - onset.claim_m) if detected else None,
            },
        )
        if detected is not None:
            self._event("stall detected", f"{scenario} stall {index + 1}", detected.t_s)
        bench.clock.sleep(self._settings.settle_s)
        return target_m

    def _attempts(self, index: int, scenario: str, target_m: float) -> bool:
        """Reposition until the target is reached or the attempts are used up; whether it was reached.

        One may fail on a healthy axis: a rotor that friction held just between two equilibria jumps two steps as the
        field begins to move, and the claim had been set to where it stood.
        """
        for number in range(1, self._settings.attempts + 1):
            attempt = self.loop.reposition(target_m)
            self._journal.write(
                "attempts",
                {
                    "index": index,
                    "scenario": scenario,
                    "loop": self.loop.name,
                    "attempt": number,
                    "reached": attempt.reached,
                    "error_before_m": attempt.error_before_m,
                    "error_after_m": attempt.error_after_m,
                },
            )
            if attempt.reached:
                break
        self._journal.commit()
        return attempt.reached

    def _verify(self, index: int, scenario: str, target_m: float, *, reached: bool | None = None) -> None:
        """Where the axis stands after a recovery, by every witness, and what its output says."""
        sweep = self._bench.sweep()
        assert sweep.counted_m is not None
        inside = abs(target_m - sweep.counted_m) <= position_window_of(self._bench.description, self._settings)
        self._journal.write(
            "recoveries",
            {
                "index": index,
                "scenario": scenario,
                "loop": self.loop.name,
                "target_m": target_m,
                **witnesses(sweep),
                "output_on": self._bench.drive.output(self._settings.output),
                "recovered": inside and reached is not False,
            },
        )
        self._journal.commit()

    def standstill(self) -> None:
        """Displaced and brought back, left alone inside the window, and windows down to where it hunts."""
        bench, settings = self._bench, self._settings
        self.go_to_start()
        # off a stop, where the axis can be displaced either way
        away_m = -self._way.out_m / 2 if against_stop(bench.description) else 0.0
        target_m = between_counts(bench, self._way.start_m + away_m)
        watch = motion.healthy_watch(bench, speed_m_per_s=self._speed_m_per_s)
        motion.move_to(bench, target_m, watch, speed_m_per_s=self._speed_m_per_s)
        bench.clock.sleep(settings.settle_s)
        window_m = position_window_of(bench.description, settings)
        with self.loop.displaced(target_m, displacement_of(bench.description, settings)):
            self.loop.hold(
                target_m,
                window_m=window_m,
                for_s=settings.return_time_s,
                until_inside=True,
                scenario="return",
            )
        with self.loop.displaced(target_m, window_m / 2):
            self.loop.hold(
                target_m,
                window_m=window_m,
                for_s=settings.hunting_time_s,
                until_inside=False,
                scenario="left alone",
            )
        for tried_m in hunting_windows(bench.description, settings):
            self.loop.aim(target_m)
            self.loop.hold(
                target_m,
                window_m=tried_m,
                for_s=settings.hunting_time_s,
                until_inside=False,
                scenario="hunting",
            )
        self._journal.commit()

    # -- small things ----------------------------------------------------------------------------------------

    def _claim_again(self) -> None:
        """The drive is told where the counter saw the axis, read again now that the current has changed."""
        if self._bench.counter is not None or self._bench.gauge is not None:
            self._bench.claim_what_was_counted()

    def _move_time(self, distance_m: float) -> float:
        return motion.duration_s(
            distance_m=distance_m,
            speed_m_per_s=self._speed_m_per_s,
            acceleration_m_per_s2=self._bench.description.envelope.acceleration_m_per_s2,
        )

    def _event(self, event: str, detail: str, t_s: float | None = None) -> None:
        at_s = self._bench.clock.now() if t_s is None else t_s
        self._journal.write("events", {"t_s": at_s, "event": event, "detail": detail})
