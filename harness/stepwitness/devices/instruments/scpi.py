"""A current meter that speaks SCPI, over pyvisa.

1. Only IEEE 488.2 ``*IDN?`` and SCPI-99 ``MEASure:CURRent?`` are sent, each a line of its own with a reply,
   so that no write waits for an acknowledgement of the one before.
2. After any failure the session is dropped and the next question opens a new one: a late reply can't follow
   it there. Whatever then answers must be the same instrument.
3. Replies are read as bytes; the time-out is pyvisa's and counts on the host's own clock.
"""

from __future__ import annotations

import contextlib
import math
import threading
import time
from typing import Any

from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, OutOfRange
from stepwitness.devices.interfaces import Identity
from stepwitness.devices.part import Part
from stepwitness.errors import BadInput, near_miss
from stepwitness.quantities import Kind, si

SCPI_INFINITY = 9.9e37
"""What an overrange reads as, with its sign (SCPI-99 volume 1, 7.2.1.4; from memory)."""
SCPI_NOT_A_NUMBER = 9.91e37
OPTIONS = ("resource", "timeout", "backend")
DEFAULT_TIMEOUT = "2 s"
LONGEST_REPLY = 4096


class ScpiMeter:
    """`Meter` over a VISA resource.

    Parameters
    ----------
    resource : such as ``TCPIP::192.0.2.7::5025::SOCKET`` or ``TCPIP::192.0.2.7::hislip0::INSTR``.
    timeout_s : for a whole reply, on the host's own clock.
    backend : of pyvisa; "@py" is pyvisa-py, which needs no other driver.
    """

    def __init__(self, resource: str, *, timeout_s: float = 2.0, backend: str = "@py") -> None:
        self._resource, self._timeout_s, self._backend = resource, timeout_s, backend
        self._session: Any = None
        self._identified = ""
        self._lock = threading.RLock()

    def identity(self) -> Identity:
        with self._lock:
            if self._session is None:
                self._open()
            fields = [field.strip() for field in self._identified.split(",", 3)]
        # IEEE 488.2 (10.14; from memory): an instrument writes 0 for a serial number or version that it can't tell.
        told = [field if field != "0" else "" for field in fields]
        return Identity(*(told + [""] * (4 - len(told))))

    def current_a(self) -> float:
        """One measurement.

        Raises
        ------
        OutOfRange : where the meter reports overrange. BadReply : where it has no number.
        NoReply, LinkLost : where nothing comes back.
        """
        with self._lock:
            if self._session is None:
                self._open()
            reply = self._query("MEAS:CURR?")
        return _reading(reply, self._resource)

    def close_link(self) -> None:
        """Let go of the instrument; the next question opens it again."""
        with self._lock:
            session, self._session = self._session, None
            if session is not None:
                with contextlib.suppress(Exception):  # a dead session can't be closed politely
                    session.close()

    # -- session ---------------------------------------------------------------------------------------

    def _open(self) -> None:
        import pyvisa

        try:
            self._session = pyvisa.ResourceManager(self._backend).open_resource(
                self._resource,
                read_termination="\n",
                write_termination="\n",
                timeout=round(1000 * self._timeout_s),
                open_timeout=round(1000 * self._timeout_s),
            )
        except Exception as error:  # backends raise bare Exception, ValueError and their own errors alike
            raise LinkLost(f"{self._resource} can't be opened: {error}") from error
        identified = self._query("*IDN?")
        if self._identified and identified != self._identified:
            self.close_link()
            raise LinkLost(
                f"{self._resource} came back as another instrument: '{identified}', was '{self._identified}'"
            )
        self._identified = identified

    def _query(self, text: str) -> str:
        asked_s = time.monotonic()
        try:
            self._session.write(text)
            reply: bytes = self._session.read_bytes(LONGEST_REPLY, break_on_termchar=True)
        except Exception as error:  # VisaIOError, OSError, RuntimeError, by backend and fault
            raise self._named(error, text, time.monotonic() - asked_s) from error
        except BaseException:  # an interrupt: the reply may still come, so this session is done with
            self.close_link()
            raise
        if not reply.endswith(b"\n"):
            self.close_link()
            raise BadReply(f"{self._resource} answered {text} with {reply[:40]!r}…, which has no end")
        return reply.decode("ascii", errors="backslashreplace").strip()

    def _named(self, error: Exception, text: str, waited_s: float) -> DeviceError:
        """The error of ours for what the backend raised; drops the session."""
        import pyvisa

        self.close_link()
        timed_out = pyvisa.constants.StatusCode.error_timeout
        if isinstance(error, pyvisa.VisaIOError) and error.error_code == timed_out:
            return NoReply(f"{self._resource} didn't answer {text} within {waited_s:.2g} s")
        return LinkLost(f"{self._resource}: the connection is gone ({error or type(error).__name__})")


def _reading(reply: str, name: str) -> float:
    try:
        value = float(reply)
    except ValueError:
        raise BadReply(f"{name} answered '{reply}' where a current belongs") from None
    if math.isnan(value) or value == SCPI_NOT_A_NUMBER:
        raise BadReply(f"{name} answered that it has no reading ('{reply}')")
    if abs(value) >= SCPI_INFINITY:
        raise OutOfRange(f"{name} reports overrange ('{reply}')")
    return value


def open_meter(part: Part) -> ScpiMeter:
    """The meter that `part` names (options resource, timeout, backend), its identity read once.

    Raises
    ------
    BadInput : for options that can't be read. LinkLost, NoReply : where nothing answers.
    """
    from pyvisa.rname import InvalidResourceName, ResourceName

    for key in part.options:
        if key not in OPTIONS:
            raise BadInput(
                "an unknown option of a SCPI meter",
                place=part.place.below(key),
                found=f"'{key}'",
                allowed=", ".join(OPTIONS),
                cure=near_miss(key, OPTIONS),
            )
    if "resource" not in part.options:
        raise BadInput(
            "a SCPI meter needs its resource",
            place=part.place.below("resource"),
            allowed="such as TCPIP::192.0.2.7::5025::SOCKET",
        )
    try:
        timeout_s = si(part.options.get("timeout", DEFAULT_TIMEOUT), Kind.TIME)
    except BadInput as error:
        raise error.at(part.place.below("timeout")) from None
    resource = part.options["resource"]
    try:
        ResourceName.from_string(resource)
    except InvalidResourceName:
        raise BadInput(
            "not a VISA resource",
            place=part.place.below("resource"),
            found=f"'{resource}'",
            allowed="such as TCPIP::192.0.2.7::5025::SOCKET or TCPIP::192.0.2.7::hislip0::INSTR",
        ) from None
    meter = ScpiMeter(resource, timeout_s=timeout_s, backend=part.options.get("backend", "@py"))
    meter.identity()
    return meter
