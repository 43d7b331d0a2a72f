"""A Modbus unit, over RTU or TCP, by pymodbus: asks, waits, and gets back in step.

1. The library never repeats a request (``retries=0``) and never reconnects behind our back: a connection that was lost
   stays lost until `reconnect`.
2. RTU has no transaction number, so that the late reply of one read would answer the next. After any failure the line
   is drained, and the unit is asked for an echo (function 8, "return query data", with a number used once) before the
   next question; the line keeps order, so whatever was late has come by then. Only a halt goes first.
3. Every reply must be of the function, the address and the size that were asked for.
4. An exception reply is a refusal, but for those by which a gateway tells that it didn't reach the unit.
5. Time-outs count on the host's own clock, as the library's do.

One serial port may carry several units: parts that name the same port with the same settings share it.
"""

from __future__ import annotations

import contextlib
import random
import select
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any
from urllib.parse import urlsplit

from stepwitness.devices.errors import BadReply, DeviceError, LinkLost, NoReply, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.links import DEAD_LINK, ports_here
from stepwitness.devices.modbus_advice import what_to_try
from stepwitness.devices.part_options import Options, time_option, whole_option, word_option
from stepwitness.devices.registers import Register, Script, Space, Value, spans, values_in
from stepwitness.devices.sharing import SharedPorts
from stepwitness.errors import BadInput, Place

DEFAULT_TIMEOUT = "0.5 s"
DEFAULT_RETRIES = 1
MOST_RETRIES = 5
LINK_OPTIONS = ("port", "unit", "timeout", "retries", "baud", "parity", "stop_bits")
LONGEST_FRAME_BITS = 256 * 11
QUIET_TCP_S = 0.02
ECHOES = 5
SILENT_ECHOES = 2
NEIGHBOURS = range(1, 17)
NEIGHBOUR_S = 0.05
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

_READS = {
    Space.COIL: (1, "read_coils"),
    Space.DISCRETE: (2, "read_discrete_inputs"),
    Space.HOLDING: (3, "read_holding_registers"),
    Space.INPUT: (4, "read_input_registers"),
}
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

    def close(self, why: str = "was closed") -> None:
        self._lost = self._lost or f"{self.name} {why}"
        with contextlib.suppress(*DEAD_LINK):
            self._client.close()

    def reconnect(self) -> None:
        """Connect anew; sends nothing."""
        with self.lock:
            self.close()
            self._open()
            self._lost = ""
            self._adrift = set(range(1, 248)) if self.settings.rtu else set()

    def ask(self, unit: int, function: int, call: Callable[[Any], Any], *, what: str, urgent: bool = False) -> Any:
        """One exchange; the library's reply, which is of `function` and from `unit`.

        `urgent` sends before the line is back in step: for a halt only.

        Raises
        ------
        NoReply, BadReply, Refused, LinkLost : see `stepwitness.devices.errors`.
        """
        with self.lock:
            if unit in self._adrift and not urgent:
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
        self.heard = b""
        try:
            reply = call(self._client)
        except DEAD_LINK as error:
            raise self._gone(what, error) from error
        except Exception as error:  # the library's own kinds, and whatever its decoders raise on garbage
            if not self._client.connected:
                raise self._gone(what, error) from error
            self._fall_out_of_step(unit)
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

    def _fall_out_of_step(self, unit: int) -> None:
        if self.settings.rtu:
            # Replies of other units are told apart by their number.
            self._adrift.add(unit)
        else:
            # A transaction number tells late replies; only half a frame must not stand before the next one.
            self._drain(QUIET_TCP_S)

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
        if self.settings.rtu:
            waiting = port.in_waiting
            if waiting:
                port.read(waiting)
            else:
                time.sleep(0.001)
            return bool(waiting)
        if not select.select([port], [], [], 0.005)[0]:
            return False
        if not port.recv(4096):
            raise OSError("the other end closed the connection")
        return True

    @contextlib.contextmanager
    def _waiting(self, timeout_s: float) -> Iterator[None]:
        parameters = self._client.comm_params
        usual_s, parameters.timeout_connect = parameters.timeout_connect, timeout_s
        try:
            yield
        finally:
            parameters.timeout_connect = usual_s

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

    def _rtu(self) -> Any:
        from pymodbus.client import ModbusSerialClient

        _quieten()
        return ModbusSerialClient(
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


def _quieten() -> None:
    """Keep the library from printing what our errors tell."""
    import logging

    logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL + 1)


def _echoed(reply: Any) -> bytes:
    message = reply.message
    return message if isinstance(message, bytes) else b""


