"""A bench in use: its parts, guarded, with one travel coordinate for all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from types import TracebackType
from typing import Any, cast

from stepwitness.axis import Axis
from stepwitness.bench.arming import unarmed
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import NotArmed, SafeStateError, Unguarded
from stepwitness.bench.guard import GuardedDrive
from stepwitness.bench.safe_state import to_safe_state
from stepwitness.bench.sampler import Coordinates, Sampler, Sweep
from stepwitness.bench.sentinel import Sentinel
from stepwitness.devices.exchange_log import Exchanged
from stepwitness.devices.interfaces import (
    Brake,
    Clock,
    ClosesLoop,
    Drag,
    Drive,
    EncoderCounter,
    Gauge,
    Inputs,
    Meter,
    Supply,
)
from stepwitness.errors import StepwitnessError


@dataclass(frozen=True)
class Parts:
    """The live parts by role; the drive bare, as `Bench` puts the guard before it."""

    drive: Drive
    counter: EncoderCounter | None = None
    gauge: Gauge | None = None
    meter: Meter | None = None
    supply: Supply | None = None
    brake: Brake | None = None
    drag: Drag | None = None
    inputs: Inputs | None = None

    @classmethod
    def built(cls, by_role: Mapping[str, Any]) -> Parts:
        return cls(**by_role)

    def identities(self) -> dict[str, str]:
        """What each part that can tell says it is."""
        parts = {role: getattr(self, role) for role in self.__dataclass_fields__}
        return {role: str(part.identity()) for role, part in parts.items() if hasattr(part, "identity")}

    def by_role(self) -> dict[str, Any]:
        parts = {role: getattr(self, role) for role in self.__dataclass_fields__}
        return {role: part for role, part in parts.items() if part is not None}


class Bench:
    """One axis on its bench, open and guarded.

    Attributes
    ----------
    drive : guarded; every other part as it is, or None where the bench lacks it.
    loop : the drive's own position loop, or None for a drive that counts pulses alone.
    stopped : why nothing may move until a person has looked and the bench is opened again, or an empty text.
    settling_s : least rest before a reading, whatever a procedure asks for.
    simulated : True for stand-ins. over : one of `ways.WAYS`, or "live".
    only_read : why nothing of this bench may be moved or set, or an empty text.
    """

    def __init__(
        self,
        description: BenchDescription,
        parts: Parts,
        clock: Clock,
        *,
        simulated: bool,
        over: str,
        release: Callable[[], None] = lambda: None,
        only_read: str = "",
        sentinel: Sentinel | None = None,
    ) -> None:
        self._parts = parts.by_role()
        closes_loop = isinstance(parts.drive, ClosesLoop)
        if only_read:
            parts = Parts.built(unarmed(parts.by_role(), only_read))
        self.description = description
        self.clock = clock
        self.simulated = simulated
        self.over = over
        self.counter, self.gauge, self.meter = parts.counter, parts.gauge, parts.meter
        self.supply, self.brake, self.drag, self.inputs = parts.supply, parts.brake, parts.drag, parts.inputs
        self.loop: ClosesLoop | None = cast(ClosesLoop, parts.drive) if closes_loop else None
        self.only_read, self._sentinel = only_read, sentinel
        self.drive = GuardedDrive(
            parts.drive,
            description,
            parts.inputs,
            self.witnessed_travel_m,
            permit=self.check_permitted,
            reconnected=sentinel.hand_over if sentinel is not None else lambda: None,
        )
        sense = description.gauge.sense if description.gauge else 1
        self._sampler = Sampler(
            clock,
            self.drive,
            parts.counter,
            parts.gauge,
            parts.meter,
            Coordinates(description.axis, gauge_sense=sense),
        )
        self.identities = parts.identities()
        self.stopped = ""
        self.settling_s = 0.0
        self._braked_at_m: float | None = None
        self._release = release
        self._open = True

    @property
    def axis(self) -> Axis:
        return self.description.axis

    @property
    def coordinates(self) -> Coordinates:
        return self._sampler.coordinates

    def check_permitted(self) -> None:
        """Raise where nothing may move: the bench isn't armed, or its sentinel no longer stands."""
        if self.only_read:
            raise NotArmed(f"{self.only_read} (nothing was sent)")
        why_not = self._sentinel.why_not() if self._sentinel is not None else ""
        if why_not:
            raise Unguarded(f"{self.description.name}: {why_not}")

    def exchanges(self) -> Iterator[tuple[str, Exchanged]]:
        """The last exchanges with each part that keeps a log of them, by role, oldest first."""
        for role, part in self._parts.items():
            log: Iterable[Exchanged] = getattr(part, "log", ())
            for exchange in log:
                yield role, exchange

    # -- witnesses -------------------------------------------------------------------------------------------

    def sweep(self, *, gauge: bool = True, current: bool = False) -> Sweep:
        """One sweep over the witnesses."""
        return self._sampler.sweep(gauge=gauge, current=current)

    def witnessed_travel_m(self) -> float:
        """Where the load is by the best witness there is: counter, else gauge, else the drive's claim."""
        if self.counter is not None:
            return self.coordinates.counted(self.counter.counts())
        if self.gauge is not None:
            return self.coordinates.gauged(self.gauge.travel_m())
        return self.coordinates.claimed(self.drive.position())

    def set_datum(self, travel_m: float) -> None:
        """Declare that the load stands at `travel_m` now: zero all witnesses there."""
        axis = self.axis
        microsteps = axis.nearest_microstep(travel_m)
        self.drive.set_position(microsteps)
        at_m = float(axis.travel_of_microsteps(microsteps))
        datum = self.coordinates
        if self.counter is not None and axis.encoder is not None:
            counts = self.counter.counts()
            datum = replace(datum, counts_at_zero=counts - at_m / float(axis.count_travel) * axis.encoder.sign)
        if self.gauge is not None:
            datum = replace(datum, gauge_at_zero_m=self.gauge.travel_m() - at_m * datum.gauge_sense)
        self._sampler.coordinates = datum
        self.drive.referenced = True

    def claim_what_was_counted(self) -> None:
        """Set the drive's position to the counted one: before a correction a drive must stop believing itself."""
        self.drive.set_position(self.axis.nearest_microstep(self.witnessed_travel_m()))

    # -- settings in travel ------------------------------------------------------------------------------------

    def set_speed(self, speed_m_per_s: float) -> None:
        self.drive.set_speed(speed_m_per_s / float(self.axis.microstep_travel))

    def set_acceleration(self, acceleration_m_per_s2: float) -> None:
        self.drive.set_acceleration(acceleration_m_per_s2 / float(self.axis.microstep_travel))

    # -- ends ----------------------------------------------------------------------------------------------------

    def make_ready(self) -> None:
        """Energise at rated current, then release the brake; the order keeps a vertical load from falling.

        A brake that let the load move since it was closed stays closed, and one whose load moves as it opens, with
        the motor holding, is closed again.

        Raises
        ------
        NotArmed, Unguarded : nothing may move. SafeStateError : the brake didn't hold, or the motor doesn't.
        """
        self.check_permitted()
        motor = self.description.motor
        self.drive.set_run_current(motor.rated_current_a)
        self.drive.set_hold_current(motor.hold_current_a)
        was_enabled = self.drive.status().enabled
        braked = self.brake is not None and self.brake.is_closed()
        if braked and self._braked_at_m is not None:
            self._check_stayed(self._braked_at_m, "while the brake was closed", steps=_CREEP_STEPS)
        if not was_enabled:
            self.drive.enable()
            self.clock.sleep(_ENERGISE_S)
        if self.brake is not None and braked:
            self._open_brake(self.brake)
        if self.drive.referenced and not was_enabled:
            self.claim_what_was_counted()

    def _open_brake(self, brake: Brake) -> None:
        seen = self.counter is not None or self.gauge is not None
        held_m = self.witnessed_travel_m() if seen else None
        brake.open()
        self._braked_at_m = None
        ends_s = self.clock.now() + _ENERGISE_S
        while self.clock.now() < ends_s:
            if held_m is not None:
                try:
                    self._check_stayed(held_m, "as the brake opened, with the motor energised", steps=_SNAP_STEPS)
                except SafeStateError:
                    brake.close()
                    raise
            self.clock.sleep(_LOOK_S)

    def _check_stayed(self, at_m: float, when: str, *, steps: float) -> None:
        moved_m = abs(self.witnessed_travel_m() - at_m)
        allowed_m = steps * float(self.axis.step_travel)
        if moved_m > allowed_m:
            told = f"the load moved {moved_m * 1e6:.0f} µm {when}; allowed: {allowed_m * 1e6:.0f} µm"
            raise SafeStateError(f"{self.description.name}: {told}")

    def to_safe_state(self) -> None:
        """Bring the axis to the bench's safe state; may be called again and again. Nothing where it is only read."""
        if not self._open or self.only_read:
            return
        to_safe_state(self)
        if self.brake is not None and self.brake.is_closed() and (self.counter or self.gauge):
            self._braked_at_m = self.witnessed_travel_m()

    def close(self) -> None:
        """Bring the axis to its safe state and let go of every part; where that fails, the sentinel tries too."""
        if not self._open:
            return
        try:
            self.to_safe_state()
        except BaseException as failure:
            if self._sentinel is not None:
                failure.add_note(f"the sentinel: {self._sentinel.act(self._release)}")
            raise
        else:
            if self._sentinel is not None:
                self._sentinel.disarm()
        finally:
            self._open = False
            self._release()

    def __enter__(self) -> Bench:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        try:
            self.close()
        except StepwitnessError as failure:
            if error is None:
                raise
            error.add_note(str(failure))


_ENERGISE_S = 0.1
_LOOK_S = 0.002
_CREEP_STEPS = 2.0
_SNAP_STEPS = 4.0
"""A rotor that is energised goes to the nearest equilibrium, up to two full steps away, and swings past it."""
