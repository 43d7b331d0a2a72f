"""Moves that are watched: to a travel, to rest, and to the reference.

1. While a move runs, drive and counter are swept and the following error is held against a window. A stall that no
   procedure provoked halts the axis and ends the run; so does a stop circuit that opens.
2. A drive that closes its loop claims what it counted, so its claim agrees with the counter in any stall; it is asked
   for its own following error too.
3. No witness may see the load outside the envelope while it moves, whatever was commanded.
4. A watched move starts only where drive and counter agree: a drive that was started anew has lost its zero and would
   go somewhere else. Referencing is watched too: a switch that is missing must not push the load into its stop.
5. Every wait has a deadline on the bench's clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from stepwitness.axis import WindowBounds
from stepwitness.bench.description import BenchDescription, ReferenceMethod
from stepwitness.bench.errors import Aborted, LeftEnvelope, MoveNotEnded, StopCircuitOpen, UnprovokedStall
from stepwitness.bench.live import Bench
from stepwitness.bench.sampler import Sweep
from stepwitness.devices.interfaces import Side
from stepwitness.errors import StepwitnessError

SWING_STEPS = 0.5
"""Overshoot of a rotor at start and stop in full steps; common practice, no source."""

CURRENT_LAG_S = 0.5e-3
"""Delay of the winding current behind its command at a chopped supply; common practice, no source."""

_SKEW_S = 0.5e-3
_STOP_LOOK_S = 0.02
_READY_S = 0.1
_POLL_S = 0.005
_LEG_S = 0.5

_EDGE_STEPS = 4.0
"""How far a counter may see the load beyond the edge: the guard's one step of slack, lag, and swing at the stop."""

_GAUGE_EDGE_SHARE = 0.01
"""The same for a gauge, as a share of the stroke: play, and a calibration that is off, mustn't end a run that is to
judge them."""


def window_bounds(description: BenchDescription, *, speed_m_per_s: float, skew_s: float = _SKEW_S) -> WindowBounds:
    """Bounds of the following-error window of this axis at rated current and `speed_m_per_s`."""
    motor = description.motor
    return description.axis.following_error_bounds(
        torque_ratio=motor.friction_torque_nm / motor.holding_torque_nm,
        swing_steps=SWING_STEPS,
        current_lag_s=CURRENT_LAG_S,
        speed_m_per_s=speed_m_per_s,
        skew_s=skew_s,
    )


def default_window_m(description: BenchDescription, *, speed_m_per_s: float = 0.0) -> float:
    """Half an electrical period: midway between what a healthy axis shows and what a slip shows.

    More where a healthy axis shows more, at a great speed or with a coarse encoder; a stall strays beyond any window.
    Sweeps bracket the claim, so skew isn't in it.
    """
    healthy = window_bounds(description, speed_m_per_s=speed_m_per_s, skew_s=0.0).least_steps
    return max(2.0, healthy) * float(description.axis.step_travel)


def healthy_watch(bench: Bench, *, speed_m_per_s: float) -> Watch:
    """How a move is watched that no procedure disturbs."""
    if bench.counter is None:
        return Watch(None, gauge=True)
    return Watch(default_window_m(bench.description, speed_m_per_s=speed_m_per_s), gauge=True)


def duration_s(*, distance_m: float, speed_m_per_s: float, acceleration_m_per_s2: float) -> float:
    """Time of a move with equal ramps: trapezoid, or triangle where the speed isn't reached."""
    distance_m = abs(distance_m)
    if distance_m * acceleration_m_per_s2 < speed_m_per_s**2:
        return 2 * math.sqrt(distance_m / acceleration_m_per_s2)
    return distance_m / speed_m_per_s + speed_m_per_s / acceleration_m_per_s2


@dataclass(frozen=True)
class Watch:
    """How a move is watched.

    `window_m` is the following-error window (None: no counter, or a provoked stall that a procedure watches itself);
    `poll_s` the pause between sweeps; `gauge` whether the gauge is swept too.
    """

    window_m: float | None
    poll_s: float = _POLL_S
    gauge: bool = False


