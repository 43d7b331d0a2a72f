"""What differs from drive to drive of IEC 61800-7-201, as a bench file tells it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from stepwitness.devices.can_node import LINK_OPTIONS
from stepwitness.devices.can_objects import CanObject, can_object
from stepwitness.devices.part_options import Options, refuse_unknown, time_option, word_option
from stepwitness.errors import BadInput, Place

PERMILLE = "permille"
OBJECTS: Mapping[str, str] = {
    "run_current": f"0x6073:0 uint16 {PERMILLE}",
    "hold_current": "0x2002:0 uint16 scale 0.001",
    "attempts": "0x2010:0 uint32",
    "attempts_made": "0x2011:0 uint32",
}
"""Objects that the standard leaves open, as the stand-in has them; a bench file overrides each by its name."""
CURRENTS = ("run_current", "hold_current")
OWN_OPTIONS = ("loop", "homing_method", "home_offset", "increments_per_microstep", "state_timeout", *OBJECTS)


@dataclass(frozen=True)
class Profile:
    """What differs from drive to drive.

    Attributes
    ----------
    increments_per_microstep : the drive's position units. homing_method : 37, or 35 with older drives.
    claim_sign : +1 where homing makes the position the home offset, -1 where it makes it the negative.
    run_current, hold_current, attempts, attempts_made : objects, None where the drive has none.
    state_timeout_s : for a change of state, on the host's own clock.
    permille : names of those currents whose units are thousandths of the drive's rated current.
    """

    increments_per_microstep: Fraction
    homing_method: int
    claim_sign: int
    run_current: CanObject | None
    hold_current: CanObject | None
    attempts: CanObject | None
    attempts_made: CanObject | None
    state_timeout_s: float
    permille: frozenset[str] = frozenset()

    def scaled(self, rated_a: float) -> Profile:
        """The same with its thousandths turned into amperes."""

        def in_amperes(name: str, item: CanObject | None) -> CanObject | None:
            return replace(item, scale=rated_a / 1000) if item is not None and name in self.permille else item

        return replace(
            self,
            run_current=in_amperes("run_current", self.run_current),
            hold_current=in_amperes("hold_current", self.hold_current),
            permille=frozenset(),
        )


def profile_from(options: Options, place: Place) -> Profile:
    """The profile that options describe.

    Raises
    ------
    BadInput : for options that can't be read.
    """
    refuse_unknown(options, (*LINK_OPTIONS, *OWN_OPTIONS), place, what="a CiA 402 drive")
    texts = {name: options.get(name, default) for name, default in OBJECTS.items()}
    objects = {name: _object(text, place.below(name)) for name, text in texts.items()}
    return Profile(
        increments_per_microstep=_ratio(options, place),
        homing_method=int(word_option(options, "homing_method", "37", place, ("35", "37"))),
        claim_sign=1 if word_option(options, "home_offset", "as is", place, ("as is", "negated")) == "as is" else -1,
        state_timeout_s=time_option(options, "state_timeout", "0.5 s", place),
        permille=frozenset(name for name in CURRENTS if texts[name].endswith(PERMILLE)),
        **objects,
    )


def _object(text: str, place: Place) -> CanObject | None:
    if not text:
        return None
    try:
        return can_object(text.removesuffix(PERMILLE).strip())
    except BadInput as error:
        raise error.at(place) from None


def _ratio(options: Options, place: Place) -> Fraction:
    text = options.get("increments_per_microstep", "1")
    try:
        ratio = Fraction(text)
    except (ValueError, ZeroDivisionError):
        ratio = Fraction(0)
    if ratio <= 0:
        raise BadInput(
            "not a ratio", place=place.below("increments_per_microstep"), found=f"'{text}'", allowed="1, 2.5 or 10/3"
        )
    return ratio
