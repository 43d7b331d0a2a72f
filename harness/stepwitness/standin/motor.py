"""Closed forms of the ideal two-phase hybrid stepper, and its microstep table.

First principles throughout: the torque of a phase is its current times the slope of its flux linkage, which is a
sine with as many periods a turn as the rotor has teeth.
"""

from __future__ import annotations

import math

from stepwitness.standin.parameters import MotorPhysics


def torque_constant_nm_per_a(motor: MotorPhysics) -> float:
    """Peak torque of one phase per ampere; the back-EMF constant in V s/rad is the same number."""
    return motor.holding_torque_nm / motor.rated_current_a


def saturation_per_a2(motor: MotorPhysics) -> float:
    """Of the law by which the torque constant falls: ``K(i) = K(0) / sqrt(1 + s i^2)``, a torque that rises in
    proportion at first and ends at ``K(0) / sqrt(s)``. The back-EMF constant falls with it, so no power is lost."""
    return (motor.saturation / motor.rated_current_a) ** 2


def unsaturated_constant_nm_per_a(motor: MotorPhysics) -> float:
    """Torque constant at no current, such that the holding torque at rated current is the one that was set."""
    return torque_constant_nm_per_a(motor) * math.sqrt(1.0 + motor.saturation**2)


def holding_torque_nm(motor: MotorPhysics, current_a: float) -> float:
    """Peak of the torque-angle curve with `current_a` in one winding; in proportion where iron doesn't saturate."""
    weaker = math.sqrt(1.0 + saturation_per_a2(motor) * current_a * current_a)
    return unsaturated_constant_nm_per_a(motor) * current_a / weaker


def winding_torque_nm(motor: MotorPhysics, currents_a: tuple[float, float], electrical_rad: float) -> float:
    """Torque of both windings where the rotor stands at an electrical angle."""
    first, second = (holding_torque_nm(motor, current_a) for current_a in currents_a)
    return second * math.cos(electrical_rad) - first * math.sin(electrical_rad)


def static_lag_rad(load_torque_nm: float, holding_torque_nm: float, rotor_teeth: int) -> float:
    """Angle by which a rotor at rest trails its command: ``asin(T / Th) / Nr``.

    Raises
    ------
    ValueError : where the load exceeds the holding torque, so that no rest exists.
    """
    ratio = load_torque_nm / holding_torque_nm
    if abs(ratio) > 1.0:
        raise ValueError("the load exceeds the holding torque")
    return math.asin(ratio) / rotor_teeth


def stiffness_nm_per_rad(holding_torque_nm: float, rotor_teeth: int, lag_rad: float = 0.0) -> float:
    """Slope of the torque-angle curve at a lag: ``Nr Th cos(Nr lag)``."""
    return rotor_teeth * holding_torque_nm * math.cos(rotor_teeth * lag_rad)


def resonance_hz(stiffness_nm_per_rad: float, inertia_kgm2: float) -> float:
    """Frequency of small swings without damping."""
    return math.sqrt(stiffness_nm_per_rad / inertia_kgm2) / (2.0 * math.pi)


def current_after_s(time_s: float, *, voltage_v: float, resistance_ohm: float, inductance_h: float) -> float:
    """Current of a winding at rest, `time_s` after `voltage_v` was put on it."""
    return voltage_v / resistance_ohm * -math.expm1(-resistance_ohm * time_s / inductance_h)


def rise_time_s(current_a: float, *, voltage_v: float, resistance_ohm: float, inductance_h: float) -> float:
    """Time in which a winding at rest reaches `current_a`; infinite where the voltage never gets it there."""
    left = 1.0 - current_a * resistance_ohm / voltage_v
    return math.inf if left <= 0.0 else -inductance_h / resistance_ohm * math.log(left)


def back_emf_v(motor: MotorPhysics, speed_rad_per_s: float) -> float:
    """Peak back-EMF of one phase."""
    return torque_constant_nm_per_a(motor) * speed_rad_per_s


def microstep_table(
    microsteps: int, *, table_error: float = 0.0, phase_b_share: float = 1.0
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Currents of both windings over one electrical period (four full steps), one pair a microstep.

    Cosine and sine of the command, with a third harmonic of relative amplitude `table_error`, the second winding
    scaled by `phase_b_share`.
    """
    size = 4 * microsteps
    angles = [2.0 * math.pi * index / size for index in range(size)]
    first = tuple(math.cos(angle) + table_error * math.cos(3.0 * angle) for angle in angles)
    second = tuple(phase_b_share * (math.sin(angle) - table_error * math.sin(3.0 * angle)) for angle in angles)
    return first, second
