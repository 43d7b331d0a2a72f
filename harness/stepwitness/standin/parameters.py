"""Physical parameters of a stand-in axis and its instruments, in SI.

A defect is a value here that a healthy unit wouldn't have; nothing that judges an axis reads these.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any


@dataclass(frozen=True)
class MotorPhysics:
    """Two-phase hybrid stepper and its output stage.

    Holding torque is at rated current with both phases in quadrature (peak of the torque-angle curve). Detent is the
    amplitude of the fourth harmonic. `current_scale` is the ratio of the current that flows to the one that was set;
    `phase_b_share` scales the second winding's current beyond that (0: a lost winding); `table_error` is a third
    harmonic in the microstep currents.

    `regulator_lag_s` is the time constant of a regulator that isn't ideal. `ripple_a` is the peak-to-peak ripple of
    one that switches off at the current set: a winding's mean lies half of it lower. `saturation` is the rated
    current over the current at which iron saturates (0: never); holding torque stays what it is at rated current.
    """

    holding_torque_nm: float = 0.40
    rated_current_a: float = 1.2
    resistance_ohm: float = 2.4
    inductance_h: float = 3.6e-3
    rotor_inertia_kgm2: float = 5.7e-6
    detent_torque_nm: float = 0.0
    viscous_nms: float = 1.0e-4
    supply_v: float = 24.0
    current_scale: float = 1.0
    phase_b_share: float = 1.0
    table_error: float = 0.0
    regulator_lag_s: float = 0.0
    ripple_a: float = 0.0
    saturation: float = 0.0


@dataclass(frozen=True)
class ScrewPhysics:
    """Screw and nut. Backlash is the full clearance in travel; stiffness is axial, motor shaft to load.

    Friction in the thread follows the screw equation (mean diameter, coefficient, half profile angle);
    `drag_torque_nm` is what bearings, seals and nut preload take whatever the load. `pitch_error_m` is the amplitude
    of an error with the period of one turn, `lead_error` a ratio by which the true lead exceeds the nominal one.
    `drag_wave` is the share of the drag that comes and goes once a turn (a bent screw). `coupling_slack_turns` is the
    full play between motor shaft and screw; a screw held by its own friction stays while the slack is passed, one
    that its load turns rests on one flank. `nut_stiffness_n_per_m` is the stiffness of the contact in the nut, in
    series with the screw's own (0: a rigid contact). `stribeck_m_per_s` is the travel speed at which drag has fallen
    half way from static to sliding (0: it falls at once). `wear` is clearance grown over travel passed.
    """

    mean_diameter_m: float = 7.0e-3
    friction_coefficient: float = 0.15
    half_angle_turns: float = 15.0 / 360.0
    inertia_kgm2: float = 3.0e-7
    drag_torque_nm: float = 0.012
    drag_static_ratio: float = 1.2
    backlash_m: float = 8.0e-6
    stiffness_n_per_m: float = 2.0e7
    pitch_error_m: float = 0.0
    lead_error: float = 0.0
    drag_wave: float = 0.0
    coupling_slack_turns: float = 0.0
    nut_stiffness_n_per_m: float = 0.0
    stribeck_m_per_s: float = 0.0
    wear: float = 0.0


@dataclass(frozen=True)
class LoadPhysics:
    """Carriage on its guide. Static friction is `friction_n` times `static_ratio`.

    `stribeck_m_per_s` is the speed at which friction has fallen half way from static to sliding (0: at once).
    `stop_damping_m_per_s` is the speed into an end stop at which damping doubles its push (0: an elastic stop); of a
    speed v well below it about ``v (1 - 2/3 v / stop_damping)`` comes back. `pitch_turns` is the amplitude of the
    carriage's pitch along the guide, `pitch_period_m` its period.
    """

    mass_kg: float = 0.8
    friction_n: float = 4.0
    static_ratio: float = 1.2
    vertical: bool = False
    sticky_from_m: float = 0.0
    sticky_to_m: float = 0.0
    sticky_friction_n: float = 0.0
    stop_low_m: float = -0.002
    stop_high_m: float = 0.062
    stop_stiffness_n_per_m: float = 5.0e6
    stribeck_m_per_s: float = 0.0
    stop_damping_m_per_s: float = 0.0
    pitch_turns: float = 0.0
    pitch_period_m: float = 0.1


@dataclass(frozen=True)
class EncoderPhysics:
    """Encoder and counter.

    Chance per edge that the counter misses it or sees it twice. `phase` is how far into a state it powers up;
    `duty_error` and `phase_error` shift edges of A and all of B, in lines; `eccentricity_turns` is the amplitude of
    an angle error once a turn (motor only). `shortest_edge_s` is the least time between edges that the counter
    follows: faster ones come in too late to be told from the next. `index_turns` is where the index pulse lies, from
    power-up (motor only). `lines` and `decoding` (1, 2, 4) are what is truly
    there where the bench file has it wrong; 0 means as the bench says.
    """

    missed_edge: float = 0.0
    doubled_edge: float = 0.0
    phase: float = 0.5
    duty_error: float = 0.0
    phase_error: float = 0.0
    eccentricity_turns: float = 0.0
    shortest_edge_s: float = 0.0
    index_turns: float = 0.25
    lines: int = 0
    decoding: int = 0


@dataclass(frozen=True)
class GaugePhysics:
    """Resolution and noise (standard deviation) in metres; scale error as a ratio; force on the load in newtons.

    `hysteresis_m` is the play of the gauge's own spindle, `tilt_turns` the angle between its line and the travel
    (cosine error), `lag_s` the age of what it shows. `abbe_offset_m` is the distance of its line from the nut's, by
    which the carriage's pitch shows. `drift_m` is how far its zero wanders while it warms up, with the time constant
    `drift_settle_s`.
    """

    resolution_m: float = 1.0e-7
    noise_m: float = 1.5e-7
    scale_error: float = 0.0
    measuring_force_n: float = 0.6
    range_m: float = 0.065
    zero_at_m: float = -0.0025
    hysteresis_m: float = 0.0
    tilt_turns: float = 0.0
    lag_s: float = 0.0
    abbe_offset_m: float = 0.0
    drift_m: float = 0.0
    drift_settle_s: float = 1200.0


@dataclass(frozen=True)
class MeterPhysics:
    """Noise (standard deviation) and resolution; the regulator's ripple is the motor's."""

    noise_a: float = 1.0e-3
    resolution_a: float = 0.0


@dataclass(frozen=True)
class SupplyPhysics:
    """Source of the output stage, whose voltage is the motor's `supply_v`.

    `limit_a` is the most that it gives (0: no limit); beyond that its capacitors give, which alone could give the
    limit for `hold_up_s`. `ripple_v` (peak to peak) and `resolution_v` show in the voltage that it reports.
    """

    limit_a: float = 0.0
    hold_up_s: float = 5.0e-3
    ripple_v: float = 0.0
    resolution_v: float = 0.0


@dataclass(frozen=True)
class ThermalPhysics:
    """Slow heat: how far winding and screw warm up, and how fast.

    `winding_rise_k` is the winding's rise at rated current held forever (0: it stays cold), `screw_rise_k` the
    screw's while friction turns the rated copper heat into heat there; of the copper heat `motor_share` reaches the
    screw. The screw is held at `fixed_at_m`, in travel, and grows from there by `expansion` per kelvin.
    """

    winding_rise_k: float = 0.0
    winding_settle_s: float = 300.0
    screw_rise_k: float = 0.0
    screw_settle_s: float = 1200.0
    motor_share: float = 0.2
    expansion: float = 1.15e-5
    fixed_at_m: float = -0.02


@dataclass(frozen=True)
class BrakePhysics:
    """Holding torque at the motor shaft and closing delay. A bench without a brake has torque 0."""

    torque_nm: float = 0.0
    closing_delay_s: float = 0.03


@dataclass(frozen=True)
class Hand:
    """A push on the load: force (signed along travel) from `from_s` to `to_s` on the bench's clock."""

    from_s: float
    to_s: float
    force_n: float


