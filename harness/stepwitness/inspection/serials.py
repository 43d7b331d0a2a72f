"""The sample that is drawn from a lot's serial numbers."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256

METHOD = "the sample is the least by SHA-256 of 'seed:serial', in that order"
"""Any program in any language draws the same from seed and serial numbers, years later."""


def drawn(serials: Sequence[str], sample: int, seed: int) -> tuple[str, ...]:
    """`sample` of `serials` at random by `seed`, in the order in which they are to be tested; see `METHOD`."""
    ranked = sorted(serials, key=lambda serial: sha256(f"{seed}:{serial}".encode()).digest())
    return tuple(ranked[:sample])
