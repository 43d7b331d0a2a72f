"""Who notices a stall and puts the axis back: the harness, or a drive that closes the loop itself.

Both answer the same questions, so `run` drives either; every row says which it was.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from stepwitness.bench import motion
from stepwitness.bench.live import Bench
from stepwitness.bench.sampler import Sweep
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop
from stepwitness.procedures.procedure import Journal
from stepwitness.procedures.stall_recovery.declared import Settings, position_window_of, window_of

_LOOP_PERIOD_S = 0.01
_OFF = 1e9


@dataclass(frozen=True)
class Attempt:
    """One try to reach the target again, and where it ended."""

    reached: bool
    error_before_m: float
    error_after_m: float


class Loop(Protocol):
    """What closes the position loop."""

    name: str

    def arm(self) -> None:
        """Set windows and attempts before moves."""
        ...

    def alarm(self, sweep: Sweep) -> bool:
        """Whether the stall is noticed at this sweep."""
        ...

    def reposition(self, target_m: float) -> Attempt:
        """One attempt to bring the axis back to `target_m`."""
        ...

    def hold(self, target_m: float, *, window_m: float, for_s: float, until_inside: bool, scenario: str) -> None:
        """Close the loop at standstill and journal each look; ends after `for_s`, or once inside for the window time."""
        ...

    def displace(self, by_m: float) -> None:
        """Displace the axis by pulses with the loop off, so that the drive doesn't know."""
        ...


class HarnessLoop:
    """The harness closes the loop around a drive that counts its own pulses."""

    name = "harness"

    def __init__(self, bench: Bench, settings: Settings, journal: Journal, speed_m_per_s: float) -> None:
        self._bench = bench
        self._settings = settings
        self._journal = journal
        self._speed_m_per_s = speed_m_per_s
        self._window_m = window_of(bench.description, settings)

    def arm(self) -> None:
        """Nothing to set: the windows are the harness's own."""

    def alarm(self, sweep: Sweep) -> bool:
        return abs(sweep.sure_following_error_m) > self._window_m

    def reposition(self, target_m: float) -> Attempt:
        bench = self._bench
        before_m = target_m - bench.witnessed_travel_m()
        bench.claim_what_was_counted()
        motion.move_to(
            bench,
            target_m,
            motion.Watch(None, self._settings.poll_s),
            speed_m_per_s=self._speed_m_per_s,
            on_sweep=lambda sweep: not self.alarm(sweep),
        )
        return Attempt(*rested(bench, self._settings, target_m, before_m))

    def displace(self, by_m: float) -> None:
        bench = self._bench
        claim = bench.drive.position()
        bench.drive.start_move_by(bench.axis.nearest_microstep(by_m))
        motion.wait_for_rest(bench)
        bench.clock.sleep(self._settings.settle_s)
        bench.drive.set_position(claim)

    def hold(self, target_m: float, *, window_m: float, for_s: float, until_inside: bool, scenario: str) -> None:
        bench = self._bench
        start_s = bench.clock.now()
        inside_since_s: float | None = None
        while (now_s := bench.clock.now()) < start_s + for_s:
            error_m = target_m - bench.witnessed_travel_m()
            correction_m = 0.0
            if abs(error_m) > window_m:
                inside_since_s = None
                before = bench.axis.nearest_microstep(target_m - error_m)
                bench.drive.set_position(before)
                after = bench.axis.nearest_microstep(target_m)
                correction_m = (after - before) * float(bench.axis.microstep_travel)
                bench.drive.start_move_to(after)
                motion.wait_for_rest(bench)
            else:
                inside_since_s = now_s if inside_since_s is None else inside_since_s
            self._journal.write(
                "standstill",
                {
                    "scenario": scenario,
                    "loop": self.name,
                    "window_m": window_m,
                    "t_s": now_s - start_s,
                    "error_m": error_m,
                    "correction_m": correction_m,
                },
            )
            held_s = self._settings.position_window_time_s
            if until_inside and inside_since_s is not None and now_s - inside_since_s >= held_s:
                return
            bench.clock.sleep(_LOOP_PERIOD_S)


