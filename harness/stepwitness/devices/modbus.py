"""A Modbus unit on a line (`modbus_bus`): reads registers and runs scripts.

1. Every reply must be of the address and the size that were asked for.
2. What may be asked again is, ``retries`` times and counted; nothing else ever is.
3. One serial port may carry several units: parts that name the same port with the same settings share it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any
from urllib.parse import urlsplit

from stepwitness.devices.errors import BadReply, NoReply, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.modbus_advice import what_to_try
from stepwitness.devices.modbus_bus import ModbusBus, Settings
from stepwitness.devices.modbus_last_words import ModbusWords, write_request
from stepwitness.devices.part_options import Options, time_option, whole_option, word_option
from stepwitness.devices.registers import Reads, Register, Script, Space, Value
from stepwitness.devices.sharing import SharedPorts
from stepwitness.errors import BadInput, Place

DEFAULT_TIMEOUT = "0.5 s"
DEFAULT_RETRIES = 1
MOST_RETRIES = 5
LINK_OPTIONS = ("port", "unit", "timeout", "retries", "baud", "parity", "stop_bits")
NEIGHBOURS = range(1, 17)
NEIGHBOUR_S = 0.05

_READS = {
    Space.COIL: (1, "read_coils"),
    Space.DISCRETE: (2, "read_discrete_inputs"),
    Space.HOLDING: (3, "read_holding_registers"),
    Space.INPUT: (4, "read_input_registers"),
}


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

    @property
    def descriptor(self) -> int:
        return self._bus.descriptor

    def last_words(self, script: Script) -> ModbusWords:
        """What writes `script`, one without values, over `descriptor`."""
        requests = tuple(write_request(register, words) for register, words in script.writes())
        settings = self._bus.settings
        return ModbusWords(self._unit, requests, baud=settings.baud if settings.rtu else 0)

    def values(self, reads: Reads) -> dict[str, Value]:
        """The values of some registers; adjacent ones are read together, so at one instant."""
        return reads.values(self._read_again)

    def _read_again(self, space: Space, start: int, count: int) -> list[int]:
        words: list[int] = self._again(lambda: self._read(space, start, count))
        return words

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
        """The first question, asked once; where it fails, the error says what was heard and what to try."""
        retries, self._retries = self._retries, 0
        try:
            ask()
        except (NoReply, BadReply) as error:
            heard, rtu = self._bus.heard, self._bus.settings.rtu
            # A line that makes noise is no place to look for others.
            around = [] if heard and rtu else self._neighbours()
            advice = what_to_try(heard, unit=self._unit, rtu=rtu, answering=around)
            raise type(error)(f"{error}; {self._bus.settings}: {advice}") from error
        except Refused as error:
            raise Refused(f"{error}; try: compare the register map with the unit's own") from error
        finally:
            self._retries = retries

    def _neighbours(self) -> list[int]:
        """Other units that answer on this port, of those that are usual."""
        return [unit for unit in NEIGHBOURS if unit != self._unit and self._bus.echo(unit, within_s=NEIGHBOUR_S)]

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
