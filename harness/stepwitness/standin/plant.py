"""One axis as physics: the kernel's state and constants, and the encoder tracks that follow its path.

1. Nobody but this module writes the kernel's slots. Whatever acts on the plant (current, pulses, brake, hand, drag)
   is set here and holds from the plant's present time on.
2. Rotor angle is zero at power-up, where the drive's microstep table also begins, so an axis that starts at rest
   doesn't jump when it is first energised.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from stepwitness.axis import Axis, Decoding, Encoder, Mounting
from stepwitness.standin import kernel
from stepwitness.standin.backend import Floats, backend, default_name
from stepwitness.standin.encoder import EncoderTrack, QuadratureDecoder
from stepwitness.standin.motor import microstep_table, torque_constant_nm_per_a
from stepwitness.standin.parameters import LoadPhysics, StandIn
from stepwitness.standin.screw import lag_m, thread_torque

GRAVITY_M_PER_S2 = 9.80665

STEP_RATIO = 0.1
"""Longest step times the fastest angular frequency of the undamped plant; see `longest_step_s`."""

TURNS = 256
"""Turning points that one call of the kernel can hold."""

Follower = Callable[[Sequence[float], float, float], None]


@dataclass(frozen=True)
class Inertia:
    """Of the rotor with all that turns with it, and of the load as the screw reflects it, in kg m2.

    A mass behind a screw with friction weighs more on a rotor that raises it than on one that lowers it, because
    friction in the thread grows with the force of acceleration too.
    """

    turning: float
    raising: float
    lowering: float


def inertia(axis: Axis, stand_in: StandIn) -> Inertia:
    thread = thread_torque(stand_in.screw, float(axis.travel_per_turn))
    turning = stand_in.motor.rotor_inertia_kgm2 + stand_in.screw.inertia_kgm2
    reflected = stand_in.load.mass_kg * travel_per_rad(axis)
    return Inertia(turning, turning + reflected * thread.raise_m, turning - reflected * thread.lower_m)


def travel_per_rad(axis: Axis) -> float:
    return float(axis.travel_per_turn) / (2.0 * math.pi)


def weight_n(load: LoadPhysics) -> float:
    """What hangs on the nut of a vertical axis; nothing on a horizontal one."""
    return load.mass_kg * GRAVITY_M_PER_S2 if load.vertical else 0.0


def longest_step_s(axis: Axis, stand_in: StandIn) -> float:
    """Longest step of the kernel: `STEP_RATIO` over the fastest angular frequency.

    The stiffness is that of motor at rated current, detent and screw together, the inertia the smallest. Leapfrog
    errs in the period of an oscillation by (h w)^2 / 24, and winding currents are exact at any step.
    """
    motor, teeth = stand_in.motor, float(axis.rotor_teeth)
    stiffness = (
        teeth * motor.holding_torque_nm
        + 4.0 * teeth * motor.detent_torque_nm
        + stand_in.screw.stiffness_n_per_m * travel_per_rad(axis) ** 2
    )
    masses = inertia(axis, stand_in)
    return STEP_RATIO / math.sqrt(stiffness / min(masses.turning, masses.raising, masses.lowering))


class Plant:
    """Motor, screw, nut, load, encoders: where they are at one time, and what acts on them."""

    def __init__(
        self,
        axis: Axis,
        stand_in: StandIn,
        *,
        start_s: float = 0.0,
        skip_rest: bool = True,
        step_s: float | None = None,
        kernel_name: str = "",
    ) -> None:
        """At rest at `start_s`, without current.

        `step_s` replaces the kernel's longest step, `kernel_name` ("plain" or "compiled") the environment's choice.
        """
        self._axis, self._stand_in = axis, stand_in
        self._backend = backend(kernel_name or default_name())
        sequence = self._backend.sequence
        motor = stand_in.motor
        self.microsteps = stand_in.microsteps or axis.microsteps
        table = microstep_table(self.microsteps, table_error=motor.table_error, phase_b_share=motor.phase_b_share)
        self._cosines, self._sines = map(sequence, table)
        self._state = sequence([0.0] * kernel.STATE_SIZE)
        self._state[kernel.TIME] = start_s
        self._state[kernel.LOAD] = stand_in.start_m
        self._constants = sequence(_constants(axis, stand_in))
        self._constants[kernel.SKIP] = float(skip_rest)
        self._constants[kernel.STEP_S] = step_s or longest_step_s(axis, stand_in)
        self._pulses = sequence([])
        self._turn_rotor, self._turn_load = sequence([0.0] * TURNS), sequence([0.0] * TURNS)
        self._tracks: list[tuple[EncoderTrack, Mounting]] = []
        self._followers: list[Follower] = []
        self._pulses_sent = 0
        self._weight_n = weight_n(stand_in.load)
        self._braked = False
        self._set_drag(0.0)

    # -- what acts on the plant ------------------------------------------------------------------------------

    def set_amplitude(self, current_a: float) -> None:
        """Amplitude to which the output stage regulates the windings; 0 leaves them without current."""
        self._constants[kernel.AMPLITUDE_A] = current_a * self._stand_in.motor.current_scale

    def set_pulses(self, times_s: Floats, *, forward: bool) -> None:
        """The pulses to come; those of an earlier call that weren't sent are forgotten."""
        self._pulses_sent = self.pulses_sent
        self._pulses = self._backend.sequence(times_s)
        self._state[kernel.NEXT_PULSE] = 0.0
        self._constants[kernel.WAY] = 1.0 if forward else -1.0

    def set_external_force(self, force_n: float) -> None:
        """Force on the load along travel, besides gravity and the gauge."""
        self._constants[kernel.EXTERNAL_N] = force_n - self._weight_n

    def set_shaft_torque(self, torque_nm: float) -> None:
        self._constants[kernel.SHAFT_TORQUE_NM] = torque_nm

    def set_viscous(self, nms: float) -> None:
        """Damping of the rotor in N m s."""
        self._constants[kernel.VISCOUS_NMS] = nms

    def set_guide_drag(self, force_n: float) -> None:
        """Friction that a drag adds to the guide's."""
        load = self._stand_in.load
        self._constants[kernel.GUIDE_N] = load.friction_n + force_n
        self._constants[kernel.GUIDE_STATIC_N] = load.friction_n * load.static_ratio + force_n

    def set_brake(self, *, holds: bool) -> None:
        if holds != self._braked:
            self._braked = holds
            self._set_drag(self._stand_in.brake.torque_nm if holds else 0.0)

    def watch(self, encoder: Encoder, *, seed: str) -> QuadratureDecoder:
        """Put an encoder on the axis; the decoder that is returned counts from now on, from 0."""
        physics = self._stand_in.encoder
        on_motor = encoder.mounting is Mounting.MOTOR
        states = 4.0 * float(physics.lines or encoder.lines) * encoder.sign
        if on_motor:
            states /= 2.0 * math.pi
        decoder = QuadratureDecoder(Decoding(physics.decoding) if physics.decoding else encoder.decoding)
        track = EncoderTrack(
            decoder=decoder,
            physics=physics,
            states_per_unit=states,
            origin=self.rotor_rad if on_motor else self.load_m,
            rotary=on_motor,
            seed=f"{self._stand_in.seed}:{seed}",
        )
        self._tracks.append((track, encoder.mounting))
        return decoder

    def follow_load(self, follower: Follower) -> None:
        """Call `follower` with where the load turned, where it stands and when, each time the plant has advanced."""
        self._followers.append(follower)

    # -- time --------------------------------------------------------------------------------------------------

    def advance(self, until_s: float) -> None:
        """Integrate to `until_s`. A pulse at that very instant is left for the next call."""
        self._constants[kernel.END_S] = until_s
        while self.time_s < until_s:
            before_s = self.time_s
            turns = self._backend.integrate(
                self._state,
                self._constants,
                self._cosines,
                self._sines,
                self._pulses,
                self._turn_rotor,
                self._turn_load,
            )
            for track, mounting in self._tracks:
                on_motor = mounting is Mounting.MOTOR
                if turns:
                    for place in self._backend.floats(self._turn_rotor if on_motor else self._turn_load, turns):
                        track.move_to(place)
                seconds = math.inf if turns else self.time_s - before_s
                track.move_to(self.rotor_rad if on_motor else self.load_m, seconds=seconds)
            for follow in self._followers:
                follow(self._backend.floats(self._turn_load, turns), self.load_m, self.time_s)

    # -- where everything is -----------------------------------------------------------------------------------

    @property
    def time_s(self) -> float:
        return float(self._state[kernel.TIME])

    @property
    def pulses_sent(self) -> int:
        """Pulses since power-up, whatever their way."""
        return self._pulses_sent + int(self._state[kernel.NEXT_PULSE])

    @property
    def forward(self) -> bool:
        """Whether the present pulses turn the rotor up."""
        return bool(self._constants[kernel.WAY] > 0.0)

    @property
    def rotor_rad(self) -> float:
        return float(self._state[kernel.ROTOR])

    @property
    def speed_rad_per_s(self) -> float:
        return float(self._state[kernel.SPEED])

    @property
    def load_m(self) -> float:
        return float(self._state[kernel.LOAD])

    @property
    def nut_m(self) -> float:
        """Travel of the nut, from which the load hangs back or runs ahead."""
        constants = self._constants
        return float(
            constants[kernel.NUT_OFFSET_M]
            + self._state[kernel.SCREW] * constants[kernel.TRAVEL_PER_RAD]
            + constants[kernel.PITCH_ERROR_M] * math.sin(self._state[kernel.SCREW])
        )

    @property
    def currents_a(self) -> tuple[float, float]:
        """In the two windings."""
        return float(self._state[kernel.CURRENT_A]), float(self._state[kernel.CURRENT_B])

    @property
    def at_rest(self) -> bool:
        return self.speed_rad_per_s == 0.0

    def _set_drag(self, brake_nm: float) -> None:
        screw = self._stand_in.screw
        self._constants[kernel.DRAG_NM] = screw.drag_torque_nm + brake_nm
        self._constants[kernel.DRAG_STATIC_NM] = screw.drag_torque_nm * screw.drag_static_ratio + brake_nm


