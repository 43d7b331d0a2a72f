"""A VISA session with one SCPI instrument, over pyvisa's vendor-neutral interface.

1. Every line that goes out has a reply, so that no write waits for an acknowledgement of the one before. A setting
   goes out with ``:SYSTem:ERRor?`` behind it, whose answer says whether it was taken.
2. After any failure the session is dropped and the next question opens a new one: a late reply can't follow it there.
   Whatever then answers must be the same instrument.
3. What may be asked again is, ``retries`` times, in a new session.
4. Replies are read as bytes. The time-out counts on the host's own clock, and is for the whole reply (`held_socket`).
"""

from __future__ import annotations

import contextlib
import logging
import math
import re
import threading
import time
from collections.abc import Callable, Collection
from typing import Any

from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, OutOfRange, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.instruments.held_socket import HeldSocket, hold, opened_within
from stepwitness.devices.interfaces import Identity
from stepwitness.devices.part import Part
from stepwitness.devices.part_options import refuse_unknown, time_option, whole_option
from stepwitness.errors import BadInput

SCPI_INFINITY = 9.9e37
"""What an overrange reads as, with its sign (SCPI-99 volume 1, 7.2.1.4; from memory)."""
SCPI_NOT_A_NUMBER = 9.91e37
LINK_OPTIONS = ("resource", "timeout", "backend", "retries")
DEFAULT_TIMEOUT = "1 s"
DEFAULT_RETRIES = 1
MOST_RETRIES = 5
LONGEST_REPLY = 4096
OPENING_S = 2.0
Now = Callable[[], float]
_ERROR = re.compile(r'([-+]?\d+),"(.*)"')


class ScpiSession:
    """Asks one instrument.

    Parameters
    ----------
    resource : such as ``TCPIP::192.0.2.7::5025::SOCKET`` or ``TCPIP::192.0.2.7::hislip0::INSTR``.
    timeout_s : for a whole reply, on the host's own clock.
    backend : of pyvisa; "@py" is pyvisa-py, which needs no other driver.
    retries : how often a question is asked again. retried : how often it was.
    now : the bench's clock, for the log.
    """

    def __init__(
        self,
        resource: str,
        *,
        timeout_s: float,
        backend: str = "@py",
        retries: int = 0,
        now: Now = time.monotonic,
    ) -> None:
        self.name = resource
        self.log = ExchangeLog()
        self.retried = 0
        self._timeout_s, self._backend, self._retries, self._now = timeout_s, backend, retries, now
        self._session: Any = None
        self._held: list[HeldSocket] = []
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

    def ask(self, text: str, *, again: bool = True) -> str:
        """The reply to one line; `again` where it may be asked twice.

        Raises
        ------
        NoReply, BadReply, LinkLost : see `stepwitness.devices.errors`.
        """
        with self._lock:
            for _ in range(self._retries if again else 0):
                try:
                    return self._ask_once(text)
                except (NoReply, BadReply):
                    self.retried += 1
            return self._ask_once(text)

    def set(self, text: str) -> None:
        """Send a setting that is absolute and moves nothing.

        Raises
        ------
        Refused : where the instrument's error queue says so.
        """
        reply = self.ask(f"{text};:SYST:ERR?")
        error = _ERROR.fullmatch(reply)
        if error is None:
            raise BadReply(f"{self.name} answered '{reply}' to '{text}' and the question for its error")
        if int(error[1]):
            raise Refused(f"{self.name} refused '{text}': {error[2]} ({error[1]})")

    def number(self, text: str, *, what: str) -> float:
        """The number that a question is answered with.

        Raises
        ------
        OutOfRange : where the instrument reports overrange. BadReply : where it has no number.
        """
        return _reading(self.ask(text), self.name, what)

    def close(self) -> None:
        """Let go of the instrument; the next question opens it again."""
        with self._lock:
            session, self._session = self._session, None
            if session is not None:
                with contextlib.suppress(Exception):  # a dead session can't be closed politely
                    session.close()

    # -- session ---------------------------------------------------------------------------------------

    def _ask_once(self, text: str) -> str:
        if self._session is None:
            self._open()
        return self._query(text)

    def _open(self) -> None:
        try:
            self._session = opened_within(self._opened, OPENING_S) if self._opens_slowly else self._opened()
        except Exception as error:  # backends raise bare Exception, ValueError and their own errors alike
            raise LinkLost(
                f"{self.name} can't be opened: {error}; are address and port the instrument's own?"
            ) from error
        self._held = hold(self._session)
        self._identify()

    def _opened(self) -> Any:
        import pyvisa

        # It would print what our errors tell, and keep the sockets of what didn't open with what it printed.
        logging.getLogger("pyvisa").setLevel(logging.CRITICAL + 1)
        return pyvisa.ResourceManager(self._backend).open_resource(
            self.name,
            read_termination="\n",
            write_termination="\n",
            timeout=round(1000 * self._timeout_s),
            open_timeout=round(1000 * self._timeout_s),
        )

    @property
    def _opens_slowly(self) -> bool:
        """pyvisa-py waits 5 s for a HiSLIP instrument, whatever it is told."""
        return self._backend == "@py" and "::hislip" in self.name.lower()

    def _identify(self) -> None:
        try:
            identified = self._query("*IDN?")
        except (NoReply, LinkLost) as error:
            if self._identified:
                raise
            raise type(error)(f"{error}; try: address, port, and whether SCPI is switched on there") from error
        if not self._identified and identified.count(",") < 2:
            self.close()
            raise BadReply(f"{self.name} answered '{identified[:60]}' to *IDN?: another service answers on this port")
        if self._identified and identified != self._identified:
            self.close()
            raise LinkLost(f"{self.name} came back as another instrument: '{identified}', was '{self._identified}'")
        self._identified = identified

    def _query(self, text: str) -> str:
        asked_s, begun_s, heard = self._now(), time.monotonic(), ""
        for held in self._held:
            held.ends_s = begun_s + self._timeout_s
        try:
            self._session.write(text)
            reply: bytes = self._session.read_bytes(LONGEST_REPLY, break_on_termchar=True)
            heard = reply.decode("ascii", errors="backslashreplace").strip()
        except Exception as error:  # VisaIOError, OSError, RuntimeError, by backend and fault
            raise self._named(error, text, time.monotonic() - begun_s) from error
        except BaseException:  # an interrupt: the reply may still come, so this session is done with
            self.close()
            raise
        finally:
            self.log.note(text, heard, asked_s=asked_s, ended_s=self._now(), answered=bool(heard))
        if not reply.endswith(b"\n"):
            self.close()
            raise BadReply(f"{self.name} answered {text} with {reply[:40]!r}…, which has no end")
        return heard

    def _named(self, error: Exception, text: str, waited_s: float) -> DeviceError:
        """The error of ours for what the backend raised; drops the session."""
        import pyvisa

        self.close()
        timed_out = pyvisa.constants.StatusCode.error_timeout
        if isinstance(error, TimeoutError) or (isinstance(error, pyvisa.VisaIOError) and error.error_code == timed_out):
            return NoReply(f"{self.name} didn't answer {text} within {waited_s:.2g} s")
        return LinkLost(f"{self.name}: the connection is gone ({error or type(error).__name__})")


