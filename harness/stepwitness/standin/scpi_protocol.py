"""What the stand-in meter says: the part of IEEE 488.2 and SCPI-99 that a current meter needs, no I/O.

1. Headers are taken in their short and long forms, in either case, several in a line separated by ``;``.
2. A header that isn't known answers nothing and goes into the error queue, as instruments do.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable

from stepwitness.devices.errors import OutOfRange
from stepwitness.devices.interfaces import Meter

OVERRANGE = "+9.90000000E+37"
ERRORS_KEPT = 20


class ScpiProtocol:
    """Answers lines for `meter`."""

    def __init__(self, meter: Meter) -> None:
        self._meter = meter
        self._errors: deque[str] = deque(maxlen=ERRORS_KEPT)
        self._headers: tuple[tuple[re.Pattern[str], Callable[[], str | None]], ...] = tuple(
            (re.compile(pattern, re.IGNORECASE), answer)
            for pattern, answer in (
                (r"\*IDN\?", self._identity),
                (r"\*OPC\?", lambda: "1"),
                (r"\*(RST|WAI)", lambda: None),
                (r"\*CLS", self._errors.clear),
                (r":?SYST(EM)?:ERR(OR)?(:NEXT)?\?", self._next_error),
                (r":?MEAS(URE)?(:SCAL(AR)?)?:CURR(ENT)?(:DC)?\?", self._current),
            )
        )

    def answer(self, line: str) -> str | None:
        """The reply to one line, without its end; None where there is none."""
        replies = [self._one(header.strip()) for header in line.split(";") if header.strip()]
        told = [reply for reply in replies if reply is not None]
        return ";".join(told) if told else None

    def _one(self, header: str) -> str | None:
        for pattern, answer in self._headers:
            if pattern.fullmatch(header):
                return answer()
        self._errors.append('-113,"Undefined header"')
        return None

    def _identity(self) -> str:
        found = self._meter.identity()
        return ",".join(
            field.replace(",", " ") or "0" for field in (found.maker, found.model, found.serial, found.version)
        )

    def _next_error(self) -> str:
        return self._errors.popleft() if self._errors else '0,"No error"'

    def _current(self) -> str:
        try:
            return f"{self._meter.current_a():+.8E}"
        except OutOfRange:
            return OVERRANGE