class ModbusUnit:
    """One unit on a bus: reads registers and runs scripts.

    Parameters
    ----------
    retries : how often a read, or a script that may be, is sent again without a reply. retried : how often it was.
    clock_now : the bench's clock, for the log.
    """

    def __init__(
        self, bus: ModbusBus, unit: int, *, retries: int, clock_now: Callable[[], float], release: Callable[[], None]
    ) -> None:
        self._bus, self._unit, self._retries, self._now = bus, unit, retries, clock_now
        self._release = release
        self.log = ExchangeLog()
        self.retried = 0

    @property
    def name(self) -> str:
        return f"{self._bus.name} unit {self._unit}"

    def close(self) -> None:
        self._release()

    def reconnect(self) -> None:
        self._bus.reconnect()

    def values(self, registers: Mapping[str, Register]) -> dict[str, Value]:
        """The values of some registers; adjacent ones are read together, so at one instant."""
        words: dict[tuple[Space, int, int], Sequence[int]] = {}
        for span in spans(list(registers.values())):
            words[span] = self._again(lambda span=span: self._read(*span))  # type: ignore[misc]
        return values_in(registers, words)

    def run(self, script: Script, *, again: bool, urgent: bool = False, **values: float) -> None:
        """Write what `script` says; `again` where it may be sent twice."""
        for register, words in script.writes(**values):
            write = partial(self._write, register, words, urgent=urgent)
            if again:
                self._again(write)
            else:
                write()

    def write_coil(self, address: int, on: bool) -> None:
        self._again(lambda: self._write(Register(Space.COIL, address, "bit"), [int(on)], urgent=False))

    def hello(self, ask: Callable[[], object]) -> None:
        """The first question; where it fails, the error says what was heard and what to try."""
        try:
            ask()
        except NoReply as error:
            heard = self._bus.heard
            around = [unit for unit in NEIGHBOURS if unit != self._unit and self._bus.echo(unit, within_s=NEIGHBOUR_S)]
            advice = what_to_try(heard, unit=self._unit, rtu=self._bus.settings.rtu, answering=around)
            raise NoReply(f"{error}; {self._bus.settings}: {advice}") from error
        except Refused as error:
            raise Refused(f"{error}; try: compare the register map with the unit's own") from error

    # -- one exchange ----------------------------------------------------------------------------------------

    def _again(self, exchange: Callable[[], Any]) -> Any:
        for _ in range(self._retries):
            try:
                return exchange()
            except (NoReply, BadReply):
                self.retried += 1
        return exchange()

    def _read(self, space: Space, start: int, count: int) -> list[int]:
        function, method = _READS[space]
        what = f"read {space.value} 0x{start:04x} x{count}"
        call = lambda client: getattr(client, method)(start, count=count, device_id=self._unit)  # noqa: E731
        reply = self._noted(function, call, what=what)
        found: list[int] = [int(bit) for bit in reply.bits[:count]] if space.of_bits else list(reply.registers)
        if len(found) != count:
            raise BadReply(f"{self.name} answered {len(found)} values to {what}")
        return found

    def _write(self, register: Register, words: Sequence[int], *, urgent: bool) -> None:
        address, data = register.address, list(words)
        what = f"write {register.space.value} 0x{address:04x} = {' '.join(map(str, data))}"
        if register.space is Space.COIL:
            reply = self._noted(
                5,
                lambda client: client.write_coil(address, bool(data[0]), device_id=self._unit),
                what=what,
                urgent=urgent,
            )
            echoed = reply.address == address
        else:
            reply = self._noted(
                16,
                lambda client: client.write_registers(address, data, device_id=self._unit),
                what=what,
                urgent=urgent,
            )
            echoed = reply.address == address and reply.count == len(data)
        if not echoed:
            raise NoReply(f"{self.name} confirmed another write than '{what}'; whether it was done isn't known")

    def _noted(self, function: int, call: Callable[[Any], Any], *, what: str, urgent: bool = False) -> Any:
        asked_s, answered = self._now(), False
        try:
            reply = self._bus.ask(self._unit, function, call, what=what, urgent=urgent)
            answered = True
            return reply
        finally:
            heard = self._bus.heard.hex(" ")
            self.log.note(f"unit {self._unit}: {what}", heard, asked_s=asked_s, ended_s=self._now(), answered=answered)


# -- ports that are open, by name; several units may share one ---------------------------------------------------

_OPEN: SharedPorts[ModbusBus] = SharedPorts(ModbusBus.close)


def _shared(settings: Settings, timeout_s: float, place: Place) -> tuple[ModbusBus, Callable[[], None]]:
    """The bus on a port, opened once for all parts that name it, and what lets go of it."""

    def agree(bus: ModbusBus) -> None:
        if bus.settings != settings:
            raise BadInput(
                "two parts on one port with different settings",
                place=place.below("port"),
                found=str(settings),
                allowed=str(bus.settings),
            )

    return _OPEN.take(settings.port, lambda: ModbusBus(settings, timeout_s=timeout_s), agree)


def open_unit(options: Options, place: Place, clock_now: Callable[[], float]) -> ModbusUnit:
    """The unit that options name: port, unit, timeout, retries; and for RTU baud, parity and stop_bits.

    Raises
    ------
    BadInput : for options that can't be read. LinkLost : where the port can't be opened.
    """
    if "port" not in options:
        raise BadInput(
            "a Modbus part needs its port",
            place=place.below("port"),
            allowed="a device such as COM5 or /dev/ttyUSB0 (RTU), socket://host:port (TCP)",
        )
    settings = Settings(
        _port(options["port"], place),
        whole_option(options, "baud", 19_200, place, at_least=300, at_most=12_000_000),
        word_option(options, "parity", "even", place, ("none", "even", "odd")),
        whole_option(options, "stop_bits", 1, place, at_least=1, at_most=2),
    )
    timeout_s = time_option(options, "timeout", DEFAULT_TIMEOUT, place)
    unit = whole_option(options, "unit", 1, place, at_least=1, at_most=247)
    retries = whole_option(options, "retries", DEFAULT_RETRIES, place, at_most=MOST_RETRIES)
    _need_library(place)
    bus, release = _shared(settings, timeout_s, place)
    return ModbusUnit(bus, unit, retries=retries, clock_now=clock_now, release=release)


def _port(text: str, place: Place) -> str:
    if "://" not in text:
        return text
    try:
        address = urlsplit(text)
        if address.scheme == "socket" and address.hostname and address.port and not address.path:
            return text
    except ValueError:
        pass
    raise BadInput(
        "not a Modbus port",
        place=place.below("port"),
        found=f"'{text}'",
        allowed="a device such as COM5 or /dev/ttyUSB0 (RTU), socket://host:port (TCP)",
    )


def _need_library(place: Place) -> None:
    import importlib.util

    if importlib.util.find_spec("pymodbus") is None:
        raise BadInput("a Modbus part needs pymodbus", place=place, cure="pip install 'pytest-stepwitness[live]'")