class DriveLoop:
    """The drive watches its own encoder (IEC 61800-7-201); the harness only asks what it says and looks on."""

    name = "drive"

    def __init__(
        self, bench: Bench, drive: ClosesLoop, settings: Settings, journal: Journal, speed_m_per_s: float
    ) -> None:
        self._bench = bench
        self._drive = drive
        self._settings = settings
        self._journal = journal
        self._speed_m_per_s = speed_m_per_s

    def arm(self) -> None:
        self._configure(position_window_of(self._bench.description, self._settings))

    def _configure(self, position_window_m: float, *, attempts: int = 0) -> None:
        microstep_m = float(self._bench.axis.microstep_travel)
        self._drive.configure_loop(
            ClosedLoopSettings(
                following_error_window=window_of(self._bench.description, self._settings) / microstep_m,
                following_error_timeout_s=0.0,
                position_window=position_window_m / microstep_m,
                position_window_time_s=self._settings.position_window_time_s,
                attempts=attempts,
            )
        )

    def alarm(self, sweep: Sweep) -> bool:
        del sweep
        return self._drive.loop_status().alarm

    def reposition(self, target_m: float) -> Attempt:
        bench = self._bench
        before_m = target_m - bench.witnessed_travel_m()
        self._drive.clear_alarm()
        bench.claim_what_was_counted()
        motion.move_to(
            bench,
            target_m,
            motion.Watch(None, self._settings.poll_s),
            speed_m_per_s=self._speed_m_per_s,
            on_sweep=lambda sweep: not self.alarm(sweep),
        )
        reached, before_m, after_m = rested(bench, self._settings, target_m, before_m)
        return Attempt(reached and self._drive.loop_status().target_reached, before_m, after_m)

    def displace(self, by_m: float) -> None:
        bench = self._bench
        self._configure(_OFF)
        claim = bench.drive.position()
        bench.drive.start_move_by(bench.axis.nearest_microstep(by_m))
        motion.wait_for_rest(bench)
        bench.clock.sleep(self._settings.settle_s)
        bench.drive.set_position(claim)

    def hold(self, target_m: float, *, window_m: float, for_s: float, until_inside: bool, scenario: str) -> None:
        bench = self._bench
        start_s = bench.clock.now()
        self._configure(window_m, attempts=self._settings.attempts if until_inside else int(_OFF))
        earlier_m = 0.0
        while (now_s := bench.clock.now()) < start_s + for_s:
            sweep = bench.sweep(gauge=False)
            assert sweep.counted_m is not None
            status = self._drive.loop_status()
            error_m = target_m - sweep.counted_m
            step_m = earlier_m - error_m
            moved = status.attempts_made > 0 and abs(step_m) > float(bench.axis.count_travel) / 2
            earlier_m = error_m
            self._journal.write(
                "standstill",
                {
                    "scenario": scenario,
                    "loop": self.name,
                    "window_m": window_m,
                    "t_s": now_s - start_s,
                    "error_m": error_m,
                    "correction_m": step_m if moved else 0.0,
                },
            )
            if until_inside and status.target_reached:
                return
            bench.clock.sleep(_LOOP_PERIOD_S)


def rested(bench: Bench, settings: Settings, target_m: float, before_m: float) -> tuple[bool, float, float]:
    """Whether the axis rests inside the position window for its time; the error before, and the one it ended with."""
    motion.wait_for_rest(bench)
    bench.clock.sleep(settings.settle_s)
    window_m = position_window_of(bench.description, settings)
    ends_s = bench.clock.now() + settings.position_window_time_s
    while True:
        error_m = target_m - bench.witnessed_travel_m()
        if abs(error_m) > window_m:
            return False, before_m, error_m
        if bench.clock.now() >= ends_s:
            return True, before_m, error_m
        bench.clock.sleep(_LOOP_PERIOD_S)


def loop_for(bench: Bench, settings: Settings, journal: Journal, speed_m_per_s: float) -> Loop:
    """The drive's own loop where it has one, else the harness's."""
    if bench.loop is not None:
        return DriveLoop(bench, bench.loop, settings, journal, speed_m_per_s)
    return HarnessLoop(bench, settings, journal, speed_m_per_s)
