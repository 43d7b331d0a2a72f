"""A Modbus line, over RTU or TCP, by pymodbus: one exchange at a time, and back in step after a failure.

1. The library never repeats a request (``retries=0``) and never reconnects behind our back: a connection that was lost
   stays lost until `reconnect`.
2. RTU has no transaction number, so that the late reply of one read would answer the next. After any failure the line
   is drained, and the unit is asked for an echo (function 8, "return query data", with a number used once) before the
   next question; the line keeps order, so whatever was late has come by then. Only a halt goes first.
3. TCP has no check of its own. After any failure the next request, a halt too, goes over a new connection: the other
   end may hold a part of the last one, and would take the next for its rest (a move to anywhere).
4. Every reply must be of the function that was asked for.
5. An exception reply is a refusal, but for those by which a gateway tells that it didn't reach the unit.
6. Time-outs count on the host's own monotonic clock: the library's on a serial port count by the time of day, which may
   be set back.
"""

from __future__ import annotations

import contextlib
import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any
from urllib.parse import urlsplit

from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, Refused
from stepwitness.devices.links import DEAD_LINK, ports_here, unlock

LONGEST_FRAME_BITS = 256 * 11
ECHOES = 5
SILENT_ECHOES = 2
NEVER = 1 << 30

EXCEPTIONS: Mapping[int, str] = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "device failure",
    5: "acknowledged, still at work",
    6: "busy",
    7: "negative acknowledgement",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target didn't respond",
}
"""Exception codes (Modbus Application Protocol 1.1b3, 7; from memory)."""
UNDECIDED = (5, 10, 11)
"""After these, whether the request was carried out isn't known."""

_ECHO = 8


@dataclass(frozen=True)
class Settings:
    """A port and how it is set up; what two parts on one port must agree on. `baud` and so on are for RTU."""

    port: str
    baud: int = 19_200
    parity: str = "even"
    stop_bits: int = 1

    @property
    def rtu(self) -> bool:
        return "://" not in self.port

    def __str__(self) -> str:
        return f"{self.port} at {self.baud} baud, parity {self.parity}" if self.rtu else self.port


