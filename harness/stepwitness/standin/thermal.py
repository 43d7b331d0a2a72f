"""What changes slowly while an axis runs: winding and screw warm up, the screw grows, the nut wears.

1. Heat is reckoned outside the kernel, in slices of a fraction of the shortest time constant, each a step response in
   closed form; so an hour costs a few hundred slices, however little moves.
2. Copper heats the winding and, by a share, the screw; friction heats the screw. Surroundings may have a history.
3. What follows from it is three numbers: resistance over its cold value, length over its nominal one, clearance added.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass

from stepwitness.standin.parameters import Ambient, ThermalPhysics

COPPER_PER_K = 1.0 / (235.0 + 20.0)
"""Rise of a copper winding's resistance at 20 degrees Celsius; IEC 60034-1 gives the 235."""

SLICES = 50.0
"""In the shortest time constant."""

WEAR_SLICE_S = 0.1


@dataclass
class SlowState:
    """Rises in kelvin over the state in which the axis was measured, and the travel that the nut has passed."""

    winding_k: float = 0.0
    screw_k: float = 0.0
    passed_m: float = 0.0


class SlowModel:
    """Winding, screw and nut of one axis.

    `rated_copper_w` is the copper heat of both windings at rated current, cold; `wear` clearance grown over travel
    passed.
    """

    def __init__(
        self, physics: ThermalPhysics, ambient: tuple[Ambient, ...], *, rated_copper_w: float, wear: float
    ) -> None:
        self._physics, self._rated_w, self._wear = physics, rated_copper_w, wear
        self._ambient = sorted(ambient, key=lambda change: change.from_s)
        self._ambient_from_s = [change.from_s for change in self._ambient]
        self.state = SlowState()
        heated = [
            settle_s
            for rise_k, settle_s in (
                (physics.winding_rise_k or bool(ambient), physics.winding_settle_s),
                (physics.screw_rise_k or bool(ambient), physics.screw_settle_s),
            )
            if rise_k
        ]
        self.slice_s = min(heated) / SLICES if heated else WEAR_SLICE_S

    @property
    def changes(self) -> bool:
        """Whether anything changes at all."""
        physics = self._physics
        return bool(physics.winding_rise_k or physics.screw_rise_k or self._ambient or self._wear)

    def pass_time(
        self, seconds: float, *, until_s: float, copper_w: float, friction_j: float, travelled_m: float
    ) -> None:
        """So many `seconds` up to `until_s`, with a mean copper heat, and friction work and way in all."""
        if seconds <= 0.0:
            return
        physics, state = self._physics, self.state
        surroundings_k = self.ambient_k(until_s)
        state.winding_k += self._approach(
            surroundings_k + physics.winding_rise_k * copper_w / self._rated_w - state.winding_k,
            seconds / physics.winding_settle_s,
        )
        heat_w = friction_j / seconds + physics.motor_share * copper_w
        state.screw_k += self._approach(
            surroundings_k + physics.screw_rise_k * heat_w / self._rated_w - state.screw_k,
            seconds / physics.screw_settle_s,
        )
        state.passed_m += travelled_m

    def ambient_k(self, time_s: float) -> float:
        index = bisect_right(self._ambient_from_s, time_s)
        return self._ambient[index - 1].rise_k if index else 0.0

    @property
    def resistance_ratio(self) -> float:
        return 1.0 + COPPER_PER_K * self.state.winding_k

    @property
    def length_ratio(self) -> float:
        return 1.0 + self._physics.expansion * self.state.screw_k

    @property
    def worn_m(self) -> float:
        return self._wear * self.state.passed_m

    @staticmethod
    def _approach(difference: float, share: float) -> float:
        return difference * -math.expm1(-share)
