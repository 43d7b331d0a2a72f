"""Meter, gauge and supply that speak SCPI; the session is `scpi_session`'s.

Sent are IEEE 488.2 ``*IDN?`` and, of SCPI-99, ``MEASure``, ``READ?``, ``OUTPut``, ``CURRent`` and ``SYSTem:ERRor?``
(from memory). What an instrument measures can be asked with a question of its own (option ``query``). `now` is the
bench's clock, for the log.
"""

from __future__ import annotations

import time

from stepwitness.devices.errors import BadReply, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.instruments.scpi_session import Now, ScpiSession, open_session
from stepwitness.devices.interfaces import Identity
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput
from stepwitness.quantities import Kind, exact, si

CURRENT_QUERY = "MEAS:CURR?"
TEMPERATURE_QUERY = "MEAS:TEMP?"
TRAVEL_QUERY = "READ?"
LIMIT_TOLERANCE = 0.01
"""Share by which a current limit may read back otherwise than it was set (common practice, no source)."""


class ScpiInstrument:
    """What all of them share."""

    def __init__(self, session: ScpiSession) -> None:
        self._session = session

    @property
    def log(self) -> ExchangeLog:
        """The last exchanges, oldest first; `log.texts()` for the record."""
        return self._session.log

    def identity(self) -> Identity:
        return self._session.identity()

    def close_link(self) -> None:
        """Let go of the instrument; the next question opens it again."""
        self._session.close()


class ScpiMeter(ScpiInstrument):
    """`Meter`; a multimeter that also reads a temperature."""

    def __init__(self, session: ScpiSession, *, query: str = CURRENT_QUERY) -> None:
        super().__init__(session)
        self._query = query

    def current_a(self) -> float:
        """One measurement; errors as `ScpiSession.number`."""
        return self._session.number(self._query, what="current")

    def temperature_c(self) -> float:
        """One measurement in degrees Celsius, SCPI's default unit of temperature."""
        return self._session.number(TEMPERATURE_QUERY, what="temperature")


class ScpiGauge(ScpiInstrument):
    """`Gauge`; an indicator that is set up to measure travel. `factor` is metres in one unit of its readings."""

    def __init__(self, session: ScpiSession, *, query: str = TRAVEL_QUERY, factor: float = 1.0) -> None:
        super().__init__(session)
        self._query, self._factor = query, factor

    def travel_m(self) -> float:
        return self._session.number(self._query, what="travel") * self._factor


class ScpiSupply(ScpiInstrument):
    """`Supply`; with `limit_a`, the current limit is set and read back each time before the output is switched on."""

    def __init__(self, session: ScpiSession, *, limit_a: float | None = None) -> None:
        super().__init__(session)
        self._limit_a = limit_a

    def set_output(self, on: bool) -> None:
        """Switch the output.

        Raises
        ------
        Refused : by the supply, or where its current limit isn't what it was set to; the output is then left alone.
        """
        if on and self._limit_a is not None:
            self._session.set(f"CURR {self._limit_a:.6g}")
            found_a = self.current_limit_a()
            if abs(found_a - self._limit_a) > LIMIT_TOLERANCE * self._limit_a:
                raise Refused(
                    f"{self._session.name}: current limit set to {self._limit_a:g} A reads back {found_a:g} A; "
                    "the output stays as it is"
                )
        self._session.set(f"OUTP {'ON' if on else 'OFF'}")

    def output(self) -> bool:
        reply = self._session.ask("OUTP?")
        if reply not in ("0", "1"):
            raise BadReply(f"{self._session.name} answered '{reply}' where 0 or 1 belongs")
        return reply == "1"

    def voltage_v(self) -> float:
        return self._session.number("MEAS:VOLT?", what="voltage")

    def current_limit_a(self) -> float:
        return self._session.number("CURR?", what="current limit")


def open_meter(part: Part, now: Now = time.monotonic) -> ScpiMeter:
    """The meter that `part` names; option ``query`` for another question than ``MEAS:CURR?``."""
    query = _query(part, CURRENT_QUERY)
    return ScpiMeter(open_session(part, ("query",), what="a SCPI meter", now=now), query=query)


def open_gauge(part: Part, now: Now = time.monotonic) -> ScpiGauge:
    """The gauge that `part` names; options ``query`` (default ``READ?``) and ``unit`` of its readings (default m)."""
    query, unit = _query(part, TRAVEL_QUERY), part.options.get("unit", "m")
    try:
        factor = float(exact(f"1 {unit}", Kind.TRAVEL))
    except BadInput as error:
        raise error.at(part.place.below("unit")) from None
    return ScpiGauge(open_session(part, ("query", "unit"), what="a SCPI gauge", now=now), query=query, factor=factor)


def open_supply(part: Part, now: Now = time.monotonic) -> ScpiSupply:
    """The supply that `part` names; option ``current_limit`` is set before the output is switched on."""
    limit_a = None
    if "current_limit" in part.options:
        try:
            limit_a = si(part.options["current_limit"], Kind.CURRENT)
        except BadInput as error:
            raise error.at(part.place.below("current_limit")) from None
    return ScpiSupply(open_session(part, ("current_limit",), what="a SCPI supply", now=now), limit_a=limit_a)


def _query(part: Part, default: str) -> str:
    text = part.options.get("query", default)
    if not (text.isascii() and text.isprintable() and text.endswith("?")):
        raise BadInput(
            "not a question", place=part.place.below("query"), found=f"'{text}'", allowed="such as 'MEAS:CURR:DC?'"
        )
    return text