def run_move(
    bench: Bench,
    start: Callable[[], None],
    watch: Watch,
    *,
    deadline_s: float,
    on_sweep: Callable[[Sweep], bool] = lambda _: True,
) -> bool:
    """Start a move and sweep until it ends; True where it ran to its end.

    `on_sweep` sees each sweep and answers whether to go on; where it doesn't, the axis is halted and False returned.

    Raises
    ------
    UnprovokedStall : the following error left the window, or was outside before the move: nothing was sent then.
    LeftEnvelope : a witness saw the load outside. StopCircuitOpen. MoveNotEnded : after `deadline_s`.
    """
    if watch.window_m is not None:
        check_following(bench, bench.sweep(gauge=False), watch.window_m)
    edges = _Edges(bench)
    start()
    started_s = looked_s = bench.clock.now()
    ends_s = started_s + deadline_s
    while True:
        moving = bench.drive.status().moving
        sweep = bench.sweep(gauge=watch.gauge)
        if watch.window_m is not None:
            check_following(bench, sweep, watch.window_m)
        edges.check(sweep)
        if not on_sweep(sweep):
            bench.drive.halt()
            wait_for_rest(bench)
            return False
        if not moving or bench.clock.now() >= looked_s + _STOP_LOOK_S:
            _check_stop_circuit(bench)
            _check_permitted(bench)
            looked_s = bench.clock.now()
        if not moving:
            return True
        if bench.clock.now() > ends_s:
            bench.drive.halt()
            raise MoveNotEnded(f"the drive still reports motion {deadline_s:.1f} s after the move was sent")
        bench.clock.sleep(watch.poll_s)


def move_to(
    bench: Bench,
    travel_m: float,
    watch: Watch,
    *,
    speed_m_per_s: float,
    on_sweep: Callable[[Sweep], bool] = lambda _: True,
) -> bool:
    """Move the claim to `travel_m` under `watch`; the envelope's acceleration sets the deadline."""
    target = bench.axis.nearest_microstep(travel_m)
    distance_m = abs(target - bench.drive.position()) * float(bench.axis.microstep_travel)
    acceleration = bench.description.envelope.acceleration_m_per_s2
    expected_s = duration_s(distance_m=distance_m, speed_m_per_s=speed_m_per_s, acceleration_m_per_s2=acceleration)
    return run_move(
        bench,
        lambda: bench.drive.start_move_to(target),
        watch,
        deadline_s=2 * expected_s + 2.0,
        on_sweep=on_sweep,
    )


def wait_for_rest(bench: Bench, *, deadline_s: float = 5.0) -> None:
    """Return once the drive reports no motion."""
    ends_s = bench.clock.now() + deadline_s
    while bench.drive.status().moving:
        if bench.clock.now() > ends_s:
            raise MoveNotEnded(f"the drive still reports motion {deadline_s:.1f} s after it should have come to rest")
        bench.clock.sleep(_POLL_S)


def settle(bench: Bench, dwell_s: float) -> None:
    """Rest before a reading: `dwell_s`, or the bench's own where that is longer.

    A drive that gives way to a lower hold current lets the rotor relax once more, so the rest counts from there.
    """
    motor = bench.description.motor
    gives_way_s = motor.hold_delay_s if motor.hold_current_a != motor.rated_current_a else 0.0
    bench.clock.sleep(gives_way_s + max(dwell_s, bench.settling_s))


def prepare(bench: Bench, *, speed_m_per_s: float) -> None:
    """Energise, reference where that is still to do, and set speed and the envelope's acceleration.

    Raises
    ------
    Aborted : where an earlier stop forbids a restart.
    """
    if bench.stopped:
        raise Aborted(f"not started, because the axis had stopped before: {bench.stopped}")
    bench.make_ready()
    bench.set_acceleration(bench.description.envelope.acceleration_m_per_s2)
    if not bench.drive.referenced:
        reference(bench)
    bench.set_speed(speed_m_per_s)


