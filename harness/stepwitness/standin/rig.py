"""A stand-in bench: one plant behind the interfaces of its parts, on a clock.

1. The plant is advanced to the clock's time whenever a part is told something or asked what only the plant knows,
   and never runs ahead of it.
2. Each exchange costs time: half before the value is taken and half after.
3. Between two instants at which something changes for the plant (`_calm_until_s`) a look is one call of its kernel.
4. What a part answers comes from the plant or from what the part was told; nothing answers with the truth that its
   real sister wouldn't know.
"""

from __future__ import annotations

import math
import threading
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TypeVar

from stepwitness.axis import Axis, Decoding, Encoder, Mounting
from stepwitness.devices.interfaces import Clock
from stepwitness.errors import BadInput
from stepwitness.standin import parts
from stepwitness.standin.checks import check
from stepwitness.standin.drive import PulseGenerator
from stepwitness.standin.instruments import GaugeReading, MeterReading, SupplyReading
from stepwitness.standin.loop import LOOP_S, PositionLoop
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class Truth:
    """Where everything truly is: for tests and pictures, never for what judges.

    `slipped_full_steps` is the rotor's distance from the equilibrium that the pulses sent would have led it to,
    rounded to whole electrical periods.
    """

    load_m: float
    nut_m: float
    rotor_turns: float
    speed_turns_per_s: float
    currents_a: tuple[float, float]
    pulses: int
    slipped_full_steps: int
    at_rest: bool


