"""What the bench file says that each part is, held against what the part says, before anything moves.

1. Every word of `identity` must be among the words of the part's answer, so a serial number alone is enough;
   `firmware` must be the version that the part tells.
2. Only parts that the file names are asked: a stand-in that takes a real part's place isn't that part.
"""

from __future__ import annotations

from typing import Any

from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Parts
from stepwitness.devices.interfaces import Identity
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput
from stepwitness.files import quoted

_STAND_IN = "stand-in"


def check_identities(description: BenchDescription, parts: Parts, *, simulated: bool) -> None:
    """Refuse the first part that isn't the one that the bench file expects.

    Raises
    ------
    BadInput : at the key, with what was found; nothing was sent but the question.
    """
    built = parts.by_role()
    for role, part in description.parts().items():
        expected = part.identity or part.firmware
        if expected and not (simulated and part.kind != _STAND_IN):
            _check(role, part, built[role])


def _check(role: str, part: Part, built: Any) -> None:
    told = built.identity() if hasattr(built, "identity") else Identity()
    if set(part.identity.split()) - set(str(told).split()):
        raise BadInput(
            f"the {role} isn't the part that the bench file expects; nothing moved",
            place=part.place.below("identity"),
            found=quoted(str(told)) if str(told) else "a part that doesn't tell what it is",
            allowed=quoted(part.identity),
            cure="connect that part, or write what stands there now: its history begins anew",
        )
    if part.firmware and part.firmware != told.version:
        raise BadInput(
            f"the {role} runs another firmware than the bench file expects; nothing moved",
            place=part.place.below("firmware"),
            found=quoted(told.version) if told.version else "a part that doesn't tell its firmware",
            allowed=quoted(part.firmware),
            cure="write the firmware that it runs now: its history begins anew",
        )