class ModbusBus:
    """One connection, for one unit or several."""

    def __init__(self, settings: Settings, *, timeout_s: float) -> None:
        self.settings, self.timeout_s = settings, timeout_s
        # Re-entrant: an exchange that an exception cut short must not keep its own thread from halting.
        self.lock = threading.RLock()
        self.heard = b""
        self._lost = ""
        self._adrift: set[int] = set()
        self._client: Any = None
        self._open()

    @property
    def name(self) -> str:
        return self.settings.port

    @property
    def descriptor(self) -> int:
        """The operating system's number for the open port; -1 where it has none, or where the next request will have a
        new connection."""
        stale = self._adrift and not self.settings.rtu
        try:
            return -1 if self._lost or stale else int(self._client.socket.fileno())
        except (AttributeError, OSError):  # on Windows a serial port is a handle
            return -1

    def close(self, why: str = "was closed") -> None:
        self._lost = self._lost or f"{self.name} {why}"
        if self.settings.rtu and self._client is not None:
            unlock(self._client.socket)
        with contextlib.suppress(*DEAD_LINK):
            self._client.close()

    def reconnect(self) -> None:
        """Connect anew; sends nothing."""
        with self.lock:
            self.close()
            self._open()
            self._lost = ""
            if self.settings.rtu:
                self._adrift = set(range(1, 248))

    def ask(self, unit: int, function: int, call: Callable[[Any], Any], *, what: str, urgent: bool = False) -> Any:
        """One exchange; the library's reply, which is of `function` and from `unit`.

        `urgent` sends before the line is back in step: for a halt only.

        Raises
        ------
        NoReply, BadReply, Refused, LinkLost : see `stepwitness.devices.errors`.
        """
        with self.lock:
            if self.settings.rtu and unit in self._adrift and not urgent:
                self._get_in_step(unit)
            reply = self._put(unit, call, what=what)
            if reply.function_code & 0x7F != function:
                self._adrift.add(unit)
                raise BadReply(f"{self.name} unit {unit} answered function {reply.function_code} to {what}")
            if reply.isError():
                raise self._refusal(unit, reply, what)
            return reply

    def echo(self, unit: int, *, within_s: float) -> bool:
        """Whether `unit` answers an echo, in any way, within a time; for finding who is there."""
        with self.lock, self._waiting(within_s):
            try:
                reply = self._put(unit, self._echo_call(unit, b"\0\0"), what="an echo")
            except NoReply:
                return False
            return not (reply.isError() and reply.exception_code in UNDECIDED)

    # -- one exchange ----------------------------------------------------------------------------------------

    def _put(self, unit: int, call: Callable[[Any], Any], *, what: str) -> Any:
        if self._lost:
            raise LinkLost(self._lost)
        if self._adrift and not self.settings.rtu:
            self._connect_anew()
        self.heard = b""
        try:
            reply = call(self._client)
        except DEAD_LINK as error:
            raise self._gone(what, error) from error
        except Exception as error:  # the library's own kinds, and whatever its decoders raise on garbage
            if not self._client.connected:
                raise self._gone(what, error) from error
            # Late replies of other units are told apart by their number.
            self._adrift.add(unit)
            raise NoReply(
                f"{self.name} didn't answer {what} within {self.timeout_s:g} s ({self._heard_in_words()}); "
                "whether it was carried out isn't known"
            ) from error
        except BaseException:  # an interrupt: the reply may still come
            self._adrift.add(unit)
            raise
        if not self._client.connected:
            raise self._gone(what, None)
        return reply

    def _refusal(self, unit: int, reply: Any, what: str) -> DeviceError:
        code = reply.exception_code
        text = f"{self.name} unit {unit} refused {what}: {EXCEPTIONS.get(code, 'unknown exception')} ({code})"
        if code in UNDECIDED:
            return NoReply(f"{text}; whether it was carried out isn't known")
        return Refused(text)

    def _gone(self, what: str, error: BaseException | None) -> LinkLost:
        self.close(f"was lost at {what}" + (f" ({error})" if error else ""))
        return LinkLost(self._lost)

    def _heard_in_words(self) -> str:
        return f"heard {self.heard[:16].hex(' ')}" if self.heard else "heard nothing"

    # -- back in step ----------------------------------------------------------------------------------------

    def _connect_anew(self) -> None:
        with contextlib.suppress(*DEAD_LINK):
            self._client.close()
        try:
            self._open()
        except LinkLost as error:
            self._lost = str(error)
            raise

    def _get_in_step(self, unit: int) -> None:
        """Drain the line, then ask for echoes until one is the last asked for, or nothing comes at all."""
        self._drain(LONGEST_FRAME_BITS / self.settings.baud)
        silent = 0
        for _ in range(ECHOES):
            nonce = random.randbytes(2)
            try:
                reply = self._put(unit, self._echo_call(unit, nonce), what="an echo")
            except NoReply:
                silent += 1
                if not self.heard and silent >= SILENT_ECHOES:
                    break
                continue
            # A unit without this function refuses it: its refusal comes in order too.
            if reply.function_code & 0x7F == _ECHO and (reply.isError() or _echoed(reply) == nonce):
                break
        else:
            raise BadReply(f"{self.name} unit {unit} can't be brought back in step: {self._heard_in_words()}")
        self._adrift.discard(unit)

    def _echo_call(self, unit: int, data: bytes) -> Callable[[Any], Any]:
        return lambda client: client.diag_query_data(data, device_id=unit)

    def _drain(self, quiet_s: float) -> None:
        """Drop what comes until nothing has come for `quiet_s`, ten times that at most."""
        started_s = quiet_since_s = time.monotonic()
        try:
            while (now_s := time.monotonic()) - quiet_since_s < quiet_s and now_s - started_s < 10 * quiet_s:
                if self._drop():
                    quiet_since_s = now_s
        except DEAD_LINK as error:
            raise self._gone("draining", error) from error

    def _drop(self) -> bool:
        """Drop what has come; waits a moment. Whether anything had."""
        port = self._client.socket
        if port is None:
            raise OSError("the connection is closed")
        waiting = port.in_waiting
        if waiting:
            port.read(waiting)
        else:
            time.sleep(0.001)
        return bool(waiting)

    @contextlib.contextmanager
    def _waiting(self, timeout_s: float) -> Iterator[None]:
        usual_s = self.timeout_s
        try:
            self._wait(timeout_s)
            yield
        finally:
            self._wait(usual_s)

    def _wait(self, timeout_s: float) -> None:
        self.timeout_s = self._client.comm_params.timeout_connect = timeout_s

    # -- opening -----------------------------------------------------------------------------------------------

    def _open(self) -> None:
        settings = self.settings
        client = _tcp(settings, self.timeout_s, self._trace) if not settings.rtu else self._rtu()
        # The library hangs up on a unit that is silent too often; that is for the caller to decide.
        client.set_max_no_responses(NEVER)
        client.transaction.count_until_disconnect = NEVER
        if not client.connect():
            others = "is it powered, and are host and port its own?"
            if settings.rtu:
                others = f"no such port, or another owner holds it; {ports_here()}"
            raise LinkLost(f"{settings.port} can't be opened: {others}")
        self._client = client
        self._adrift.clear()

    def _rtu(self) -> Any:
        _quieten()
        return _serial_client_kind()(
            self.settings.port,
            baudrate=self.settings.baud,
            parity=self.settings.parity[0].upper(),
            stopbits=self.settings.stop_bits,
            timeout=self.timeout_s,
            retries=0,
            trace_packet=self._trace,
        )

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            self.heard = data
        return data


def _tcp(settings: Settings, timeout_s: float, trace: Callable[[bool, bytes], bytes]) -> Any:
    from pymodbus.client import ModbusTcpClient

    _quieten()
    address = urlsplit(settings.port)
    return ModbusTcpClient(
        address.hostname or "", port=address.port or 502, timeout=timeout_s, retries=0, trace_packet=trace
    )


@cache
def _serial_client_kind() -> Any:
    from pymodbus.client import ModbusSerialClient

    class SerialClient(ModbusSerialClient):
        """The library's, but that it waits on the port itself, by the port's monotonic clock."""

        def recv(self, size: int | None) -> bytes:
            del size  # a part of a frame will do: whoever asks puts the parts together, until its own deadline
            port: Any = self.socket
            if port.timeout != self.comm_params.timeout_connect:
                port.timeout = self.comm_params.timeout_connect
            data: bytes = port.read(1)
            waiting = port.in_waiting if data else 0
            return data + port.read(waiting) if waiting else data

    return SerialClient


def _quieten() -> None:
    """Keep the library from printing what our errors tell."""
    import logging

    logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)


def _echoed(reply: Any) -> bytes:
    message = reply.message
    return message if isinstance(message, bytes) else b""
