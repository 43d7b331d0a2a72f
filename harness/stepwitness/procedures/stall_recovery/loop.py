"""Who notices a stall and puts the axis back: the harness, or a drive that closes the loop itself.

Both answer the same questions, so `run` drives either; every row says which it was.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from typing import Protocol

from stepwitness.axis import FULL_STEPS_PER_ELECTRICAL_PERIOD
from stepwitness.bench import motion
from stepwitness.bench.live import Bench
from stepwitness.bench.sampler import Sweep
from stepwitness.devices.interfaces import ClosedLoopSettings, ClosesLoop
from stepwitness.errors import StepwitnessError
from stepwitness.procedures.procedure import Journal
from stepwitness.procedures.stall_recovery.current import feed, starve
from stepwitness.procedures.stall_recovery.declared import Settings, position_window_of, window_of

_LOOP_PERIOD_S = 0.01
_OFF_M = 1e3
"""A window without bound."""
_MANY = 30_000
"""Attempts that no hunting uses up, and that a count of 16 bits holds."""


@dataclass(frozen=True)
class Attempt:
    """One try to reach the target again, and where it ended."""

    reached: bool
    error_before_m: float
    error_after_m: float


class Loop(Protocol):
    """What closes the position loop."""

    name: str
    displaces: bool
    """Whether the axis can be displaced at standstill without harm."""

    def armed(self) -> AbstractContextManager[None]:
        """Windows set while the block runs, and whatever was set taken back behind it."""
        ...

    def commanded_m(self, sweep: Sweep) -> float:
        """Travel commanded by the instant of `sweep`."""
        ...

    def alarm(self, sweep: Sweep) -> bool:
        """Whether the stall is noticed at this sweep."""
        ...

    def reposition(self, target_m: float) -> Attempt:
        """One attempt to bring the axis back to `target_m`."""
        ...

    def hold(self, target_m: float, *, window_m: float, for_s: float, until_inside: bool, scenario: str) -> None:
        """Close the loop at standstill and journal each look; ends after `for_s`, or once at rest inside the window."""
        ...

    def displaced(self, target_m: float, by_m: float) -> AbstractContextManager[None]:
        """The axis displaced from `target_m`, at which it stands, while the loop looks away."""
        ...

    def aim(self, target_m: float) -> None:
        """Stand at `target_m` with the loop off, before `hold` closes it."""
        ...


class HarnessLoop:
    """The harness closes the loop around a drive that counts its own pulses."""

    name = "harness"
    displaces = True

    def __init__(self, bench: Bench, settings: Settings, journal: Journal, speed_m_per_s: float) -> None:
        self._bench = bench
        self._settings = settings
        self._journal = journal
        self._speed_m_per_s = speed_m_per_s
        self._window_m = window_of(bench.description, settings)

    @contextmanager
    def armed(self) -> Iterator[None]:
        """Nothing to set: the windows are the harness's own."""
        yield

    def commanded_m(self, sweep: Sweep) -> float:
        return sweep.claim_m

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

    @contextmanager
    def displaced(self, target_m: float, by_m: float) -> Iterator[None]:
        """By pulses, which the drive is then told to forget."""
        bench = self._bench
        bench.drive.start_move_by(bench.axis.nearest_microstep(-by_m))
        motion.wait_for_rest(bench)
        bench.clock.sleep(self._settings.settle_s)
        bench.drive.set_position(bench.axis.nearest_microstep(target_m))
        yield

    def aim(self, target_m: float) -> None:
        """The axis stands there already: `hold` starts from wherever it is."""

    def hold(self, target_m: float, *, window_m: float, for_s: float, until_inside: bool, scenario: str) -> None:
        bench = self._bench
        start_s = bench.clock.now()
        inside_since_s: float | None = None
        while True:
            now_s = bench.clock.now()
            last = now_s >= start_s + for_s
            error_m = target_m - bench.witnessed_travel_m()
            correction_m = 0.0
            if abs(error_m) <= window_m:
                inside_since_s = now_s if inside_since_s is None else inside_since_s
            else:
                inside_since_s = None
                correction_m = 0.0 if last else self._correct(target_m, error_m)
            held_s = self._settings.position_window_time_s
            rested = inside_since_s is not None and now_s - inside_since_s >= held_s
            self._journal.write(
                "standstill",
                {
                    "scenario": scenario,
                    "loop": self.name,
                    "window_m": window_m,
                    "t_s": now_s - start_s,
                    "error_m": error_m,
                    "correction_m": correction_m,
                    "rested": rested,
                },
            )
            if last or (until_inside and rested):
                return
            bench.clock.sleep(_LOOP_PERIOD_S)

    def _correct(self, target_m: float, error_m: float) -> float:
        """Tell the drive where it stands and send it to the target; the travel that was sent."""
        bench = self._bench
        before, after = (bench.axis.nearest_microstep(at_m) for at_m in (target_m - error_m, target_m))
        bench.drive.set_position(before)
        bench.drive.start_move_to(after)
        motion.wait_for_rest(bench)
        return (after - before) * float(bench.axis.microstep_travel)


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
        self._microstep_m = float(bench.axis.microstep_travel)
        self.displaces = not bench.description.back_drives

    @contextmanager
    def armed(self) -> Iterator[None]:
        with self._closed(*self._windows_m()):
            yield
        self._bench.drive.enable()  # a fault that was reset leaves a drive disabled (IEC 61800-7-201, transition 15)

    def _windows_m(self) -> tuple[float, float]:
        description = self._bench.description
        return window_of(description, self._settings), position_window_of(description, self._settings)

    @contextmanager
    def _closed(self, window_m: float, position_window_m: float, *, attempts: int = 0) -> Iterator[None]:
        """The loop closed while the block runs, and off behind it, whatever ended the block."""
        self._configure(window_m, position_window_m, attempts=attempts)
        try:
            yield
        except BaseException:
            with suppress(StepwitnessError):  # what ended the block is the cause that counts
                self._stand_down()
            raise
        self._stand_down()

    def _stand_down(self) -> None:
        """Windows off, so that no correction begins; then one that is under way is halted, as it would go on.

        Attempts are taken back last: without any, a correction that is under way would end as a fault.
        """
        self._configure(_OFF_M, _OFF_M, attempts=_MANY)
        self._bench.drive.halt()
        motion.wait_for_rest(self._bench)
        self._configure(_OFF_M, _OFF_M, attempts=0)
        self._drive.clear_alarm()

    def _configure(self, window_m: float, position_window_m: float, *, attempts: int) -> None:
        microstep_m = self._microstep_m
        self._drive.configure_loop(
            ClosedLoopSettings(
                following_error_window=window_m / microstep_m,
                following_error_timeout_s=0.0,
                position_window=position_window_m / microstep_m,
                position_window_time_s=self._settings.position_window_time_s,
                attempts=attempts,
            )
        )

    def commanded_m(self, sweep: Sweep) -> float:
        """Such a drive claims what it counted; what it commanded is that and its following error."""
        return sweep.claim_m + self._drive.loop_status().following_error * self._microstep_m

    def alarm(self, sweep: Sweep) -> bool:
        self._check_claim(sweep)
        return self._drive.loop_status().alarm

    def reposition(self, target_m: float) -> Attempt:
        bench = self._bench
        self._check_claim()  # before a new claim hides it
        before_m = target_m - bench.witnessed_travel_m()
        self._drive.clear_alarm()
        bench.drive.enable()
        bench.claim_what_was_counted()
        self._configure(*self._windows_m(), attempts=0)  # were it started anew since, it would watch nothing
        motion.move_to(
            bench,
            target_m,
            motion.Watch(None, self._settings.poll_s),
            speed_m_per_s=self._speed_m_per_s,
            on_sweep=lambda sweep: not self.alarm(sweep),
        )
        reached, before_m, after_m = rested(bench, self._settings, target_m, before_m)
        reached = reached and self._says_reached()
        self._check_claim()
        return Attempt(reached, before_m, after_m)

    def _says_reached(self) -> bool:
        """What the drive says of its target; it began to look a little later than the harness."""
        clock = self._bench.clock
        ends_s = clock.now() + self._settings.position_window_time_s + 2 * _LOOP_PERIOD_S
        while not self._drive.loop_status().target_reached:
            if clock.now() >= ends_s:
                return False
            clock.sleep(_LOOP_PERIOD_S)
        return True

    @contextmanager
    def displaced(self, target_m: float, by_m: float) -> Iterator[None]:
        """By a slip, which is all that displaces an axis from what such a drive wants: away from the target, starved,
        and commanded back, which the rotor misses.

        By whole electrical periods (`by_m` is rounded to them, from half a period up) the rotor stays where it is when
        it is fed again. By less it would be pulled back, so there it stays starved while the block runs, and friction
        holds it.
        """
        bench = self._bench
        period_m = FULL_STEPS_PER_ELECTRICAL_PERIOD * float(bench.axis.step_travel)
        periods = round(by_m / period_m)
        self.aim(target_m - (periods * period_m or by_m))
        starve(bench, self._settings)
        bench.clock.sleep(self._settings.settle_s)
        try:
            self._go(target_m)
            if periods:
                feed(bench, self._settings)
            yield
        finally:
            feed(bench, self._settings)

    def aim(self, target_m: float) -> None:
        self._stand_down()
        self._bench.drive.enable()
        self._go(target_m)

    def _go(self, target_m: float) -> None:
        bench = self._bench
        self._check_claim()
        bench.drive.start_move_to(bench.axis.nearest_microstep(target_m))
        motion.wait_for_rest(bench)
        bench.clock.sleep(self._settings.settle_s)

    def _check_claim(self, sweep: Sweep | None = None) -> None:
        """A drive that was started anew has lost its windows and its zero: what it does isn't what it can do."""
        bench = self._bench
        window_m = max(window_of(bench.description, self._settings), motion.default_window_m(bench.description))
        motion.check_claim(bench, sweep or bench.sweep(gauge=False), window_m)

    def hold(self, target_m: float, *, window_m: float, for_s: float, until_inside: bool, scenario: str) -> None:
        """The drive corrects; a correction is seen by its count of attempts, and sent for the error a look before."""
        bench = self._bench
        attempts = self._settings.attempts if until_inside else _MANY
        made = self._drive.loop_status().attempts_made
        start_s = bench.clock.now()
        earlier_m = target_m - bench.witnessed_travel_m()
        with self._closed(window_of(bench.description, self._settings), window_m, attempts=attempts):
            while True:
                now_s = bench.clock.now()
                # in this order: a drive that says 'reached' is believed only by what is witnessed after it said so
                status = self._drive.loop_status()
                error_m = target_m - bench.witnessed_travel_m()
                correction_m = earlier_m if status.attempts_made > made else 0.0
                made, earlier_m = status.attempts_made, error_m
                self._journal.write(
                    "standstill",
                    {
                        "scenario": scenario,
                        "loop": self.name,
                        "window_m": window_m,
                        "t_s": now_s - start_s,
                        "error_m": error_m,
                        "correction_m": correction_m,
                        "rested": status.target_reached,
                    },
                )
                if now_s >= start_s + for_s or (until_inside and status.target_reached):
                    self._check_claim()
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
