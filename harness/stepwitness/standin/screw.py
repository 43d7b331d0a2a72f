"""Closed forms of screw, nut and guide.

1. A force is positive where the nut pushes the load along travel (up, against gravity, on a vertical axis).
2. Thread torque follows the screw equation: raising is motion along the push, lowering motion against it.
3. The load trails the nut by `lag_m(force)`; that is elasticity and clearance together, without mass.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from stepwitness.standin.parameters import LoadPhysics, ScrewPhysics


@dataclass(frozen=True)
class ThreadTorque:
    """Torque at the screw per newton pushed, in N m/N. A negative `lower_m` means that the load drives the screw."""

    raise_m: float
    lower_m: float

    @property
    def self_locking(self) -> bool:
        return self.lower_m > 0.0


def thread_torque(screw: ScrewPhysics, lead_m: float) -> ThreadTorque:
    """Torque of the thread per newton.

    Notes
    -----
    With mean diameter dm, lead l, friction coefficient f and half profile angle a:
    raise ``dm/2 (l + pi f dm / cos a) / (pi dm - f l / cos a)``, lower
    ``dm/2 (pi f dm / cos a - l) / (pi dm + f l / cos a)`` (Shigley's Mechanical Engineering Design, chapter on screws).

    Raises
    ------
    ValueError : where friction is so high that the screw can't be turned.
    """
    friction = screw.friction_coefficient / math.cos(2.0 * math.pi * screw.half_angle_turns)
    around = math.pi * screw.mean_diameter_m
    if around <= friction * lead_m:
        raise ValueError("the screw jams: pi dm <= f l / cos a")
    return ThreadTorque(
        raise_m=screw.mean_diameter_m / 2 * (lead_m + friction * around) / (around - friction * lead_m),
        lower_m=screw.mean_diameter_m / 2 * (friction * around - lead_m) / (around + friction * lead_m),
    )


def efficiency(screw: ScrewPhysics, lead_m: float) -> float:
    """Work on the load per work at the screw while raising, thread alone."""
    return lead_m / (2.0 * math.pi) / thread_torque(screw, lead_m).raise_m


def back_drives(screw: ScrewPhysics, load: LoadPhysics, lead_m: float, gravity: float) -> bool:
    """Whether the hanging load, motor off and brake open, turns the screw and falls."""
    push = load.mass_kg * gravity * load.vertical - load.friction_n * load.static_ratio
    return push > 0 and -thread_torque(screw, lead_m).lower_m * push > (screw.drag_torque_nm * screw.drag_static_ratio)


def stiffness_n_per_m(screw: ScrewPhysics) -> float:
    """Axial stiffness from motor shaft to load: the screw's and, where it isn't rigid, the nut's contact in series."""
    if not screw.nut_stiffness_n_per_m:
        return screw.stiffness_n_per_m
    return 1.0 / (1.0 / screw.stiffness_n_per_m + 1.0 / screw.nut_stiffness_n_per_m)


def lag_m(force_n: float, *, stiffness_n_per_m: float, backlash_m: float) -> float:
    """How far the load trails the nut that pushes it with `force_n`: ``F / k + sign(F) b / 2``."""
    if force_n == 0.0:
        return 0.0
    return force_n / stiffness_n_per_m + math.copysign(backlash_m / 2, force_n)


def dead_band_m(*, friction_n: float, external_n: float, stiffness_n_per_m: float, backlash_m: float) -> float:
    """Travel of the nut that the load doesn't follow when the motion reverses.

    ``b + 2 Ff / k`` where guide friction exceeds the external force on the load, and ``2 Ff / k`` where it doesn't:
    then one flank stays loaded and clearance can't show.
    """
    up = lag_m(friction_n - external_n, stiffness_n_per_m=stiffness_n_per_m, backlash_m=backlash_m)
    down = lag_m(-friction_n - external_n, stiffness_n_per_m=stiffness_n_per_m, backlash_m=backlash_m)
    return up - down
