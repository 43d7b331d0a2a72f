"""Why a bench refuses a command, and why a run ends in the safe state."""

from __future__ import annotations

from stepwitness.errors import StepwitnessError


class EnvelopeError(StepwitnessError):
    """A command would leave what the bench permits. Nothing was sent."""


class NotReferenced(EnvelopeError):
    """Travel has no zero yet, so no move can be judged. Nothing was sent."""


class NotArmed(EnvelopeError):
    """The bench's real parts may only be read. Nothing was sent."""


class Aborted(StepwitnessError):
    """The run ends in the safe state; its text is the cause that the record keeps."""


class UnprovokedStall(Aborted):
    """The axis stopped following and no procedure asked for that: perhaps a hand. Never answered by a retry."""


class LeftEnvelope(Aborted):
    """A witness saw the load outside the envelope while it moved, whatever was commanded."""


class Unguarded(Aborted):
    """The sentinel that stops the axis should this process die is gone, or has acted: nothing moves without it."""


class StopCircuitOpen(Aborted):
    """The stop circuit opened: an order, never answered by a restart of ours."""


class MoveNotEnded(Aborted):
    """The drive still reports motion long after the move should have ended."""


class SafeStateError(StepwitnessError):
    """The safe state couldn't be reached or proven; its text says what the axis may be doing."""
