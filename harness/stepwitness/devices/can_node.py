"""A CANopen node by the libraries canopen and python-can: reads and writes objects by SDO, and gets back in step.

1. The library tries once (its ``MAX_RETRIES`` of 1 means that); what may be sent again is sent again here, counted.
2. A late answer could answer the next question about the same object. After any failure an object of another index is
   asked for until it answers as itself; the node keeps order, so whatever was late has come by then. Only a halt goes
   first.
3. The node is attached before the bus is opened, else the first answer can be lost.
4. A bus that died says so at the next call and stays lost until `reconnect`. Garbage on an adapter's line is no frame
   and no death.
5. Time-outs count on the host's own clock, as the library's do.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from stepwitness.devices.can_objects import CanObject
from stepwitness.devices.errors import DeviceError, LinkLost, NoReply, Refused
from stepwitness.devices.exchange_log import ExchangeLog
from stepwitness.devices.links import unlock
from stepwitness.devices.part_options import Options, time_option, whole_option
from stepwitness.devices.sharing import SharedPorts
from stepwitness.errors import BadInput, Place

LINK_OPTIONS = ("interface", "channel", "bitrate", "node", "timeout", "retries")
DEFAULT_TIMEOUT = "0.5 s"
DEFAULT_RETRIES = 1
MOST_RETRIES = 5
SEARCH_S = 0.3
TRIES_INTO_STEP = 6
NOTICE_S = 0.05
"""How soon the library's thread notices that it is to end."""
DEVICE_TYPE = CanObject(0x1000, 0, "uint32")
ERROR_REGISTER = CanObject(0x1001, 0, "uint8")
"""Objects that every node has (CiA 301; from memory)."""

ABORTS: Mapping[int, str] = {
    0x05030000: "toggle bit not alternated",
    0x05040000: "SDO protocol timed out",
    0x06010000: "unsupported access",
    0x06010001: "object can't be read",
    0x06010002: "object can't be written",
    0x06020000: "no such object",
    0x06070010: "length of data doesn't match",
    0x06090011: "no such sub-index",
    0x06090030: "value out of range",
    0x08000000: "general error",
    0x08000020: "data can't be taken",
    0x08000022: "data can't be taken in the present state",
}
"""Abort codes (CiA 301; from memory)."""
UNDECIDED = (0x05040000,)


@dataclass(frozen=True)
class Settings:
    """A bus as python-can opens it."""

    interface: str
    channel: str
    bitrate: int

    def __str__(self) -> str:
        return f"{self.interface} {self.channel} at {self.bitrate} bit/s"


class CanBus:
    """One CAN bus, for one node or several."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        # Re-entrant: an exchange that an exception cut short must not keep its own thread from halting.
        self.lock = threading.RLock()
        self.lost = ""
        self.garbage = 0
        self._nodes: dict[int, float] = {}
        self._network: Any = None

    def attach(self, node: int, timeout_s: float) -> None:
        """Make `node` known, and open the bus where it isn't open; its channel is opened after its nodes are known."""
        self._nodes[node] = timeout_s
        with self.lock:
            if self._network is None or node not in self._network.nodes:
                self._close_network()
                self._open()

    @property
    def descriptor(self) -> int:
        """The operating system's number for the open bus; -1 where it has none."""
        try:
            return -1 if self.lost else int(self._network.bus.fileno())
        except Exception:  # each interface says in its own way that it has none
            return -1

    def close(self, why: str = "was closed") -> None:
        self.lost = self.lost or f"{self.settings.channel} {why}"
        self._close_network()

    def reconnect(self) -> None:
        """Open the bus anew; sends nothing to a node."""
        with self.lock:
            self._close_network()
            try:
                self._open()
            except LinkLost as error:
                self.lost = str(error)
                raise
            self.lost = ""

    def sdo(self, node: int) -> Any:
        """The SDO client of `node`.

        Raises
        ------
        LinkLost : where the bus is gone.
        """
        if self.lost:
            raise LinkLost(self.lost)
        return self._network.nodes[node].sdo

    def nodes_that_answer(self, *, within_s: float = SEARCH_S) -> list[int]:
        """Every node on the bus that answers a question for its device type."""
        with self.lock:
            if self.lost:
                return []
            self._network.scanner.reset()
            with contextlib.suppress(Exception):  # a bus that dies now has been told before
                self._network.scanner.search()
            time.sleep(within_s)
            return sorted(set(self._network.scanner.nodes))

    def pass_over_garbage(self) -> None:
        """Count it, and have the library drop what it can't decode, which it would try again with the next frame."""
        self.garbage += 1
        network = self._network
        if network is None:
            return
        with contextlib.suppress(Exception):  # a bus that dies now is told by the next read
            network.notifier.exception = None
            flush = getattr(network.bus, "flush", None)
            if flush is not None:
                flush()

    def _open(self) -> None:
        import can
        import canopen

        _quieten()
        network = canopen.Network()
        network.NOTIFIER_CYCLE = NOTICE_S
        for node, timeout_s in self._nodes.items():
            remote = network.add_node(node, canopen.ObjectDictionary())  # type: ignore[no-untyped-call]
            remote.sdo.RESPONSE_TIMEOUT, remote.sdo.MAX_RETRIES = timeout_s, 1
        network.listeners.append(_watcher(self))
        settings = self.settings
        extra = {"sleep_after_open": 0.0} if settings.interface == "slcan" else {}
        try:
            network.connect(interface=settings.interface, channel=settings.channel, bitrate=settings.bitrate, **extra)
            _claim(network.bus)
        except (can.CanError, OSError, ValueError, ImportError) as error:
            self._network = network
            self._close_network()
            raise LinkLost(
                f"CAN bus {settings} can't be opened: {error}; is the adapter there, does another owner hold it, "
                "are interface and channel its own?"
            ) from error
        self._network = network

    def _close_network(self) -> None:
        network, self._network = self._network, None
        if network is not None:
            with contextlib.suppress(Exception):  # not an adapter on a serial port
                unlock(network.bus.serialPortOrig)
            with contextlib.suppress(Exception):  # a dead bus can't be closed politely
                network.disconnect()
            # Where the adapter is gone the library gives up before it has closed its own descriptor.
            with contextlib.suppress(Exception):
                network.bus and network.bus.shutdown()


