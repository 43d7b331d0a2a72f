"""Taking the motor's current away and giving it back."""

from __future__ import annotations

from stepwitness.bench.live import Bench
from stepwitness.procedures.stall_recovery.declared import Settings


def starve(bench: Bench, settings: Settings) -> None:
    """Too little current, in motion and at rest: a holding current would turn the rotor again at each stop."""
    bench.drive.set_run_current(settings.stall_current_a)
    bench.drive.set_hold_current(settings.stall_current_a)


def feed(bench: Bench, settings: Settings) -> None:
    """Rated current again; what the counter says afterwards is what counts."""
    motor = bench.description.motor
    bench.drive.set_run_current(motor.rated_current_a)
    bench.drive.set_hold_current(motor.hold_current_a)
    bench.clock.sleep(settings.settle_s)
