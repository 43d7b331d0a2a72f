"""Options of a part, from text: what several kinds of parts share. Each error names its place."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping

from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.quantities import Kind, si

Options = Mapping[str, str]


def time_option(options: Options, key: str, default: str, place: Place) -> float:
    """A positive time in seconds."""
    text = options.get(key, default)
    try:
        value_s = si(text, Kind.TIME)
    except BadInput as error:
        raise error.at(place.below(key)) from None
    if value_s <= 0:
        raise BadInput("a time-out must be positive", place=place.below(key), found=f"'{text}'")
    return value_s


def whole_option(
    options: Options, key: str, default: int | None, place: Place, *, at_least: int = 0, at_most: int
) -> int:
    """A whole number, decimal or ``0x`` hexadecimal; with `default` None it has to be given."""
    allowed = f"{at_least} to {at_most}"
    text = options.get(key)
    if text is None:
        if default is None:
            raise BadInput(f"'{key}' is missing", place=place.below(key), allowed=allowed)
        return default
    try:
        value = int(text, 0)
    except ValueError:
        raise BadInput("not a whole number", place=place.below(key), found=f"'{text}'", allowed=allowed) from None
    if not at_least <= value <= at_most:
        raise BadInput("out of bounds", place=place.below(key), found=f"'{text}'", allowed=allowed)
    return value


def word_option(options: Options, key: str, default: str, place: Place, allowed: Collection[str]) -> str:
    """One of some words."""
    text = options.get(key, default)
    if text not in allowed:
        raise BadInput(
            f"no such {key.replace('_', ' ')}",
            place=place.below(key),
            found=f"'{text}'",
            allowed=", ".join(allowed),
            cure=near_miss(text, allowed),
        )
    return text


def expression_option(options: Options, key: str, default: str, place: Place) -> str:
    """A regular expression."""
    text = options.get(key, default)
    try:
        re.compile(text)
    except re.error as error:
        raise BadInput(f"not a regular expression ({error})", place=place.below(key), found=f"'{text}'") from None
    return text


def refuse_unknown(options: Options, known: Collection[str], place: Place, *, what: str) -> None:
    """Raise for the first option that isn't among `known`."""
    for key in options:
        if key not in known:
            raise BadInput(
                f"an unknown option of {what}",
                place=place.below(key),
                found=f"'{key}'",
                allowed=", ".join(known),
                cure=near_miss(key, known),
            )