def _claim(bus: Any) -> None:
    """Lock the serial port of an adapter to this owner, as the other serial parts do; the library doesn't."""
    port = getattr(bus, "serialPortOrig", None)
    if port is not None:
        port.exclusive = True


def _watcher(bus: CanBus) -> Any:
    """A listener that sees what ends the library's own thread."""
    import can

    class Watcher(can.Listener):
        def on_message_received(self, msg: can.Message) -> None:
            pass

        def on_error(self, exc: Exception) -> bool:  # type: ignore[override]  # its answer says "handled"
            # The library wraps what its own decoder raised, too.
            if isinstance(exc, ValueError | IndexError) or isinstance(exc.__cause__, ValueError | IndexError):
                bus.pass_over_garbage()
            else:
                bus.lost = bus.lost or f"{bus.settings.channel}: the bus is gone ({exc})"
                time.sleep(NOTICE_S)  # until it is closed the library goes on asking it
            return True

    return Watcher()


def _quieten() -> None:
    """Keep the libraries from printing what our errors tell."""
    import logging

    for name in ("canopen", "can"):
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)


class CanNode:
    """One node: its objects by SDO.

    Parameters
    ----------
    retries : how often a read, or a write that may be, is sent again. retried : how often it was.
    clock_now : the bench's clock, for the log.
    """

    def __init__(
        self, bus: CanBus, node: int, *, retries: int, clock_now: Callable[[], float], release: Callable[[], None]
    ) -> None:
        self._bus, self._node, self._retries, self._now = bus, node, retries, clock_now
        self._release = release
        self._adrift: CanObject | None = None
        self.log = ExchangeLog()
        self.retried = 0

    @property
    def name(self) -> str:
        return f"{self._bus.settings.channel} node {self._node}"

    @property
    def number(self) -> int:
        return self._node

    @property
    def interface(self) -> str:
        """Name of the bus' interface, as python-can has it."""
        return self._bus.settings.interface

    @property
    def descriptor(self) -> int:
        return self._bus.descriptor

    def close(self) -> None:
        self._release()

    def reconnect(self) -> None:
        self._bus.reconnect()
        self._adrift = self._adrift or ERROR_REGISTER

    def read(self, item: CanObject) -> int:
        """The number in an object, in its own units.

        Raises
        ------
        NoReply, BadReply, Refused, LinkLost : see `stepwitness.devices.errors`.
        """
        return item.decode(self._again(lambda: self._upload(item)))

    def read_text(self, index: int, sub: int = 0) -> str:
        """A text, of any length."""
        data: bytes = self._again(lambda: self._upload(CanObject(index, sub, "uint32")))
        return data.partition(b"\0")[0].decode("ascii", errors="backslashreplace").strip()

    def write(self, item: CanObject, value: float, *, again: bool = True, urgent: bool = False) -> None:
        """Write a value; `again` where it may be sent twice, `urgent` before the node is back in step: for a halt."""
        data = item.encode(value)
        write = partial(self._download, item, data, urgent=urgent)
        if again:
            self._again(write)
        else:
            write()

    def hello(self, ask: Callable[[], object]) -> None:
        """The first question; where it fails, the error says who else is there and what to try."""
        try:
            ask()
        except NoReply as error:
            raise NoReply(f"{error}; {self._advice()}") from error

    def _advice(self) -> str:
        bus = self._bus
        others = [node for node in bus.nodes_that_answer() if node != self._node]
        if others:
            return f"nodes that answer on {bus.settings}: {', '.join(map(str, others))}; try 'node: {others[0]}'"
        heard = f"{bus.garbage} pieces of garbage" if bus.garbage else "no frame at all"
        return (
            f"heard {heard} on {bus.settings}: is the node powered, is the bus terminated, are bit rate and channel "
            "its own?"
        )

    # -- one exchange ----------------------------------------------------------------------------------------

    def _again(self, exchange: Callable[[], Any]) -> Any:
        for _ in range(self._retries):
            try:
                return exchange()
            except NoReply:
                self.retried += 1
        return exchange()

    def _upload(self, item: CanObject) -> bytes:
        data: bytes = self._put(item, lambda sdo: bytes(sdo.upload(item.index, item.sub)), f"read {item}")
        return data

    def _download(self, item: CanObject, data: bytes, *, urgent: bool) -> None:
        what = f"write {item} = {data.hex(' ')}"
        self._put(item, lambda sdo: sdo.download(item.index, item.sub, data), what, urgent=urgent)

    def _put(self, item: CanObject, call: Callable[[Any], Any], what: str, *, urgent: bool = False) -> Any:
        asked_s, answered, heard = self._now(), False, ""
        with self._bus.lock:
            try:
                if self._adrift is not None and not urgent:
                    self._get_in_step()
                found = self._once(item, call, what)
                answered, heard = True, found.hex(" ") if isinstance(found, bytes) else "done"
                return found
            except DeviceError as error:
                heard = str(error)
                raise
            finally:
                ended_s = self._now()
                self.log.note(f"node {self._node}: {what}", heard, asked_s=asked_s, ended_s=ended_s, answered=answered)

    def _once(self, item: CanObject, call: Callable[[Any], Any], what: str) -> Any:
        import canopen

        sdo = self._bus.sdo(self._node)
        try:
            return call(sdo)
        except canopen.SdoAbortedError as error:
            raise self._refusal(error.code, what) from error
        except Exception as error:  # the libraries' own kinds, and whatever they raise on what isn't an answer
            self._adrift = item
            if self._bus.lost or isinstance(error, OSError | RuntimeError) or _bus_error(error):
                self._bus.close(f"was lost at {what} ({error})")
                raise LinkLost(self._bus.lost) from error
            raise NoReply(
                f"{self.name} didn't answer {what} within {sdo.RESPONSE_TIMEOUT:g} s ({error}); "
                "whether it was carried out isn't known"
            ) from error
        except BaseException:  # an interrupt: the answer may still come
            self._adrift = item
            raise

    def _get_in_step(self) -> None:
        other = ERROR_REGISTER if self._adrift and self._adrift.index == DEVICE_TYPE.index else DEVICE_TYPE
        ends_s = time.monotonic() + 2 * self._bus.sdo(self._node).RESPONSE_TIMEOUT
        for left in reversed(range(TRIES_INTO_STEP)):
            try:
                self._once(other, lambda sdo: sdo.upload(other.index, other.sub), f"read {other}")
                break
            except NoReply:
                if not left or time.monotonic() >= ends_s:
                    raise
        self._adrift = None

    def _refusal(self, code: int, what: str) -> DeviceError:
        text = f"{self.name} refused to {what}: {ABORTS.get(code, 'abort')} ({code:08X}h)"
        return NoReply(text) if code in UNDECIDED else Refused(text)