def reference(bench: Bench) -> None:
    """Give travel its zero by the method that the bench file names.

    By limit switch: off the switch where it is tripped, towards it until it trips, back off it, and again at a tenth
    of the speed. By datum: the file's word that the operator has placed the load there.
    """
    method = bench.description.reference
    if method.method is ReferenceMethod.DATUM:
        bench.set_datum(method.at_m)
        return
    towards = -1 if method.side is Side.LOW else 1
    fast_m_per_s = method.speed_m_per_s
    with bench.drive.referencing():
        bench.set_speed(fast_m_per_s)
        if _tripped(bench, method.side):
            _seek(bench, -towards, method.side, speed_m_per_s=fast_m_per_s, until=False)
        _seek(bench, towards, method.side, speed_m_per_s=fast_m_per_s, until=True)
        _seek(bench, -towards, method.side, speed_m_per_s=fast_m_per_s, until=False)
        bench.set_speed(fast_m_per_s / 10)
        _seek(bench, towards, method.side, speed_m_per_s=fast_m_per_s / 10, until=True)
    bench.clock.sleep(_READY_S)
    bench.set_datum(method.at_m)


def _tripped(bench: Bench, side: Side) -> bool:
    if bench.inputs is None:
        raise Aborted(f"{bench.description.name}: referencing by limit switch needs an 'inputs' part")
    state = bench.inputs.read()
    if not state.stop_circuit_closed:
        bench.drive.halt()
        raise StopCircuitOpen(f"{bench.description.name}: the stop circuit opened while the axis was referenced")
    return side in state.limits


def _seek(bench: Bench, direction: int, side: Side, *, speed_m_per_s: float, until: bool) -> None:
    """Move until the limit switch reads `until`, then halt. A counter has to follow from where it stood before.

    In legs of `_LEG_S`, because the end of the way isn't known: a wire that is lost in mid-leg can't be told to halt,
    and the load must not run into its stop for the whole stroke.
    """
    axis = bench.axis
    window_m = default_window_m(bench.description, speed_m_per_s=speed_m_per_s)
    leg = max(1, axis.nearest_microstep(speed_m_per_s * _LEG_S))
    left = axis.nearest_microstep(axis.stroke)
    before, looked_s = bench.sweep(gauge=False), bench.clock.now()
    leg_ends_s = bench.clock.now() + 2.0
    while _tripped(bench, side) is not until:
        if bench.clock.now() >= looked_s + _STOP_LOOK_S:
            _check_seek(bench, before, window_m)
            looked_s = bench.clock.now()
        if not bench.drive.status().moving:
            if left <= 0:
                raise Aborted(
                    f"{bench.description.name}: the {side.value} limit switch was not found within the stroke"
                )
            bench.drive.start_move_by(direction * min(leg, left))
            left -= leg
            leg_ends_s = bench.clock.now() + 2 * _LEG_S + 2.0
        elif bench.clock.now() > leg_ends_s:
            bench.drive.halt()
            raise MoveNotEnded(f"{bench.description.name}: the drive still reports motion long after a leg of its seek")
        bench.clock.sleep(_POLL_S / 5)
    bench.drive.halt()
    wait_for_rest(bench)


def _check_seek(bench: Bench, before: Sweep, window_m: float) -> None:
    """Halt and raise where the counter doesn't follow; it has no zero yet, so changes are compared."""
    _check_permitted(bench)
    sweep = bench.sweep(gauge=False)
    if sweep.counted_m is None or before.counted_m is None:
        return
    offset_m = before.counted_m - before.claim_m
    from_start = replace(sweep, counted_m=sweep.counted_m - offset_m)
    if abs(following_error_m(bench, from_start)) <= window_m:
        return
    bench.drive.halt()
    _check_stop_circuit(bench)
    raise UnprovokedStall(
        f"{_stall_text(bench, from_start, from_start.sure_following_error_m)}; it was on its way to the "
        f"{bench.description.reference.side.value} limit switch, which may be missing or broken"
    )


