"""Defects by name, each a physical parameter with a size in SI.

A defect takes a healthy stand-in and gives one that differs in what a real unit would differ in; nothing that judges
an axis can read it. A bench file reaches the same parameters by their own names.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from stepwitness.errors import BadInput, near_miss
from stepwitness.standin.parameters import Ambient, StandIn, with_field


@dataclass(frozen=True)
class Defect:
    """One way in which a unit goes bad.

    Attributes
    ----------
    title : what a technician would call it.
    size : what the size is, with its SI unit.
    example : a size that is plain to see on a small axis.
    apply : the stand-in with the defect of that size.
    """

    title: str
    size: str
    example: float
    apply: Callable[[StandIn, float], StandIn]


def _sets(field: str) -> Callable[[StandIn, float], StandIn]:
    return lambda stand_in, size: with_field(stand_in, field, size)


def _sticking_guide(stand_in: StandIn, friction_n: float) -> StandIn:
    """A zone of a fifth of the room between the stops, in its middle."""
    low_m, high_m = stand_in.load.stop_low_m, stand_in.load.stop_high_m
    middle_m, half_m = (low_m + high_m) / 2.0, (high_m - low_m) / 10.0
    zoned = with_field(stand_in, "load.sticky_from_m", middle_m - half_m)
    zoned = with_field(zoned, "load.sticky_to_m", middle_m + half_m)
    return with_field(zoned, "load.sticky_friction_n", friction_n)


def _bent_screw(stand_in: StandIn, runout_m: float) -> StandIn:
    """Travel swings by the run-out once a turn, and so does the whole of the drag."""
    return with_field(with_field(stand_in, "screw.pitch_error_m", runout_m), "screw.drag_wave", 1.0)


def _dirty_encoder(stand_in: StandIn, chance: float) -> StandIn:
    """Half of the bad edges are missed, half doubled, and the grating's edges have moved."""
    dirty = with_field(with_field(stand_in, "encoder.missed_edge", chance / 2), "encoder.doubled_edge", chance / 2)
    return with_field(dirty, "encoder.duty_error", 0.05)


def _warm_screw(stand_in: StandIn, rise_k: float) -> StandIn:
    """The room warms up while the axis is measured; the screw takes a minute or two to follow."""
    warming = with_field(stand_in, "ambient", (Ambient(1.0, rise_k),))
    return with_field(warming, "thermal.screw_settle_s", 60.0)


def _gauge_drift(stand_in: StandIn, drift_m: float) -> StandIn:
    """The gauge was read without a warm-up."""
    return with_field(with_field(stand_in, "gauge.drift_m", drift_m), "gauge.drift_settle_s", 60.0)


def _resonance(stand_in: StandIn, drag_nm: float) -> StandIn:
    """Hardly any drag and no damping, so that every start, stop and step leaves the rotor swinging."""
    return with_field(with_field(stand_in, "motor.viscous_nms", 0.0), "screw.drag_torque_nm", drag_nm)


DEFECTS = {
    "worn-nut": Defect("worn nut", "clearance in m", 4.5e-5, _sets("screw.backlash_m")),
    "slack-coupling": Defect("slack coupling", "slack in turns", 0.01, _sets("screw.coupling_slack_turns")),
    "under-set-current": Defect("under-set current", "share of the current set", 0.25, _sets("motor.current_scale")),
    "sticking-guide": Defect("sticking guide", "extra friction in N", 150.0, _sticking_guide),
    "bent-screw": Defect("bent screw", "amplitude of travel in m", 1e-5, _bent_screw),
    "lost-winding": Defect("lost winding", "share of current in winding B", 0.0, _sets("motor.phase_b_share")),
    "missed-edges": Defect("missed encoder edges", "chance per edge", 3e-5, _sets("encoder.missed_edge")),
    "dirty-encoder": Defect("dirty encoder", "chance per edge", 1e-4, _dirty_encoder),
    "wrong-lead": Defect("mis-set lead", "true over nominal lead, less 1", 1e-3, _sets("screw.lead_error")),
    "wrong-microsteps": Defect(
        "mis-set microstep",
        "true microsteps per step",
        8,
        lambda stand_in, size: with_field(stand_in, "microsteps", round(size)),
    ),
    "wrong-decoding": Defect(
        "mis-set decoding",
        "true counts per line",
        2,
        lambda stand_in, size: with_field(stand_in, "encoder.decoding", round(size)),
    ),
    "gauge-scale": Defect("gauge out of calibration", "scale error as a ratio", 2e-3, _sets("gauge.scale_error")),
    "gauge-play": Defect("play in the gauge", "play of its spindle in m", 5e-6, _sets("gauge.hysteresis_m")),
    "gauge-drift": Defect("gauge not warmed up", "drift in m", 2e-5, _gauge_drift),
    "warm-screw": Defect("screw warms up", "rise in K", 20.0, _warm_screw),
    "outrun-counter": Defect("outrun counter", "least time between edges in s", 8e-5, _sets("encoder.shortest_edge_s")),
    "weak-supply": Defect("weak supply", "most current in A", 0.12, _sets("supply.limit_a")),
    "resonance": Defect("undamped resonance", "drag left in N m", 1e-3, _resonance),
    "end-stop": Defect("end stop in the stroke", "travel of the stop in m", 0.05, _sets("load.stop_high_m")),
    "weak-brake": Defect("weak brake", "holding torque in N m", 2e-3, _sets("brake.torque_nm")),
}
"""All defects by name."""


def with_defect(stand_in: StandIn, name: str, size: float) -> StandIn:
    """`stand_in` with the defect called `name`.

    Raises
    ------
    BadInput : for a name that isn't known.
    """
    defect = DEFECTS.get(name)
    if defect is None:
        raise BadInput(
            "an unknown defect",
            found=f"'{name}'",
            allowed=", ".join(DEFECTS),
            cure=near_miss(name, DEFECTS),
        )
    return defect.apply(stand_in, size)
