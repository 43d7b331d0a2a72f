"""Who stands at a rig: mounts units, reads the screen, and says when the area is clear.

That word is no safety function; guards and the stop circuit are.
"""

from __future__ import annotations

from typing import Protocol

from stepwitness.errors import StepwitnessError

CLEAR = "clear"


class BrokenOff(StepwitnessError):
    """The operator broke off, or there is nobody to ask."""


class Operator(Protocol):
    """Who mounts units and reads the screen. Every question may raise `BrokenOff`."""

    def say(self, text: str) -> None:
        """Tell something that needs no answer."""
        ...

    def confirm(self, text: str) -> None:
        """Ask for something to be done, and wait until it is."""
        ...

    def confirm_by(self, text: str, word: str) -> None:
        """Ask, and wait until the answer is `word`."""
        ...

    def scan(self, text: str, due: str) -> str:
        """Ask for a serial number; `due` is the one that would be right."""
        ...
