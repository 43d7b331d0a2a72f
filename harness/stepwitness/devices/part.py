"""How a bench names a part: its implementation and that implementation's own options."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from stepwitness.errors import Place


@dataclass(frozen=True)
class Part:
    """A part by the name of its implementation and that implementation's own options, as text.

    `kind` is "stand-in" or a name that an entry point knows ("text-line", "scpi", a user's own). `identity` and
    `firmware` are what the part has to say that it is, where the bench file says so.
    """

    kind: str
    options: Mapping[str, str] = field(default_factory=dict)
    place: Place = field(default_factory=Place)
    identity: str = ""
    firmware: str = ""
