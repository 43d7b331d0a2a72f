"""What a stand-in gauge and meter read, given where the plant truly is. No time and no plant here."""

from __future__ import annotations

import math
from random import Random

from stepwitness.devices.errors import OutOfRange
from stepwitness.standin.parameters import GaugePhysics, MeterPhysics


class GaugeReading:
    """Reading of a displacement gauge: scale error and noise, then its resolution.

    The gauge's own zero lies at the travel `zero_at_m`, and its reading is ``sense (travel - zero_at_m)``: with a
    sense of -1 readings fall while travel grows. Its range reaches from `zero_at_m` up by `range_m` in either sense.
    """

    def __init__(self, physics: GaugePhysics, *, sense: int, seed: str) -> None:
        self._physics, self._sense, self._random = physics, sense, Random(seed)

    def read(self, load_m: float) -> float:
        """Reading for a load that stands at `load_m`.

        Raises
        ------
        OutOfRange : where the tip has left the range.
        """
        physics = self._physics
        true = load_m - physics.zero_at_m
        if not 0.0 <= true <= physics.range_m:
            raise OutOfRange(f"gauge overrange: the load stands outside its {physics.range_m * 1e3:g} mm")
        shown = self._sense * true * (1.0 + physics.scale_error) + self._random.gauss(0.0, physics.noise_m)
        return round(shown / physics.resolution_m) * physics.resolution_m if physics.resolution_m else shown


class MeterReading:
    """Winding amplitude, as a current clamp on both phases gives it."""

    def __init__(self, physics: MeterPhysics, *, seed: str) -> None:
        self._physics, self._random = physics, Random(seed)

    def read(self, currents_a: tuple[float, float]) -> float:
        return math.hypot(*currents_a) + self._random.gauss(0.0, self._physics.noise_a)
