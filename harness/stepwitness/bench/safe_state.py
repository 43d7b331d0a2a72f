"""The safe state of a bench, step by step.

1. Idempotent: calling it twice, or on a bench that is safe already, does no harm.
2. A step that fails doesn't keep the next from being tried; what failed is told at the end.
3. A vertical axis is stopped, held, braked, the brake proven, and only then de-energised. A brake that doesn't hold
   leaves the motor energised.

Software here is no safety function: it brings an axis to rest, and protects nobody.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from stepwitness.bench.description import SafeState
from stepwitness.bench.errors import SafeStateError
from stepwitness.devices.errors import DeviceError, LinkLost

if TYPE_CHECKING:
    from stepwitness.bench.live import Bench

_STOP_DEADLINE_S = 2.0
_POLL_S = 0.01
_PROOF_POLL_S = 0.001
_PROOF_SHARES = (*(0.7**stage for stage in range(1, 15)), 0.0)
"""Shares of the holding current at which the brake is proven, down to none, where it is alone with the load.

In small stages, because a load that its brake doesn't hold then slips at a current that all but holds it: slowly, and
the motor can catch it. Without current at once it would run away.
"""

_PROOF_TIME_S = 0.04


def to_safe_state(bench: Bench) -> None:
    """Bring the bench's axis to the safe state that its file names.

    Raises
    ------
    SafeStateError : where a step failed; the text says which, and what the axis may be doing.
    """
    failures: list[str] = []

    def tried(what: str, step: Callable[[], None]) -> None:
        try:
            step()
        except Exception as error:  # any failing step must not keep the next from being tried
            failures.append(f"{what}: {error}")

    tried("halt", lambda: _halt(bench))
    tried("coming to rest", lambda: _wait_for_rest(bench))
    tried("holding current", lambda: bench.drive.set_hold_current(bench.description.motor.hold_current_a))
    if bench.description.safe_state is SafeState.BRAKE:
        tried("brake", lambda: _brake_and_release(bench))
    if failures:
        raise SafeStateError(
            f"{bench.description.name}: the safe state was not reached; {'; '.join(failures)}; "
            "keep clear of the axis and switch its supply off by hand"
        )


def _halt(bench: Bench) -> None:
    """Halt; where the link was lost, over a link that is opened anew, which commands nothing by itself."""
    try:
        bench.drive.halt()
    except LinkLost as lost:
        try:
            bench.drive.reconnect()
        except DeviceError as error:
            raise LinkLost(f"{lost}; opening it again: {error}") from lost
        bench.drive.halt()


def _wait_for_rest(bench: Bench) -> None:
    deadline_s = bench.clock.now() + _STOP_DEADLINE_S
    while bench.drive.status().moving:
        if bench.clock.now() > deadline_s:
            raise SafeStateError(f"still moving {_STOP_DEADLINE_S:g} s after the halt")
        bench.clock.sleep(_POLL_S)


def _brake_and_release(bench: Bench) -> None:
    """Close the brake, prove it with less and less holding current while a witness looks, then de-energise."""
    brake_part = bench.description.brake
    if bench.brake is None or brake_part is None:
        raise SafeStateError("the bench has no brake; the motor stays energised")
    bench.brake.close()
    if not bench.drive.status().enabled:
        return
    if bench.counter is None and bench.gauge is None:
        raise SafeStateError("neither counter nor gauge can see whether the brake holds; the motor stays energised")
    bench.clock.sleep(2 * brake_part.closing_delay_s)
    hold_a = bench.description.motor.hold_current_a
    before_m = bench.witnessed_travel_m()
    try:
        for share in _PROOF_SHARES:
            bench.drive.set_hold_current(share * hold_a)
            _prove(bench, before_m, share)
    finally:
        bench.drive.set_hold_current(hold_a)
    bench.drive.disable()


def _prove(bench: Bench, before_m: float, share: float) -> None:
    """Look for a while; at the first step of motion the proof ends, so that the motor can catch the load."""
    allowed_m = float(bench.axis.step_travel)
    ends_s = bench.clock.now() + _PROOF_TIME_S
    while bench.clock.now() < ends_s:
        moved_m = abs(bench.witnessed_travel_m() - before_m)
        if moved_m > allowed_m:
            raise SafeStateError(
                f"the brake doesn't hold (the load moved {moved_m * 1e6:.0f} µm at {share:.0%} of the holding current; "
                f"allowed: {allowed_m * 1e6:.0f} µm); the motor stays energised"
            )
        bench.clock.sleep(_PROOF_POLL_S)
