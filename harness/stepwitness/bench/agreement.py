"""What two keys of a bench file must agree on, each checked at the place of the key to mend."""

from __future__ import annotations

from stepwitness.axis import Mounting, Orientation
from stepwitness.bench.description import ReferenceMethod, SafeState, StopMethod
from stepwitness.bench.sections import BenchFile
from stepwitness.errors import BadInput
from stepwitness.fields import near_missing
from stepwitness.files import Section

ROUNDING_M = 1e-12
"""What a sum of two floats may add; no bench tells a picometre."""

GRAVITY_M_PER_S2 = 9.80665


def check_agreement(file: BenchFile, tree: Section) -> None:
    """Raise `BadInput` for the first two keys that contradict each other; `tree` knows their places."""
    _check_encoder(file, tree)
    _check_travel(file, tree)
    _check_currents(file, tree)
    _check_reference(file, tree)
    _check_safe_state(file, tree)
    _check_stop(file, tree)


def _mm(travel_m: float) -> str:
    return f"{travel_m * 1e3:g} mm"


def _check_encoder(file: BenchFile, tree: Section) -> None:
    counter = file.counter
    if counter is None:
        return
    needed, other = ("lines", "line_pitch") if counter.on is Mounting.MOTOR else ("line_pitch", "lines")
    if getattr(counter, other) is not None:
        raise BadInput(
            f"'{other}' for an encoder on the {counter.on.value}",
            place=tree.where("counter", other),
            allowed="'lines' with 'on: motor', 'line_pitch' with 'on: load'",
        )
    if getattr(counter, needed) is None:
        raise BadInput(
            f"the key '{needed}' is missing, which an encoder on the {counter.on.value} needs",
            place=tree.where("counter", needed),
            cure=near_missing(needed, counter.options()),
        )


def _check_travel(file: BenchFile, tree: Section) -> None:
    """Envelope, gauge's range, reference and stop against the stroke."""
    stroke_m = float(file.axis.stroke)
    _check_envelope(file, tree, "an envelope beyond the stroke", 0.0, stroke_m)
    if file.gauge is not None:
        start_m = file.gauge.zero_at
        cure = "or mend 'zero_at' or 'range' of the gauge"
        end_m = start_m + file.gauge.range
        _check_envelope(file, tree, "an envelope beyond the gauge's range", start_m, end_m, cure=cure)
    places = {"reference": file.reference.at} | ({"blocked": file.blocked.at} if file.blocked else {})
    for section, at_m in places.items():
        if not 0 <= at_m <= stroke_m:
            raise BadInput(
                "a place outside the stroke",
                place=tree.where(section, "at"),
                found=_mm(at_m),
                allowed=f"0 mm to {_mm(stroke_m)}",
            )


def _check_envelope(
    file: BenchFile, tree: Section, problem: str, least_m: float, most_m: float, *, cure: str = ""
) -> None:
    low_m, high_m = file.envelope.travel
    if low_m < least_m - ROUNDING_M or high_m > most_m + ROUNDING_M:
        raise BadInput(
            problem,
            place=tree.where("envelope", "travel"),
            found=f"{_mm(low_m)} to {_mm(high_m)}",
            allowed=f"inside {_mm(least_m)} to {_mm(most_m)}",
            cure=cure,
        )


def _check_currents(file: BenchFile, tree: Section) -> None:
    motor, permitted = file.motor, file.envelope.current
    if motor.rated_current > permitted:
        raise BadInput(
            "an envelope that forbids the motor's rated current",
            place=tree.where("envelope", "current"),
            found=f"{permitted:g} A",
            allowed=f"at least {motor.rated_current:g} A",
        )
    for path, current in (
        (("motor", "hold_current"), motor.hold_current),
        (("blocked", "push_current"), file.blocked.push_current if file.blocked else 0.0),
    ):
        if current > motor.rated_current:
            raise BadInput(
                "a current beyond the motor's rated current",
                place=tree.where(*path),
                found=f"{current:g} A",
                allowed=f"at most {motor.rated_current:g} A",
            )


