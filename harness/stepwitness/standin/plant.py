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
from typing import TYPE_CHECKING

from stepwitness.axis import Axis, Decoding, Encoder, Mounting
from stepwitness.standin import kernel
from stepwitness.standin.backend import backend, default_name
from stepwitness.standin.encoder import EncoderTrack, QuadratureDecoder
from stepwitness.standin.motor import microstep_table, saturation_per_a2, unsaturated_constant_nm_per_a
from stepwitness.standin.parameters import LoadPhysics, StandIn
from stepwitness.standin.screw import lag_m, stiffness_n_per_m, thread_torque
from stepwitness.standin.thermal import SlowModel

if TYPE_CHECKING:
    from stepwitness.standin.backend import Floats

GRAVITY_M_PER_S2 = 9.80665

STEP_RATIO = 0.2
"""Longest step times the fastest angular frequency of the undamped plant; see `longest_step_s`."""

EVENTS = 256
"""Events that one call of the kernel can hold."""

EDGE_RATE_SLICE_S = 1.0e-3
"""Over which the rate of an encoder's edges is averaged, where a counter can be outrun."""

Follower = Callable[[Sequence[float], float, float], None]
Witness = Callable[[float, float, float, float], None]


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
        + stiffness_n_per_m(stand_in.screw) * travel_per_rad(axis) ** 2
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
        self._integrate, sequence = self._backend.integrate, self._backend.sequence
        motor, screw, supply = stand_in.motor, stand_in.screw, stand_in.supply
        self.microsteps = stand_in.microsteps or axis.microsteps
        table = microstep_table(self.microsteps, table_error=motor.table_error, phase_b_share=motor.phase_b_share)
        self._cosines, self._sines = map(sequence, table)
        constants = _constants(axis, stand_in)
        self._constants = sequence(constants)
        self._constants[kernel.SKIP] = float(skip_rest)
        self._constants[kernel.STEP_S] = step_s or longest_step_s(axis, stand_in)
        self._state = sequence([0.0] * kernel.STATE_SIZE)
        self._state[kernel.TIME] = start_s
        self._state[kernel.LOAD] = stand_in.start_m
        if weight_n(stand_in.load) * -constants[kernel.LOWER_M] > constants[kernel.SCREW_HOLD_NM]:
            # What hangs turns the screw, which so rests on the lower flank of the coupling's slack.
            self._state[kernel.SCREW] = -constants[kernel.HALF_SLACK_RAD]
            self._constants[kernel.NUT_OFFSET_M] -= constants[kernel.TRAVEL_PER_RAD] * self._state[kernel.SCREW]
        self.time_s = start_s
        """Present time of the plant."""
        self._pulses = sequence([])
        self._events = tuple(sequence([0.0] * EVENTS) for _ in range(4))
        self._tracks: list[tuple[EncoderTrack, bool]] = []
        self._followers: list[Follower] = []
        self._witnesses: list[Witness] = []
        self._pulses_sent = 0
        self._weight_n = weight_n(stand_in.load)
        self._braked = False
        self._set_drag(0.0)
        self._has_bus_limit = supply.limit_a > 0.0
        self._cold = (float(self._constants[kernel.NUT_OFFSET_M]), constants[kernel.TRAVEL_PER_RAD])
        slow = SlowModel(
            stand_in.thermal,
            stand_in.ambient,
            rated_copper_w=motor.resistance_ohm * motor.rated_current_a**2,
            wear=screw.wear,
        )
        self._slow = slow if slow.changes else None
        self._slice_s = slow.slice_s if slow.changes else math.inf
        self._slow_from_s = start_s
        self._copper_as2 = self._turned_rad = 0.0
        self._last_rotor_rad = 0.0
        if self._slow is not None:
            slow.state.winding_k = slow.state.screw_k = slow.ambient_k(start_s)
            self._warm(slow)

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

    def set_supply_limit(self, limit_a: float) -> None:
        """The most that the supply gives from now on, if that is less than it can give at all.

        Its capacitors stay what they are; a supply without a limit of its own has those that `SupplyPhysics` gives one
        with this limit.
        """
        own = self._stand_in.supply
        least_a = max(limit_a, _LEAST_LIMIT_A)
        self._constants[kernel.BUS_LIMIT_A] = min(least_a, own.limit_a) if own.limit_a else least_a
        if not own.limit_a:
            self._constants[kernel.BUS_F] = least_a * own.hold_up_s / self._stand_in.motor.supply_v
        self._has_bus_limit = True

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
        self._tracks.append((track, on_motor))
        if physics.shortest_edge_s:
            self._slice_s = min(self._slice_s, EDGE_RATE_SLICE_S)
        return decoder

    def follow_load(self, follower: Follower) -> None:
        """Call `follower` with where the load turned, where it stands and when, each time the plant has advanced."""
        self._followers.append(follower)

    def on_event(self, witness: Witness) -> None:
        """Call `witness` with kind (see `kernel`), time, rotor angle and load travel of each event, in their order."""
        self._witnesses.append(witness)

    # -- time --------------------------------------------------------------------------------------------------

    def advance(self, until_s: float) -> None:
        """Integrate to `until_s`. A pulse at that very instant is left for the next call."""
        if self._slice_s == math.inf:
            self._advance(until_s)
            return
        while self.time_s < until_s:
            self._advance(min(until_s, self.time_s + self._slice_s))
            if self._slow is not None:
                self._pass_slow_time(self._slow)

    def _advance(self, until_s: float) -> None:
        state = self._state
        self._constants[kernel.END_S] = until_s
        while self.time_s < until_s:
            before_s = self.time_s
            events = self._integrate(state, self._constants, self._cosines, self._sines, self._pulses, *self._events)
            self.time_s = float(state[kernel.TIME])
            rotor_rad, load_m = float(state[kernel.ROTOR]), float(state[kernel.LOAD])
            if events:
                kinds, times, rotor_turns, load_turns = (self._backend.floats(item, events) for item in self._events)
                for witness in self._witnesses:
                    for event in zip(kinds, times, rotor_turns, load_turns, strict=True):
                        witness(*event)
                for track, on_motor in self._tracks:
                    for place in rotor_turns if on_motor else load_turns:
                        track.move_to(place)
                    track.move_to(rotor_rad if on_motor else load_m)
            else:
                rotor_turns = load_turns = []
                for track, on_motor in self._tracks:
                    track.move_to(rotor_rad if on_motor else load_m, seconds=self.time_s - before_s)
            for follow in self._followers:
                follow(load_turns, load_m, self.time_s)
            if self._slow is not None:
                self._copper_as2 += (state[kernel.CURRENT_A] ** 2 + state[kernel.CURRENT_B] ** 2) * (
                    self.time_s - before_s
                )
                for place in (*rotor_turns, rotor_rad):
                    self._turned_rad += abs(place - self._last_rotor_rad)
                    self._last_rotor_rad = place

    def _pass_slow_time(self, slow: SlowModel) -> None:
        """Let heat and wear of the last slice act, once it is full."""
        seconds = self.time_s - self._slow_from_s
        if seconds < slow.slice_s * (1.0 - 1.0e-9):
            return
        constants = self._constants
        friction_nm = constants[kernel.DRAG_NM] + constants[kernel.GUIDE_N] * constants[kernel.RAISE_M]
        slow.pass_time(
            seconds,
            until_s=self.time_s,
            copper_w=float(constants[kernel.RESISTANCE_OHM]) * self._copper_as2 / seconds,
            friction_j=float(friction_nm) * self._turned_rad,
            travelled_m=self._turned_rad * self._cold[1],
        )
        self._slow_from_s, self._copper_as2, self._turned_rad = self.time_s, 0.0, 0.0
        self._warm(slow)

    def _warm(self, slow: SlowModel) -> None:
        """Resistance, length of the screw from its locating bearing, and clearance as heat and wear have made them."""
        offset_m, per_rad = self._cold
        fixed_m = self._stand_in.thermal.fixed_at_m
        constants = self._constants
        constants[kernel.RESISTANCE_OHM] = self._stand_in.motor.resistance_ohm * slow.resistance_ratio
        constants[kernel.NUT_OFFSET_M] = fixed_m + (offset_m - fixed_m) * slow.length_ratio
        constants[kernel.TRAVEL_PER_RAD] = per_rad * slow.length_ratio
        constants[kernel.HALF_BACKLASH_M] = (self._stand_in.screw.backlash_m + slow.worn_m) / 2.0

    # -- where everything is -----------------------------------------------------------------------------------

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
        return bool(self._state[kernel.SPEED] == 0.0)

    @property
    def supply_v(self) -> float:
        """Where the supply's capacitors stand."""
        bus_v = float(self._state[kernel.BUS_V])
        return bus_v if self._has_bus_limit and bus_v else self._stand_in.motor.supply_v

    @property
    def winding_rise_k(self) -> float:
        return self._slow.state.winding_k if self._slow else 0.0

    @property
    def screw_rise_k(self) -> float:
        return self._slow.state.screw_k if self._slow else 0.0

    def _set_drag(self, brake_nm: float) -> None:
        screw = self._stand_in.screw
        self._constants[kernel.DRAG_NM] = screw.drag_torque_nm + brake_nm
        self._constants[kernel.DRAG_STATIC_NM] = screw.drag_torque_nm * screw.drag_static_ratio + brake_nm


