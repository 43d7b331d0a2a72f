"""What the stand-in instruments say in SCPI: the part of IEEE 488.2 and SCPI-99 that each needs, no I/O.

1. Headers are taken in their short and long forms, in either case, several in a line separated by ``;``.
2. A header that isn't known, or a value that is refused, answers nothing and goes into the error queue, as instruments
   do.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Mapping
from typing import Protocol

from stepwitness.devices.errors import DeviceError, OutOfRange
from stepwitness.devices.interfaces import Gauge, Identity, LimitsCurrent, Meter, Supply
from stepwitness.standin.parts import MOST_LIMIT_A

OVERRANGE = "+9.90000000E+37"
ERRORS_KEPT = 20
UNDEFINED_HEADER = '-113,"Undefined header"'
OUT_OF_RANGE = '-222,"Data out of range"'
CONFLICT = '-221,"Settings conflict"'
ROOM_C = 20.0
"""What the multimeter's probe reads: a stand-in axis has no temperature of its own."""

Headers = Mapping[str, Callable[..., object]]
"""Regular expression of a header, with its value -> what answers it. None answers nothing."""

_NUMBER = r" +([-+]?[\d.]+(?:E[-+]?\d+)?)"
_SCALAR = r"(?:SCAL(?:AR)?)"


class ScpiProtocol:
    """Answers lines by a table of headers, and those that every instrument has."""

    def __init__(self, identity: Callable[[], Identity], headers: Headers) -> None:
        self._identity = identity
        self._errors: deque[str] = deque(maxlen=ERRORS_KEPT)
        common: Headers = {
            r"\*IDN\?": self._told_identity,
            r"\*OPC\?": lambda: "1",
            r"\*(?:RST|WAI)": lambda: None,
            r"\*CLS": self._errors.clear,
            r"SYST(?:EM)?:ERR(?:OR)?(?::NEXT)?\?": self._next_error,
        }
        self._headers = [
            (re.compile(f":?(?:{pattern})", re.IGNORECASE), answer) for pattern, answer in {**common, **headers}.items()
        ]

    def answer(self, line: str) -> str | None:
        """The reply to one line, without its end; None where there is none."""
        replies = [self._one(header.strip()) for header in line.split(";") if header.strip()]
        told = [reply for reply in replies if reply is not None]
        return ";".join(told) if told else None

    def _one(self, header: str) -> str | None:
        for pattern, answer in self._headers:
            match = pattern.fullmatch(header)
            if match is None:
                continue
            try:
                value = answer(*match.groups())
            except OutOfRange:
                return OVERRANGE
            except ValueError:
                self._errors.append(OUT_OF_RANGE)
                return None
            except DeviceError:
                self._errors.append(CONFLICT)
                return None
            return None if value is None else str(value)
        self._errors.append(UNDEFINED_HEADER)
        return None

    def _told_identity(self) -> str:
        found = self._identity()
        fields = (found.maker, found.model, found.serial, found.version)
        return ",".join(field.replace(",", " ").replace(";", " ") or "0" for field in fields)

    def _next_error(self) -> str:
        return self._errors.popleft() if self._errors else '0,"No error"'


def _number(value: float) -> str:
    return f"{value:+.8E}"


def meter_protocol(meter: Meter) -> ScpiProtocol:
    """A multimeter that reads current and temperature."""
    return ScpiProtocol(
        meter.identity,
        {
            rf"MEAS(?:URE)?(?::{_SCALAR})?:CURR(?:ENT)?(?::DC)?\?": lambda: _number(meter.current_a()),
            rf"MEAS(?:URE)?(?::{_SCALAR})?:TEMP(?:ERATURE)?\?": lambda: _number(ROOM_C),
        },
    )


def gauge_protocol(gauge: Gauge) -> ScpiProtocol:
    """A displacement indicator; SCPI has no header for travel, so that it measures what it is set up for: metres."""
    return ScpiProtocol(gauge.identity, {r"READ\?|FETC(?:H)?\?": lambda: f"{gauge.travel_m():+.10E}"})


class LimitedSupply(Supply, LimitsCurrent, Protocol):
    """A supply whose current limit can be set."""


def supply_protocol(supply: LimitedSupply) -> ScpiProtocol:
    """A supply with output, voltage and a current limit, which acts on what the supply feeds."""

    def set_limit(text: str) -> None:
        value = float(text)
        if not 0 <= value <= MOST_LIMIT_A:
            raise ValueError(text)
        supply.set_current_limit(value)

    def switch(text: str) -> None:
        supply.set_output(text.upper() in ("ON", "1"))

    return ScpiProtocol(
        supply.identity,
        {
            r"OUTP(?:UT)?(?::STAT(?:E)?)? +(ON|OFF|1|0)": switch,
            r"OUTP(?:UT)?(?::STAT(?:E)?)?\?": lambda: str(int(supply.output())),
            rf"MEAS(?:URE)?(?::{_SCALAR})?:VOLT(?:AGE)?(?::DC)?\?": lambda: _number(supply.voltage_v()),
            rf"(?:SOUR(?:CE)?:)?CURR(?:ENT)?{_NUMBER}": set_limit,
            r"(?:SOUR(?:CE)?:)?CURR(?:ENT)?\?": lambda: _number(supply.current_limit_a()),
        },
    )
