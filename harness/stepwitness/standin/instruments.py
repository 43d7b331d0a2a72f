"""What a stand-in gauge, meter and supply read, given where the plant truly is. No time and no plant here."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from random import Random

from stepwitness.devices.errors import OutOfRange
from stepwitness.standin.parameters import GaugePhysics, LoadPhysics, MeterPhysics, SupplyPhysics

HISTORY = 4096
"""Instants that a gauge with a lag remembers."""


class GaugeReading:
    """Reading of a displacement gauge: spindle play, age, Abbe, cosine and scale error, drift, noise, resolution.

    The gauge's own zero lies at the travel `zero_at_m`, and its reading is ``sense (travel - zero_at_m)``: with a
    sense of -1 readings fall while travel grows. Its range reaches from `zero_at_m` up by `range_m` in either sense.
    """

    def __init__(
        self, physics: GaugePhysics, *, guide: LoadPhysics, sense: int, seed: str, load_m: float, time_s: float
    ) -> None:
        """`load_m` is where the tip stands at `time_s`, in the middle of the spindle's play, still cold."""
        self._physics, self._sense, self._random = physics, sense, Random(seed)
        self._cosine = math.cos(2.0 * math.pi * physics.tilt_turns)
        self._pitch_rad = 2.0 * math.pi * guide.pitch_turns if physics.abbe_offset_m else 0.0
        self._waves_per_m = 2.0 * math.pi / guide.pitch_period_m
        self._cold_s = time_s
        self._half_m, self._lag_s = physics.hysteresis_m / 2.0, physics.lag_s
        self._spindle_m = load_m
        self._history = deque([(time_s, load_m)], maxlen=HISTORY)

    def follow(self, turns_m: Sequence[float], load_m: float, time_s: float) -> None:
        """The load went by `turns_m`, where it turned, to `load_m`, where it stands at `time_s`."""
        if self._half_m:
            for place_m in (*turns_m, load_m):
                self._spindle_m = min(max(self._spindle_m, place_m - self._half_m), place_m + self._half_m)
        else:
            self._spindle_m = load_m
        if self._lag_s:
            self._history.append((time_s, self._spindle_m))

    def read(self, time_s: float) -> float:
        """Reading at `time_s`, of where the spindle stood `lag_s` before.

        Raises
        ------
        OutOfRange : where the tip has left the range.
        """
        physics = self._physics
        place_m = self._spindle_at(time_s - self._lag_s) if self._lag_s else self._spindle_m
        true = place_m - physics.zero_at_m
        if not 0.0 <= true <= physics.range_m:
            raise OutOfRange(f"gauge overrange: the load stands outside its {physics.range_m * 1e3:g} mm")
        if self._pitch_rad:
            true += physics.abbe_offset_m * math.tan(self._pitch_rad * math.sin(self._waves_per_m * place_m))
        shown = self._sense * true * self._cosine * (1.0 + physics.scale_error)
        if physics.drift_m:
            shown -= physics.drift_m * math.expm1(-(time_s - self._cold_s) / physics.drift_settle_s)
        shown += self._random.gauss(0.0, physics.noise_m)
        return _rounded(shown, physics.resolution_m)

    def _spindle_at(self, time_s: float) -> float:
        """Linear between the instants at which the load was looked at."""
        later_s, later_m = self._history[-1]
        for earlier_s, earlier_m in reversed(self._history):
            if earlier_s <= time_s:
                share = (time_s - earlier_s) / (later_s - earlier_s) if later_s > earlier_s else 0.0
                return earlier_m + min(share, 1.0) * (later_m - earlier_m)
            later_s, later_m = earlier_s, earlier_m
        return later_m


class MeterReading:
    """Winding amplitude, as a current clamp on both phases gives it, somewhere in the regulator's ripple."""

    def __init__(self, physics: MeterPhysics, *, ripple_a: float = 0.0, seed: str) -> None:
        self._physics, self._ripple_a, self._random = physics, ripple_a, Random(seed)

    def read(self, currents_a: tuple[float, float]) -> float:
        shown = math.hypot(*currents_a) + self._random.gauss(0.0, self._physics.noise_a)
        if self._ripple_a and shown > self._ripple_a / 2.0:
            shown += self._ripple_a * (self._random.random() - 0.5)
        return _rounded(shown, self._physics.resolution_a)


class SupplyReading:
    """Voltage of the supply as it reports it, somewhere in its ripple."""

    def __init__(self, physics: SupplyPhysics, *, seed: str) -> None:
        self._physics, self._random = physics, Random(seed)

    def read(self, voltage_v: float) -> float:
        shown = voltage_v + self._physics.ripple_v * (self._random.random() - 0.5)
        return _rounded(shown, self._physics.resolution_v)


def _rounded(value: float, resolution: float) -> float:
    return round(value / resolution) * resolution if resolution else value
