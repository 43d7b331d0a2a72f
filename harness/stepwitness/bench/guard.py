"""The envelope guard: stands between every procedure and every drive.

1. Every move is judged by where the load would end: its witnessed travel plus the move. The drive's own coordinate
   is never believed, because a stalled drive's coordinate is a fiction.
2. What is refused is refused before anything is sent.
3. A move needs a travel zero, a speed and an acceleration that were set through this guard, and a closed stop
   circuit.
4. Where nothing may move at all (no arming, no sentinel), that is said before anything else is looked at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from stepwitness.axis import Axis
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.errors import EnvelopeError, NotReferenced, StopCircuitOpen
from stepwitness.devices.errors import LinkLost, NoReply
from stepwitness.devices.interfaces import Drive, DriveStatus, Identity, Inputs, Side


class GuardedDrive:
    """A `Drive` that refuses what its bench doesn't permit.

    `witnessed_travel_m` tells where the load is, by the best witness there is; it is asked before each move. `permit`
    raises where nothing may move at all; it is asked first. `reconnected` is called once the drive's link is open anew.
    """

    def __init__(
        self,
        drive: Drive,
        description: BenchDescription,
        inputs: Inputs | None,
        witnessed_travel_m: Callable[[], float],
        permit: Callable[[], None] = lambda: None,
        reconnected: Callable[[], None] = lambda: None,
    ) -> None:
        self._drive = drive
        self._description = description
        self._inputs = inputs
        self._witnessed_travel_m = witnessed_travel_m
        self._permit, self._reconnected = permit, reconnected
        self._speed = 0.0
        self._acceleration = 0.0
        self._run_current_a = 0.0
        self._referencing = False
        self.referenced = False

    @property
    def _axis(self) -> Axis:
        return self._description.axis

    # -- moves ---------------------------------------------------------------------------------------------

    def start_move_by(self, microsteps: int) -> None:
        self._permit()
        self._judge_move(microsteps)
        self._start(self._drive.start_move_by, microsteps)

    def start_move_to(self, microsteps: int) -> None:
        self._permit()
        if not self.referenced:
            raise NotReferenced(f"{self._description.name}: an absolute move before the axis is referenced")
        self._judge_move(microsteps - self._drive.position())
        self._start(self._drive.start_move_to, microsteps)

    def _start(self, start: Callable[[int], None], microsteps: int) -> None:
        try:
            start(microsteps)
        except NoReply:
            self._permit()  # a sentinel that has acted meanwhile took the reply, and is the better cause
            raise

    def halt(self) -> None:
        self._drive.halt()

    @contextmanager
    def referencing(self) -> Iterator[None]:
        """Permit relative moves without a travel zero, at the reference's own speed, while the block runs."""
        self._referencing = True
        try:
            yield
        finally:
            self._referencing = False

    def _judge_move(self, microsteps: int) -> None:
        name = self._description.name
        if self._inputs is not None and not self._inputs.read().stop_circuit_closed:
            raise StopCircuitOpen(f"{name}: the stop circuit is open; no move is sent until someone closes it")
        if not (self._speed and self._acceleration):
            raise EnvelopeError(f"{name}: a move before speed and acceleration were set")
        change_m = float(self._axis.travel_of_microsteps(microsteps))
        if self._referencing:
            self._judge_reference_move(change_m)
        elif not self.referenced:
            raise NotReferenced(f"{name}: a move before the axis is referenced")
        else:
            self._judge_end(self._witnessed_travel_m() + change_m)

    def _judge_reference_move(self, change_m: float) -> None:
        allowed = self._description.reference.speed_m_per_s
        speed = self._speed * float(self._axis.microstep_travel)
        if speed > allowed * (1 + 1e-9):
            raise EnvelopeError(
                f"{self._description.name}: referencing at {speed * 1e3:.3g} mm/s; allowed: {allowed * 1e3:.3g} mm/s"
            )
        if abs(change_m) > 1.1 * float(self._axis.stroke):
            raise EnvelopeError(f"{self._description.name}: a reference move longer than the stroke")

    def _judge_end(self, end_m: float) -> None:
        """Refuse an end outside the envelope or the gauge's range.

        One full step of slack: the load lags its command by up to that, and would otherwise be refused the way to
        the envelope's own edge.
        """
        slack_m = float(self._axis.step_travel)
        envelope, gauge = self._description.envelope, self._description.gauge
        low_m, high_m, edge = envelope.low_m, envelope.high_m, "envelope"
        if gauge is not None:
            if gauge.zero_at_m > low_m:
                low_m, edge = gauge.zero_at_m, "gauge's range"
            if gauge.zero_at_m + gauge.range_m < high_m:
                high_m, edge = gauge.zero_at_m + gauge.range_m, "gauge's range"
        if low_m - slack_m <= end_m <= high_m + slack_m or self._may_push(end_m):
            return
        raise EnvelopeError(
            f"{self._description.name}: a move to {end_m * 1e3:.3f} mm leaves the {edge}; "
            f"allowed: {low_m * 1e3:.3f} mm to {high_m * 1e3:.3f} mm"
        )

    def _may_push(self, end_m: float) -> bool:
        """Whether the move pushes against the declared stop, with no more current than declared for that."""
        blocked = self._description.blocked
        if blocked is None or self._run_current_a > blocked.push_current_a:
            return False
        beyond = end_m <= blocked.at_m if blocked.side is Side.LOW else end_m >= blocked.at_m
        return beyond and abs(end_m - blocked.at_m) <= float(self._axis.stroke)

    # -- settings ------------------------------------------------------------------------------------------

    def set_speed(self, microsteps_per_s: float) -> None:
        speed = microsteps_per_s * float(self._axis.microstep_travel)
        self._within("speed", speed, self._description.envelope.speed_m_per_s, "mm/s", 1e3)
        self._drive.set_speed(microsteps_per_s)
        self._speed = microsteps_per_s

    def set_acceleration(self, microsteps_per_s2: float) -> None:
        acceleration = microsteps_per_s2 * float(self._axis.microstep_travel)
        allowed = self._description.envelope.acceleration_m_per_s2
        self._within("acceleration", acceleration, allowed, "mm/s²", 1e3)
        self._drive.set_acceleration(microsteps_per_s2)
        self._acceleration = microsteps_per_s2

    def set_run_current(self, current_a: float) -> None:
        self._within("run current", current_a, self._description.envelope.current_a, "A")
        self._drive.set_run_current(current_a)
        self._run_current_a = current_a

    def set_hold_current(self, current_a: float) -> None:
        self._within("hold current", current_a, self._description.envelope.current_a, "A")
        self._drive.set_hold_current(current_a)

    def _within(self, what: str, value: float, allowed: float, unit: str, scale: float = 1.0) -> None:
        if not 0 <= value <= allowed * (1 + 1e-9):
            raise EnvelopeError(
                f"{self._description.name}: a {what} of {value * scale:.6g} {unit}; "
                f"allowed: 0 to {allowed * scale:.6g} {unit}"
            )

    # -- passed through --------------------------------------------------------------------------------------

    def reconnect(self) -> None:
        """Open a link that was lost again, where the drive can; nothing moves by that, and travel has no zero after it.

        Raises
        ------
        LinkLost : it can't, or nothing answers there.
        """
        self.referenced = False
        again = getattr(self._drive, "reconnect", None)
        if again is None:
            raise LinkLost("this drive's link can't be opened again from here")
        again()
        self._reconnected()

    def identity(self) -> Identity:
        return self._drive.identity()

    def enable(self) -> None:
        self._permit()
        self._drive.enable()

    def disable(self) -> None:
        self._drive.disable()

    def status(self) -> DriveStatus:
        return self._drive.status()

    def position(self) -> int:
        return self._drive.position()

    def set_position(self, microsteps: int) -> None:
        self._drive.set_position(microsteps)

    def set_output(self, number: int, on: bool) -> None:
        self._drive.set_output(number, on)

    def output(self, number: int) -> bool:
        return self._drive.output(number)