def _bus_error(error: Exception) -> bool:
    import can

    return isinstance(error, can.CanError)


_OPEN: SharedPorts[CanBus] = SharedPorts(CanBus.close)


def open_node(options: Options, place: Place, clock_now: Callable[[], float]) -> CanNode:
    """The node that options name: interface, channel, bitrate, node, timeout, retries.

    Raises
    ------
    BadInput : for options that can't be read. LinkLost : where the bus can't be opened.
    """
    for key, allowed in (("interface", "such as socketcan, slcan, pcan"), ("channel", "such as can0 or COM4")):
        if not options.get(key):
            raise BadInput(f"a CANopen part needs its {key}", place=place.below(key), allowed=allowed)
    bitrate = whole_option(options, "bitrate", 500_000, place, at_least=10_000, at_most=1_000_000)
    settings = Settings(options["interface"], options["channel"], bitrate)
    node = whole_option(options, "node", None, place, at_least=1, at_most=127)
    timeout_s = time_option(options, "timeout", DEFAULT_TIMEOUT, place)
    retries = whole_option(options, "retries", DEFAULT_RETRIES, place, at_most=MOST_RETRIES)
    _need_libraries(place)

    def agree(bus: CanBus) -> None:
        if bus.settings != settings:
            raise BadInput(
                "two parts on one bus with different settings",
                place=place.below("channel"),
                found=str(settings),
                allowed=str(bus.settings),
            )

    bus, release = _OPEN.take(f"{settings.interface} {settings.channel}", lambda: CanBus(settings), agree)
    try:
        bus.attach(node, timeout_s)
    except BaseException:
        release()
        raise
    return CanNode(bus, node, retries=retries, clock_now=clock_now, release=release)


def _need_libraries(place: Place) -> None:
    import importlib.util

    if any(importlib.util.find_spec(name) is None for name in ("can", "canopen")):
        raise BadInput(
            "a CANopen part needs canopen and python-can", place=place, cure="pip install 'pytest-stepwitness[live]'"
        )
