"""A stand-in part in this process whose calls go wrong, told as a part of somebody's own package would tell it.

What a wire's bytes can't do has no place here: a call either fails by one of `devices.errors`, or answers.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

from stepwitness.devices.errors import BadReply, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.interfaces import Clock, DriveStatus
from stepwitness.standin.faults import Fault, Injection

FAULTS = frozenset(
    {
        Fault.DELAY,
        Fault.LOST_REQUEST,
        Fault.LOST_REPLY,
        Fault.GARBAGE,
        Fault.DISCONNECT,
        Fault.REBOOT,
        Fault.REBOOT_ENABLED,
        Fault.STUCK_BUSY,
        Fault.ERROR_REPLY,
        Fault.NOT_A_NUMBER,
        Fault.OVERRANGE,
        Fault.CLOCK_JUMP,
        Fault.TAKEN,
    }
)
_GONE = (Fault.DISCONNECT, Fault.TAKEN)


@dataclass
class FaultyPart:
    """The faults of one part, by the number of the call; `calls` are the names of those made."""

    injection: Injection | None
    clock: Clock
    calls: list[str] = field(default_factory=list)
    struck: bool = False

    def put_on(self, part: Any) -> None:
        """Put the faults on each method of `part`, which stays what it is."""
        names = [name for name in dir(type(part)) if not name.startswith("_") and callable(getattr(part, name))]
        for name in names:
            setattr(part, name, self._faulty(name, getattr(part, name)))

    def _faulty(self, name: str, method: Callable[..., Any]) -> Callable[..., Any]:
        def called(*values: Any, **named: Any) -> Any:
            number = len(self.calls)
            self.calls.append(name)
            injection = self.injection
            if injection is None or number < injection.at:
                return method(*values, **named)
            self.struck = True
            if injection.fault is Fault.STUCK_BUSY and name == "status":
                status: DriveStatus = method()
                return replace(status, moving=True)
            if injection.fault in _GONE:
                raise LinkLost(f"{name}: the link is gone")
            return (
                self._once(injection, name, method, values, named)
                if number == injection.at
                else method(*values, **named)
            )

        return called

    def _once(self, injection: Injection, name: str, method: Callable[..., Any], values: Any, named: Any) -> Any:
        dice = random.Random(injection.seed)
        match injection.fault:
            case Fault.LOST_REQUEST:
                raise NoReply(f"{name}: no reply")
            case Fault.ERROR_REPLY:
                raise Refused(f"{name} was refused")
            case Fault.OVERRANGE:
                raise OutOfRange(f"{name}: out of range")
            case Fault.DELAY:
                self.clock.sleep(dice.uniform(0.2, 3.0) * injection.timeout_s)
            case Fault.REBOOT | Fault.REBOOT_ENABLED:
                injection.reboot(injection.fault is Fault.REBOOT_ENABLED)
            case Fault.CLOCK_JUMP:
                injection.jump(dice.choice((5.0, 60.0, 3600.0)))
        found = method(*values, **named)
        match injection.fault:
            case Fault.LOST_REPLY:
                raise NoReply(f"{name}: no reply")
            case Fault.GARBAGE:
                raise BadReply(f"{name}: not a reply")
            case Fault.NOT_A_NUMBER if isinstance(found, float):
                return math.nan
        return found