def _check_reference(file: BenchFile, tree: Section) -> None:
    reference = file.reference
    if reference.by is ReferenceMethod.LIMIT_SWITCH:
        if file.inputs is None:
            raise BadInput(
                "a limit switch that no part reads",
                place=tree.where("reference", "by"),
                found="'limit switch'",
                allowed="an 'inputs' part, or 'by: datum'",
            )
        if reference.side is None:
            raise BadInput("the key 'side' is missing", place=tree.where("reference", "side"), allowed="low, high")
        if (reference.speed or 0) > file.envelope.speed:
            raise BadInput(
                "a speed beyond the envelope",
                place=tree.where("reference", "speed"),
                found=f"{_mm(reference.speed or 0)}/s",
                allowed=f"at most {_mm(file.envelope.speed)}/s",
            )
        return
    for key in ("side", "speed"):
        if getattr(reference, key) is not None:
            raise BadInput(f"'{key}' has no meaning for a datum", place=tree.where("reference", key), allowed="by, at")


def _check_safe_state(file: BenchFile, tree: Section) -> None:
    if file.axis.orientation is Orientation.VERTICAL:
        if file.safe_state is not SafeState.BRAKE:
            raise BadInput(
                "a vertical axis that isn't braked",
                place=tree.where("safe_state"),
                found=f"'{file.safe_state.value}'",
                allowed="brake",
            )
        if file.back_drives is None:
            raise BadInput(
                "the key 'back_drives' is missing, which a vertical axis has to say",
                place=tree.where("back_drives"),
                allowed="yes where the load can turn the screw, no where it can't",
            )
    if file.safe_state is SafeState.BRAKE and file.brake is None:
        raise BadInput(
            "a safe state that needs a brake",
            place=tree.where("safe_state"),
            found="'brake'",
            allowed="a 'brake' part, or 'safe_state: hold' on a horizontal axis",
        )
    if file.safe_state is SafeState.BRAKE and file.counter is None and file.gauge is None:
        raise BadInput(
            "a brake that nothing can see hold",
            place=tree.where("safe_state"),
            found="'brake'",
            allowed="a 'counter' or a 'gauge', by which the brake is proven before the motor is let go",
        )


def _check_stop(file: BenchFile, tree: Section) -> None:
    stop = file.stop
    if stop is None:
        return
    for key, value, method in (("port", stop.port, StopMethod.PORT), ("drop", stop.drop, StopMethod.SUPPLY)):
        if value is not None and stop.by is not method:
            raise BadInput(
                f"'{key}' has no meaning for 'by: {stop.by.value}'", place=tree.where("stop", key), allowed="by"
            )
    if stop.by is StopMethod.PORT and stop.port is None:
        raise BadInput("the key 'port' is missing", place=tree.where("stop", "port"), allowed="a second port")
    if stop.by is StopMethod.SUPPLY:
        _check_stop_by_supply(file, tree)


def _check_stop_by_supply(file: BenchFile, tree: Section) -> None:
    """Cutting the supply stops an axis that stays where it is, or one whose spring-applied brake then closes.

    The fall until it holds is the worst there is: free, from the envelope's greatest speed.
    """
    assert file.stop is not None
    if file.supply is None:
        raise BadInput("a stop that needs a supply", place=tree.where("stop", "by"), allowed="a 'supply' part")
    if file.axis.orientation is not Orientation.VERTICAL and not file.back_drives:
        return
    if file.brake is None:
        raise BadInput(
            "a supply that is cut lets this load go",
            place=tree.where("stop", "by"),
            found="'supply'",
            allowed="drive, port; or a spring-applied 'brake'",
        )
    delay_s = file.brake.closing_delay
    fall_m = file.envelope.speed * delay_s + GRAVITY_M_PER_S2 * delay_s**2 / 2
    if file.stop.drop is None or file.stop.drop < fall_m:
        raise BadInput(
            "a load that can fall further than 'drop' until its brake holds",
            place=tree.where("stop", "drop"),
            found=_mm(file.stop.drop) if file.stop.drop is not None else "no 'drop'",
            allowed=f"at least {_mm(fall_m)}, if the bench can bear that; or 'by: drive'",
        )