def _constants(axis: Axis, stand_in: StandIn) -> list[float]:
    motor, screw, load, gauge = stand_in.motor, stand_in.screw, stand_in.load, stand_in.gauge
    thread, masses = thread_torque(screw, float(axis.travel_per_turn)), inertia(axis, stand_in)
    hanging = lag_m(weight_n(load), stiffness_n_per_m=screw.stiffness_n_per_m, backlash_m=screw.backlash_m)
    values = {
        kernel.WAY: 1.0,
        kernel.SUPPLY_V: motor.supply_v,
        kernel.RESISTANCE_OHM: motor.resistance_ohm,
        kernel.INDUCTANCE_H: motor.inductance_h,
        kernel.TORQUE_CONSTANT: torque_constant_nm_per_a(motor),
        kernel.ROTOR_TEETH: float(axis.rotor_teeth),
        kernel.DETENT_NM: motor.detent_torque_nm,
        kernel.VISCOUS_NMS: motor.viscous_nms,
        kernel.INVERSE_INERTIA_RAISING: 1.0 / masses.raising,
        kernel.INVERSE_INERTIA_LOWERING: 1.0 / masses.lowering,
        kernel.RAISE_M: thread.raise_m,
        kernel.LOWER_M: thread.lower_m,
        kernel.TRAVEL_PER_RAD: travel_per_rad(axis) * (1.0 + screw.lead_error),
        kernel.NUT_OFFSET_M: stand_in.start_m + hanging,
        kernel.PITCH_ERROR_M: screw.pitch_error_m,
        kernel.STIFFNESS: screw.stiffness_n_per_m,
        kernel.HALF_BACKLASH_M: screw.backlash_m / 2.0,
        kernel.GUIDE_N: load.friction_n,
        kernel.GUIDE_STATIC_N: load.friction_n * load.static_ratio,
        kernel.EXTERNAL_N: -weight_n(load),
        kernel.STICKY_FROM_M: load.sticky_from_m,
        kernel.STICKY_TO_M: load.sticky_to_m,
        kernel.STICKY_N: load.sticky_friction_n,
        kernel.GAUGE_FROM_M: gauge.zero_at_m,
        kernel.GAUGE_N: gauge.measuring_force_n,
        kernel.STOP_LOW_M: load.stop_low_m,
        kernel.STOP_HIGH_M: load.stop_high_m,
        kernel.STOP_STIFFNESS: load.stop_stiffness_n_per_m,
        kernel.REGULATOR_LAG_S: motor.regulator_lag_s,
        kernel.DRAG_WAVE: screw.drag_wave,
        kernel.HALF_SLACK_RAD: math.pi * screw.coupling_slack_turns,
    }
    return [values.get(slot, 0.0) for slot in range(kernel.CONSTANTS_SIZE)]