@dataclass(frozen=True)
class Ambient:
    """From `from_s` on, on the bench's clock, the surroundings are `rise_k` warmer than when the axis was measured."""

    from_s: float
    rise_k: float


@dataclass(frozen=True)
class StandIn:
    """A whole stand-in: physics, seed, and the time that one exchange with a part takes.

    `microsteps` is what the drive is truly set to where the bench file has it wrong; 0 means as the bench says.
    """

    motor: MotorPhysics = field(default_factory=MotorPhysics)
    screw: ScrewPhysics = field(default_factory=ScrewPhysics)
    load: LoadPhysics = field(default_factory=LoadPhysics)
    encoder: EncoderPhysics = field(default_factory=EncoderPhysics)
    gauge: GaugePhysics = field(default_factory=GaugePhysics)
    meter: MeterPhysics = field(default_factory=MeterPhysics)
    supply: SupplyPhysics = field(default_factory=SupplyPhysics)
    brake: BrakePhysics = field(default_factory=BrakePhysics)
    thermal: ThermalPhysics = field(default_factory=ThermalPhysics)
    hands: tuple[Hand, ...] = ()
    ambient: tuple[Ambient, ...] = ()
    start_m: float = 0.03
    limit_low_m: float = 0.0
    limit_high_m: float = 0.06
    exchange_s: float = 2.0e-4
    microsteps: int = 0
    seed: int = 1


def with_field(stand_in: StandIn, name: str, value: Any) -> StandIn:
    """`stand_in` with the field of that dotted name (``"screw.backlash_m"``) set to `value`."""
    section, _, field_name = name.rpartition(".")
    changes: dict[str, Any] = {field_name: value}
    if section:
        changes = {section: replace(getattr(stand_in, section), **changes)}
    return replace(stand_in, **changes)
