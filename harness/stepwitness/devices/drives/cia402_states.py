"""The power state machine of IEC 61800-7-201 (CiA 402) as tables, from memory; no I/O.

1. A statusword is decoded by masks; one that fits no state is an error, never a guess.
2. A controlword is a command by masks, and `TRANSITIONS` says what it does in each state; what isn't in the table does
   nothing.
3. A fault is left by a rising edge of the reset bit alone, and into "switch on disabled": nothing is energised by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, IntFlag

from stepwitness.devices.errors import BadReply


class State(Enum):
    """States of the drive's power stage."""

    NOT_READY = "not ready to switch on"
    SWITCH_ON_DISABLED = "switch on disabled"
    READY = "ready to switch on"
    SWITCHED_ON = "switched on"
    ENABLED = "operation enabled"
    QUICK_STOP = "quick stop active"
    FAULT_REACTION = "fault reaction active"
    FAULT = "fault"


class Control(IntFlag):
    """Bits of the controlword, 6040h."""

    SWITCH_ON = 1 << 0
    ENABLE_VOLTAGE = 1 << 1
    NO_QUICK_STOP = 1 << 2
    ENABLE_OPERATION = 1 << 3
    START = 1 << 4
    """New set-point (profile position) or start of homing."""
    AT_ONCE = 1 << 5
    RELATIVE = 1 << 6
    RESET = 1 << 7
    HALT = 1 << 8


class Status(IntFlag):
    """Bits of the statusword, 6041h, beside those of the state."""

    VOLTAGE = 1 << 4
    NO_QUICK_STOP = 1 << 5
    WARNING = 1 << 7
    REMOTE = 1 << 9
    TARGET_REACHED = 1 << 10
    ACKNOWLEDGED = 1 << 12
    """Set-point acknowledged (profile position) or homing attained."""
    DEVIATION = 1 << 13
    """Following error (profile position) or homing error."""


STATUS_PATTERNS: tuple[tuple[int, int, State], ...] = (
    (0x4F, 0x00, State.NOT_READY),
    (0x4F, 0x40, State.SWITCH_ON_DISABLED),
    (0x6F, 0x21, State.READY),
    (0x6F, 0x23, State.SWITCHED_ON),
    (0x6F, 0x27, State.ENABLED),
    (0x6F, 0x07, State.QUICK_STOP),
    (0x4F, 0x0F, State.FAULT_REACTION),
    (0x4F, 0x08, State.FAULT),
)
"""Mask, value under it, and the state that they stand for."""


class Command(Enum):
    """Commands of the controlword."""

    SHUTDOWN = "shutdown"
    SWITCH_ON = "switch on"
    ENABLE_OPERATION = "enable operation"
    DISABLE_VOLTAGE = "disable voltage"
    QUICK_STOP = "quick stop"
    FAULT_RESET = "fault reset"


CONTROLWORDS: Mapping[Command, int] = {
    Command.SHUTDOWN: 0x06,
    Command.SWITCH_ON: 0x07,
    Command.ENABLE_OPERATION: 0x0F,
    Command.DISABLE_VOLTAGE: 0x00,
    Command.QUICK_STOP: 0x02,
}
"""What is written for each; a fault reset is an edge and stands in no word of its own."""

COMMAND_PATTERNS: tuple[tuple[int, int, Command], ...] = (
    (0x82, 0x00, Command.DISABLE_VOLTAGE),
    (0x86, 0x02, Command.QUICK_STOP),
    (0x87, 0x06, Command.SHUTDOWN),
    (0x8F, 0x07, Command.SWITCH_ON),
    (0x8F, 0x0F, Command.ENABLE_OPERATION),
)
"""Mask, value under it, and the command. "Switch on" in operation enabled is "disable operation"."""

TRANSITIONS: Mapping[tuple[State, Command], tuple[int, State]] = {
    (State.SWITCH_ON_DISABLED, Command.SHUTDOWN): (2, State.READY),
    (State.READY, Command.SWITCH_ON): (3, State.SWITCHED_ON),
    (State.SWITCHED_ON, Command.ENABLE_OPERATION): (4, State.ENABLED),
    (State.ENABLED, Command.SWITCH_ON): (5, State.SWITCHED_ON),
    (State.SWITCHED_ON, Command.SHUTDOWN): (6, State.READY),
    (State.READY, Command.QUICK_STOP): (7, State.SWITCH_ON_DISABLED),
    (State.READY, Command.DISABLE_VOLTAGE): (7, State.SWITCH_ON_DISABLED),
    (State.ENABLED, Command.SHUTDOWN): (8, State.READY),
    (State.ENABLED, Command.DISABLE_VOLTAGE): (9, State.SWITCH_ON_DISABLED),
    (State.SWITCHED_ON, Command.QUICK_STOP): (10, State.SWITCH_ON_DISABLED),
    (State.SWITCHED_ON, Command.DISABLE_VOLTAGE): (10, State.SWITCH_ON_DISABLED),
    (State.ENABLED, Command.QUICK_STOP): (11, State.QUICK_STOP),
    (State.QUICK_STOP, Command.DISABLE_VOLTAGE): (12, State.SWITCH_ON_DISABLED),
    (State.FAULT, Command.FAULT_RESET): (15, State.SWITCH_ON_DISABLED),
}
"""Number of the transition in the standard, and where it leads. The drive's own transitions (0, 1, 13, 14, and 12 at
the end of a quick stop) have no command; 16, from quick stop back to operation enabled, is never used here."""

TOWARDS_ENABLED: Mapping[State, Command] = {
    State.SWITCH_ON_DISABLED: Command.SHUTDOWN,
    State.READY: Command.SWITCH_ON,
    State.SWITCHED_ON: Command.ENABLE_OPERATION,
    State.QUICK_STOP: Command.DISABLE_VOLTAGE,
}
"""The next command on the way to operation enabled. A fault has none: it is reset by an explicit decision."""

ENERGISED = frozenset({State.ENABLED, State.QUICK_STOP, State.FAULT_REACTION})
"""States in which the windings have current."""


def state_of(statusword: int) -> State:
    """The state that a statusword tells.

    Raises
    ------
    BadReply : for one that fits none.
    """
    for mask, value, state in STATUS_PATTERNS:
        if statusword & mask == value:
            return state
    raise BadReply(f"statusword {statusword:04x}h fits no state of IEC 61800-7-201")


def command_of(controlword: int, before: int) -> Command | None:
    """The command that a controlword gives after `before`; None for one that gives none."""
    if controlword & Control.RESET:
        return Command.FAULT_RESET if not before & Control.RESET else None
    return next((command for mask, value, command in COMMAND_PATTERNS if controlword & mask == value), None)


def after(state: State, command: Command | None) -> State:
    """The state that follows."""
    if command is None:
        return state
    return TRANSITIONS.get((state, command), (0, state))[1]


def status_bits(state: State) -> int:
    """The bits of a statusword that tell `state`."""
    return next(value for _, value, known in STATUS_PATTERNS if known is state)