class Rig:
    """All stand-in parts of one axis.

    Parameters
    ----------
    axis, stand_in : geometry and physics; numbers that no axis could have raise `BadInput`.
    clock : virtual or wall; the plant starts at its present time.
    skip_rest : whether time is skipped while nothing moves and nothing is commanded.
    kernel_name : "plain" or "compiled", see `stepwitness.standin.backend`.
    """

    def __init__(
        self, axis: Axis, stand_in: StandIn, clock: Clock, *, skip_rest: bool = True, kernel_name: str = ""
    ) -> None:
        check(axis, stand_in)
        self.axis, self.stand_in, self.clock = axis, stand_in, clock
        self._lock = threading.RLock()
        self.plant = Plant(axis, stand_in, start_s=clock.now(), skip_rest=skip_rest, kernel_name=kernel_name)
        self.generator = PulseGenerator(
            rated_current_a=stand_in.motor.rated_current_a, microsteps_per_turn=axis.microsteps_per_turn
        )
        self._pulses_seen = 0
        self._net_pulses = 0
        self._pushed_n = 0.0
        self._half_exchange_s = stand_in.exchange_s / 2.0
        self._calm_until_s = -math.inf
        self._hand_changes_s = sorted(time for hand in stand_in.hands for time in (hand.from_s, hand.to_s))
        self.supply_on = True
        self.brake_told = stand_in.brake.torque_nm > 0.0
        self._brake_holds_from_s = clock.now() if self.brake_told else math.inf
        self.stop_circuit_closed = True
        self._drive: parts.Drive | None = None
        self._loop: PositionLoop | None = None
        self._counter: parts.Counter | None = None
        self._gauge: parts.Gauge | None = None
        self._meter: parts.Meter | None = None
        self._supply: parts.Supply | None = None

    # -- parts -------------------------------------------------------------------------------------------------

    def drive(self, *, closed_loop: bool = False) -> parts.Drive:
        """The drive: a `ClosedLoopDrive` with an encoder of its own on the motor where `closed_loop` is set.

        Every call hands out the same one; its kind is settled by the first.
        """
        if self._drive is None:
            self._drive = parts.ClosedLoopDrive(self, self._close_loop()) if closed_loop else parts.Drive(self)
        return self._drive

    def counter(self) -> parts.Counter:
        """The counter behind the axis' encoder, which counts from the first call on.

        Raises
        ------
        BadInput : where the axis has no encoder.
        """
        if self._counter is None:
            if self.axis.encoder is None:
                raise BadInput(f"axis '{self.axis.name}' has no encoder", allowed="a 'counter' part in the bench file")
            with self._lock:
                self.advance()
                self._counter = parts.Counter(self, self.plant.watch(self.axis.encoder, seed="counter"))
        return self._counter

    def gauge(self, sense: int = 1) -> parts.Gauge:
        """The displacement gauge on the load; `sense` is -1 where its reading falls while travel grows.

        Every call hands out the same one; its sense is settled by the first.
        """
        if self._gauge is None:
            with self._lock:
                self._advance()
                reading = GaugeReading(
                    self.stand_in.gauge,
                    guide=self.stand_in.load,
                    sense=sense,
                    seed=f"{self.stand_in.seed}:gauge",
                    load_m=self.plant.load_m,
                    time_s=self.plant.time_s,
                )
                self.plant.follow_load(reading.follow)
            self._gauge = parts.Gauge(self, reading)
        return self._gauge

    def meter(self) -> parts.Meter:
        """The current meter in the motor's leads; every call hands out the same one."""
        if self._meter is None:
            ripple_a = self.stand_in.motor.ripple_a
            reading = MeterReading(self.stand_in.meter, ripple_a=ripple_a, seed=f"{self.stand_in.seed}:meter")
            self._meter = parts.Meter(self, reading)
        return self._meter

    def supply(self) -> parts.Supply:
        if self._supply is None:
            reading = SupplyReading(self.stand_in.supply, seed=f"{self.stand_in.seed}:supply")
            self._supply = parts.Supply(self, reading)
        return self._supply

    def brake(self) -> parts.Brake:
        """The brake, closed at power-up, where the axis has one: springs hold it until it is told to open."""
        return parts.Brake(self)

    def drag(self) -> parts.Drag:
        return parts.Drag(self)

    def inputs(self) -> parts.Inputs:
        return parts.Inputs(self)

    # -- from outside: a hand, a switch --------------------------------------------------------------------------

    def push(self, force_n: float) -> None:
        """A hand on the load pushes along travel with `force_n` from now on; 0 lets go."""
        with self._lock:
            self.advance()
            self._pushed_n = force_n
            self._calm_until_s = -math.inf

    def shaft_torque(self, torque_nm: float) -> None:
        """The same at the motor's shaft."""
        with self._lock:
            self.advance()
            self.plant.set_shaft_torque(torque_nm)

    def open_stop_circuit(self) -> None:
        with self._lock:
            self.stop_circuit_closed = False

    def close_stop_circuit(self) -> None:
        with self._lock:
            self.stop_circuit_closed = True

    def truth(self) -> Truth:
        """Where everything is now; costs no time."""
        with self._lock:
            self.advance()
            plant, axis = self.plant, self.axis
            turns = plant.rotor_rad / (2.0 * math.pi)
            lost_steps = turns * axis.full_steps - self._net_pulses / plant.microsteps
            return Truth(
                load_m=plant.load_m,
                nut_m=plant.nut_m,
                rotor_turns=turns,
                speed_turns_per_s=plant.speed_rad_per_s / (2.0 * math.pi),
                currents_a=plant.currents_a,
                pulses=self._net_pulses,
                slipped_full_steps=4 * round(lost_steps / 4),
                at_rest=plant.at_rest,
            )

    # -- for the parts -------------------------------------------------------------------------------------------

    def exchange(self, action: Callable[[float], Answer]) -> Answer:
        """Let half an exchange pass, do `action` with the plant's time, let the other half pass."""
        self.clock.sleep(self._half_exchange_s)
        with self._lock:
            self._advance()
            answer = action(self.plant.time_s)
            self._calm_until_s = -math.inf
        self.clock.sleep(self._half_exchange_s)
        return answer

    def look(self, reading: Callable[[float], Answer]) -> Answer:
        """The same for a `reading` that changes nothing."""
        self.clock.sleep(self._half_exchange_s)
        with self._lock:
            self._advance()
            answer = reading(self.plant.time_s)
        self.clock.sleep(self._half_exchange_s)
        return answer

    def ask_generator(self, reading: Callable[[float], Answer]) -> Answer:
        """The same for a `reading` of the pulse generator alone, for which the plant can stay where it is."""
        self.clock.sleep(self._half_exchange_s)
        with self._lock:
            now_s = self.clock.now()
            if self._loop is not None or not self.generator.knows(now_s):
                self._advance()
            answer = reading(now_s)
        self.clock.sleep(self._half_exchange_s)
        return answer

    def set_brake(self, closed: bool, now_s: float) -> None:
        if closed and not self.brake_told:
            self._brake_holds_from_s = now_s + self.stand_in.brake.closing_delay_s
        elif not closed:
            self._brake_holds_from_s = math.inf
        self.brake_told = closed

    def advance(self) -> None:
        """Bring the plant to the clock's time."""
        with self._lock:
            self._advance()

    def _advance(self) -> None:
        until_s = self.clock.now()
        if until_s > self._calm_until_s:
            self._advance_by_events(until_s)
        else:
            self.plant.advance(until_s)
        self._count_pulses()

    def _advance_by_events(self, until_s: float) -> None:
        plant, generator, loop = self.plant, self.generator, self._loop
        now_s, gauge_lag_s = plant.time_s, self.stand_in.gauge.lag_s
        rested = False
        while now_s < until_s:
            change_s = min(generator.next_event_s(now_s), self._next_change_s(now_s))
            event_s, look_s = min(until_s, change_s), now_s + LOOP_S
            if loop is not None and not (rested and loop.content):
                event_s = min(event_s, look_s)
            if gauge_lag_s and now_s < until_s - gauge_lag_s:
                # What a gauge with a lag will show stands still at this instant.
                event_s = min(event_s, until_s - gauge_lag_s)
            chunk = generator.take_pulses()
            if chunk is not None:
                plant.set_pulses(chunk[0], forward=chunk[1])
            plant.set_amplitude(generator.amplitude_a(now_s) if self.supply_on else 0.0)
            plant.set_external_force(self._pushed_n + self._hands_n(now_s))
            plant.set_brake(holds=now_s >= self._brake_holds_from_s)
            was_at_rest = plant.at_rest
            plant.advance(event_s)
            now_s = plant.time_s
            self._count_pulses()
            if loop is not None:
                loop.tick(now_s)
                # A rotor that rested through a whole look stays at rest until something acts on it.
                rested = was_at_rest and plant.at_rest and event_s == look_s
            elif not gauge_lag_s:
                self._calm_until_s = change_s

    def _count_pulses(self) -> None:
        passed = self.plant.pulses_sent - self._pulses_seen
        if passed:
            self._pulses_seen += passed
            self._net_pulses += passed if self.plant.forward else -passed
            self.generator.pulses_left(passed)

    def _close_loop(self) -> PositionLoop:
        """A loop on the drive's own encoder, which has the lines of the axis' encoder where that sits on the motor."""
        on_motor = self.axis.encoder is not None and self.axis.encoder.mounting is Mounting.MOTOR
        lines = self.axis.encoder.lines if on_motor and self.axis.encoder else Fraction(1000)
        own = Encoder(lines, Decoding.X4, Mounting.MOTOR)
        with self._lock:
            self.advance()
            self._calm_until_s = -math.inf
            decoder = self.plant.watch(own, seed="drive")
            per_count = replace(self.axis, encoder=own).microsteps_of_counts(1)
            self._loop = PositionLoop(self.generator, decoder, microsteps_per_count=float(per_count))
        return self._loop

    def _next_change_s(self, now_s: float) -> float:
        """When brake or a planned hand next changes what acts on the plant, after `now_s`."""
        brake_s = self._brake_holds_from_s if self._brake_holds_from_s > now_s else math.inf
        later = bisect_right(self._hand_changes_s, now_s)
        return min(brake_s, self._hand_changes_s[later]) if later < len(self._hand_changes_s) else brake_s

    def _hands_n(self, now_s: float) -> float:
        hands = self.stand_in.hands
        return sum(hand.force_n for hand in hands if hand.from_s <= now_s < hand.to_s) if hands else 0.0