class _Edges:
    """The envelope as witnesses see it during one move; before the axis is referenced there is none.

    A load that stands outside when the move starts, as at its switch, may be there.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        description = bench.description
        envelope, blocked = description.envelope, description.blocked
        stops_m = [blocked.at_m] if blocked else []
        self._low_m, self._high_m = min([envelope.low_m, *stops_m]), max([envelope.high_m, *stops_m])
        slack_m = _EDGE_STEPS * float(bench.axis.step_travel)
        self._slack_m = {"counter": slack_m, "gauge": slack_m + _GAUGE_EDGE_SHARE * float(bench.axis.stroke)}
        self._started_m: dict[str, float] = {}

    def check(self, sweep: Sweep) -> None:
        """Halt and raise where a witness sees the load outside."""
        if not self._bench.drive.referenced:
            return
        for witness, at_m in (("counter", sweep.counted_m), ("gauge", sweep.gauge_m)):
            if at_m is None:
                continue
            started_m, slack_m = self._started_m.setdefault(witness, at_m), self._slack_m[witness]
            low_m, high_m = min(self._low_m, started_m), max(self._high_m, started_m)
            if not low_m - slack_m <= at_m <= high_m + slack_m:
                self._bench.drive.halt()
                raise LeftEnvelope(
                    f"{self._bench.description.name}: the load left the envelope: the {witness} sees it at "
                    f"{at_m * 1e3:.3f} mm; allowed: {low_m * 1e3:.3f} mm to {high_m * 1e3:.3f} mm; halted"
                )


def _check_permitted(bench: Bench) -> None:
    try:
        bench.check_permitted()
    except StepwitnessError:
        bench.drive.halt()
        raise


def _check_stop_circuit(bench: Bench) -> None:
    if bench.inputs is not None and not bench.inputs.read().stop_circuit_closed:
        bench.drive.halt()
        raise StopCircuitOpen(f"{bench.description.name}: the stop circuit opened during a move")


def following_error_m(bench: Bench, sweep: Sweep) -> float:
    """What is sure of the following error, by the witnesses or by a drive that closes its loop."""
    sure_m = sweep.sure_following_error_m
    if bench.loop is None:
        return sure_m
    own_m = bench.loop.loop_status().following_error * float(bench.axis.microstep_travel)
    return max(sure_m, own_m, key=abs)


def check_following(bench: Bench, sweep: Sweep, window_m: float) -> None:
    """Halt and raise where the axis doesn't follow; a stop circuit that opened is the better cause."""
    error_m = following_error_m(bench, sweep)
    if abs(error_m) <= window_m:
        return
    bench.drive.halt()
    _check_stop_circuit(bench)
    raise UnprovokedStall(_stall_text(bench, sweep, error_m))


def check_claim(bench: Bench, sweep: Sweep, window_m: float) -> None:
    """Halt and raise where the drive claims another travel than was counted, as one does that was started anew."""
    if abs(sweep.sure_following_error_m) > window_m:
        bench.drive.halt()
        raise UnprovokedStall(_stall_text(bench, sweep, sweep.sure_following_error_m))


def _stall_text(bench: Bench, sweep: Sweep, error_m: float) -> str:
    counted = "" if sweep.counted_m is None else f"counted at {sweep.counted_m * 1e3:.3f} mm, "
    gauge = "" if sweep.gauge_m is None else f", the gauge sees it at {sweep.gauge_m * 1e3:.3f} mm"
    steps = abs(error_m) / float(bench.axis.step_travel)
    return (
        f"{bench.description.name}: the axis stopped following: {counted}the drive claims "
        f"{sweep.claim_m * 1e3:.3f} mm, following error {steps:.1f} steps{gauge}; no procedure provoked that; halted, "
        "not retried"
    )
