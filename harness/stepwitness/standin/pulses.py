"""When a pulse generator sends its pulses: trapezoidal moves, solved exactly.

1. A move is a chain of segments of constant acceleration; pulse k leaves where the ideal path passes k - 1/2, so
   the command is never more than half a microstep from it.
2. A halt, a new speed or a new acceleration replans from the path's place and speed at that instant; pulses that
   were sent stay sent.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

CHUNK = 4096
"""Pulses solved at once."""


@dataclass(frozen=True)
class Segment:
    """Constant acceleration from `start_s` on; path in microsteps since the start of the move."""

    start_s: float
    duration_s: float
    place: float
    speed: float
    acceleration: float

    @property
    def end_s(self) -> float:
        return self.start_s + self.duration_s

    @property
    def end_place(self) -> float:
        return self.place + (self.speed + 0.5 * self.acceleration * self.duration_s) * self.duration_s

    @property
    def end_speed(self) -> float:
        return self.speed + self.acceleration * self.duration_s


def trapezoid(
    *, start_s: float, place: float, target: float, initial_speed: float, speed: float, acceleration: float
) -> tuple[Segment, ...]:
    """Segments from `place` at `initial_speed` to rest at `target`, cruising at `speed` where there's room.

    Distances in microsteps, `target` >= `place`. Where the way left is too short for `acceleration`, the deceleration
    is the one that just stops in time.
    """
    left = target - place
    if left <= 0.0:
        return ()
    stop = initial_speed * initial_speed / (2.0 * acceleration)
    if stop >= left:
        braking = initial_speed * initial_speed / (2.0 * left)
        return (Segment(start_s, initial_speed / braking, place, initial_speed, -braking),)
    peak = min(speed, math.sqrt(acceleration * left + initial_speed * initial_speed / 2.0))
    change = 1.0 if peak >= initial_speed else -1.0
    run_up = change * (peak * peak - initial_speed * initial_speed) / (2.0 * acceleration)
    run_out = peak * peak / (2.0 * acceleration)
    cruise = max(0.0, left - run_up - run_out)
    first = Segment(start_s, abs(peak - initial_speed) / acceleration, place, initial_speed, change * acceleration)
    middle = Segment(first.end_s, cruise / peak, place + run_up, peak, 0.0)
    last = Segment(middle.end_s, peak / acceleration, place + run_up + cruise, peak, -acceleration)
    return tuple(segment for segment in (first, middle, last) if segment.duration_s > 0.0)


class PulseTrain:
    """The pulses of one move, handed out in chunks."""

    def __init__(self, *, start_s: float, pulses: int, speed: float, acceleration: float) -> None:
        """A move of `pulses` (positive) microsteps at `speed` and `acceleration` in microsteps, from rest."""
        self._target = float(pulses)
        self._speed, self._acceleration = speed, acceleration
        self._plan(start_s, place=0.0, initial_speed=0.0)

    @property
    def end_s(self) -> float:
        """When the path comes to rest."""
        return self._segments[-1].end_s if self._segments else self._planned_s

    @property
    def total(self) -> int:
        """Pulses that the move sends in all."""
        return math.floor(self._target + 0.5)

    def path(self, time_s: float) -> tuple[float, float]:
        """Place and speed of the ideal path at `time_s`."""
        for segment in self._segments:
            if time_s < segment.end_s:
                run = max(0.0, time_s - segment.start_s)
                speed = segment.speed + segment.acceleration * run
                return segment.place + 0.5 * (segment.speed + speed) * run, speed
        return self._target, 0.0

    def halt(self, time_s: float, acceleration: float) -> None:
        """Decelerate to rest from `time_s` on."""
        place, speed = self.path(time_s)
        self._target = min(self._target, place + speed * speed / (2.0 * acceleration))
        self._replan(time_s)

    def change(self, time_s: float, *, speed: float, acceleration: float) -> None:
        """Go on to the same target at another speed and acceleration."""
        self._speed, self._acceleration = speed, acceleration
        self._replan(time_s)

    def times_s(self, sent: int, limit: int = CHUNK) -> NDArray[np.float64]:
        """Times of the pulses after the first `sent`, at most `limit` of them, rising."""
        last = min(self.total, sent + limit)
        if last <= sent or not self._segments:
            return np.empty(0)
        places = np.arange(sent + 1, last + 1, dtype=float) - 0.5
        starts = np.array([segment.place for segment in self._segments])
        which = np.clip(np.searchsorted(starts, places, side="right") - 1, 0, len(starts) - 1)
        speeds = np.array([segment.speed for segment in self._segments])[which]
        accelerations = np.array([segment.acceleration for segment in self._segments])[which]
        times = np.array([segment.start_s for segment in self._segments])[which]
        way = np.maximum(places - starts[which], 0.0)
        root = np.sqrt(np.maximum(speeds * speeds + 2.0 * accelerations * way, 0.0))
        with np.errstate(invalid="ignore"):
            run = np.where(way > 0.0, 2.0 * way / (speeds + root), 0.0)
        return np.maximum.accumulate(times + run)

    def _replan(self, time_s: float) -> None:
        place, speed = self.path(time_s)
        self._plan(time_s, place=place, initial_speed=speed)

    def _plan(self, start_s: float, *, place: float, initial_speed: float) -> None:
        self._planned_s = start_s
        self._segments = trapezoid(
            start_s=start_s,
            place=place,
            target=self._target,
            initial_speed=initial_speed,
            speed=self._speed,
            acceleration=self._acceleration,
        )