_LEAST_LIMIT_A = 1e-3
"""0 stands for a supply without a limit."""


def _constants(axis: Axis, stand_in: StandIn) -> list[float]:
    motor, screw, load, gauge = stand_in.motor, stand_in.screw, stand_in.load, stand_in.gauge
    supply, stiffness = stand_in.supply, stiffness_n_per_m(screw)
    thread, masses = thread_torque(screw, float(axis.travel_per_turn)), inertia(axis, stand_in)
    hanging = lag_m(weight_n(load), stiffness_n_per_m=stiffness, backlash_m=screw.backlash_m)
    per_rad = travel_per_rad(axis)
    values = {
        kernel.WAY: 1.0,
        kernel.SUPPLY_V: motor.supply_v,
        kernel.RESISTANCE_OHM: motor.resistance_ohm,
        kernel.INDUCTANCE_H: motor.inductance_h,
        kernel.TORQUE_CONSTANT: unsaturated_constant_nm_per_a(motor),
        kernel.ROTOR_TEETH: float(axis.rotor_teeth),
        kernel.DETENT_NM: motor.detent_torque_nm,
        kernel.VISCOUS_NMS: motor.viscous_nms,
        kernel.INVERSE_INERTIA_RAISING: 1.0 / masses.raising,
        kernel.INVERSE_INERTIA_LOWERING: 1.0 / masses.lowering,
        kernel.RAISE_M: thread.raise_m,
        kernel.LOWER_M: thread.lower_m,
        kernel.TRAVEL_PER_RAD: per_rad * (1.0 + screw.lead_error),
        kernel.NUT_OFFSET_M: stand_in.start_m + hanging,
        kernel.PITCH_ERROR_M: screw.pitch_error_m,
        kernel.STIFFNESS: stiffness,
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
        kernel.SATURATION: saturation_per_a2(motor),
        kernel.HALF_RIPPLE_A: motor.ripple_a / 2.0,
        kernel.BUS_LIMIT_A: supply.limit_a,
        kernel.BUS_F: supply.limit_a * supply.hold_up_s / motor.supply_v,
        kernel.DRAG_STRIBECK: screw.stribeck_m_per_s / per_rad,
        kernel.GUIDE_STRIBECK: load.stribeck_m_per_s / per_rad,
        kernel.STOP_DAMPING: per_rad / load.stop_damping_m_per_s if load.stop_damping_m_per_s else 0.0,
        kernel.SCREW_HOLD_NM: screw.drag_torque_nm * screw.drag_static_ratio,
    }
    return [values.get(slot, 0.0) for slot in range(kernel.CONSTANTS_SIZE)]
