"""What is known of a move whose reply was lost: the drive is read back and compared with how it stood before.

1. Nothing is sent but questions; the move itself never again.
2. It is under way or done, or it never started (`NotStarted`), or the error says what isn't known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from stepwitness.devices.errors import DeviceError, NoReply, NotStarted
from stepwitness.devices.interfaces import DriveStatus


@dataclass(frozen=True)
class Standing:
    """Status, then position."""

    status: DriveStatus
    position: int

    def __str__(self) -> str:
        moving = "moving" if self.status.moving else "at rest"
        fault = f", fault {self.status.fault}" if self.status.fault else ""
        return f"{moving} at {self.position}{fault}"


def start_or_tell(
    send: Callable[[], object],
    look: Callable[[], Standing],
    *,
    name: str,
    command: str,
    before: Standing,
    target: int,
) -> None:
    """Send a move; where its reply is lost, return only if it is known to have started.

    Parameters
    ----------
    send, look : send the move; read status and position back. name : of the part. command : the move in words.
    before, target : how the drive stood when `send` was called, and where the move ends.

    Raises
    ------
    NotStarted : the command was lost, the drive stands where it stood. NoReply : whether it started isn't known.
    """
    try:
        send()
    except NoReply as lost:
        found = read_back(look, name=name, command=command, lost=lost)
        on_the_way = min(before.position, target) <= found.position <= max(before.position, target)
        if not before.status.moving and found.status.enabled and on_the_way:
            if found.status.moving or found.position == target:
                return
            if found.position == before.position:
                raise NotStarted(f"{name}: '{command}' was lost on its way; still {found}") from lost
        raise NoReply(
            f"{name}: whether '{command}' started isn't known: no reply; before: {before}; read back: {found}"
        ) from lost


def read_back(look: Callable[[], Standing], *, name: str, command: str, lost: NoReply) -> Standing:
    """How the drive stands after `command` had no reply."""
    try:
        return look()
    except DeviceError as error:
        raise NoReply(
            f"{name}: whether '{command}' was carried out isn't known: no reply, and reading back failed too: {error}"
        ) from lost
