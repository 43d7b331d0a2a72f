"""Checks of a `Gauge` and of a `Meter`; some need a drive."""

from __future__ import annotations

import math

from stepwitness.conformance.subject import SETTLING_S, Check, Subject, expect
from stepwitness.errors import BadInput

READINGS = 10
GAUGE_TOLERANCE = 0.05
"""Share by which a gauge may differ from the commanded travel; finds a wrong unit or sense, judges no accuracy."""


def gauge_tells_its_identity(subject: Subject) -> None:
    """The identity isn't empty."""
    expect(bool(str(subject.the_gauge().identity())), "the gauge's identity is empty")


def gauge_stands_still_at_rest(subject: Subject) -> None:
    """Readings at rest are finite and spread no more than the gauge's noise."""
    gauge = subject.the_gauge()
    readings = [gauge.travel_m() for _ in range(READINGS)]
    expect(all(map(math.isfinite, readings)), f"a reading at rest isn't a finite number: {readings}")
    spread = max(readings) - min(readings)
    expect(
        spread <= subject.gauge_noise_m,
        f"at rest {READINGS} readings spread over {spread:.3g} m; expected {subject.gauge_noise_m:.3g} m at most",
    )


def gauge_reads_travel(subject: Subject) -> None:
    """The reading follows the load in metres and in the sense that `travel_per_microstep_m` says."""
    gauge = subject.the_gauge()
    if not subject.travel_per_microstep_m:
        raise BadInput("this check needs to know the travel", allowed="Subject(travel_per_microstep_m=...)")
    with subject.at_work():
        # Play is taken up first, so that the measured way lies on one flank of the screw.
        subject.move_by(-subject.distance)
        subject.move_by(subject.distance)
        before_m = gauge.travel_m()
        subject.move_by(subject.distance)
        way_m = gauge.travel_m() - before_m
    expected_m = subject.distance * subject.travel_per_microstep_m
    tolerance_m = GAUGE_TOLERANCE * abs(expected_m) + subject.gauge_noise_m + subject.play_m
    expect(
        abs(way_m - expected_m) <= tolerance_m,
        f"a way of {expected_m:.4g} m reads as {way_m:.4g} m; expected within {tolerance_m:.2g} m: wrong unit, wrong "
        "sense, or a tip that doesn't touch",
    )


def meter_tells_its_identity(subject: Subject) -> None:
    """The identity isn't empty."""
    expect(bool(str(subject.the_meter().identity())), "the meter's identity is empty")


def meter_reads_finite_currents(subject: Subject) -> None:
    """Readings are finite numbers, in amperes."""
    meter = subject.the_meter()
    readings = [meter.current_a() for _ in range(READINGS)]
    expect(
        all(math.isfinite(reading) and abs(reading) < 1e3 for reading in readings),
        f"a reading isn't a current in amperes: {readings}",
    )


def meter_sees_the_windings(subject: Subject) -> None:
    """An energised axis draws more than a disabled one."""
    meter = subject.the_meter()
    with subject.at_work() as drive:
        energised_a = meter.current_a()
        drive.disable()
        subject.clock.sleep(SETTLING_S)
        disabled_a = meter.current_a()
    expect(
        energised_a > disabled_a,
        f"the meter reads {energised_a:.3g} A energised and {disabled_a:.3g} A disabled; expected: more when energised",
    )


GAUGE_CHECKS: tuple[Check, ...] = (gauge_tells_its_identity, gauge_stands_still_at_rest, gauge_reads_travel)
METER_CHECKS: tuple[Check, ...] = (meter_tells_its_identity, meter_reads_finite_currents, meter_sees_the_windings)