def _reading(reply: str, name: str, what: str) -> float:
    try:
        value = float(reply)
    except ValueError:
        raise BadReply(f"{name} answered '{reply}' where a {what} belongs") from None
    if math.isnan(value) or value == SCPI_NOT_A_NUMBER:
        raise BadReply(f"{name} answered that it has no reading ('{reply}')")
    if abs(value) >= SCPI_INFINITY:
        raise OutOfRange(f"{name} reports overrange ('{reply}')")
    return value


def open_session(part: Part, known: Collection[str], *, what: str, now: Now) -> ScpiSession:
    """The session that `part` names (options resource, timeout, backend, retries), its identity read once.

    Raises
    ------
    BadInput : for options that can't be read, or aren't known. LinkLost, NoReply : where nothing answers.
    """
    from pyvisa.rname import InvalidResourceName, ResourceName

    options, place = part.options, part.place
    refuse_unknown(options, (*LINK_OPTIONS, *known), place, what=what)
    if "resource" not in options:
        raise BadInput(
            f"{what} needs its resource",
            place=place.below("resource"),
            allowed="such as TCPIP::192.0.2.7::5025::SOCKET",
        )
    timeout_s = time_option(options, "timeout", DEFAULT_TIMEOUT, place)
    retries = whole_option(options, "retries", DEFAULT_RETRIES, place, at_most=MOST_RETRIES)
    resource = options["resource"]
    try:
        ResourceName.from_string(resource)
    except InvalidResourceName:
        raise BadInput(
            "not a VISA resource",
            place=place.below("resource"),
            found=f"'{resource}'",
            allowed="such as TCPIP::192.0.2.7::5025::SOCKET or TCPIP::192.0.2.7::hislip0::INSTR",
        ) from None
    backend = options.get("backend", "@py")
    session = ScpiSession(resource, timeout_s=timeout_s, backend=backend, retries=retries, now=now)
    try:
        session.identity()
    except BaseException:
        session.close()
        raise
    return session
