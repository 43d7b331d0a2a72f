"""What can go wrong between host and part. Each says what is known and what isn't."""

from __future__ import annotations

from stepwitness.errors import StepwitnessError


class DeviceError(StepwitnessError):
    """Base of errors that a part or its link raised."""


class NoReply(DeviceError):
    """The part didn't answer within its deadline; whether it carried the command out isn't known."""


class NotStarted(DeviceError):
    """A command was lost on its way, and the part was read back: it stands where it stood."""


class BadReply(DeviceError):
    """The part answered something that the protocol doesn't allow."""


class Refused(DeviceError):
    """The part answered that it won't."""


class LinkLost(DeviceError):
    """The port or the connection is gone."""


class OutOfRange(DeviceError):
    """An instrument reported overrange, or a reading outside its declared range."""
