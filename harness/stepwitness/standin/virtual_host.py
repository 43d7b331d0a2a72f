"""The host as the wire libraries see it, on virtual time: its clocks, sockets, serial ports and CAN reader.

1. Inside `VirtualHost.installed` the libraries run as they are (pymodbus, python-can's "slcan" with canopen, pyvisa-py
   and our own layers above them); only what they import of the system is put in the place of the system's own. Bytes
   go through `Pipe` to stand-ins in this process, so a run of an hour with a fault in it takes seconds, and the same
   seed gives the same run.
2. Whoever waits sleeps on the one clock until bytes are due. Nothing here has a thread.
3. The time of day is a clock of its own, which may jump while the monotonic one goes on.

For measurements and tests of what happens to real parts; nothing that judges an axis uses it.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import math
import queue
import select
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any
from unittest.mock import patch

from stepwitness.devices.interfaces import Clock
from stepwitness.standin.faults import Down, FaultyWire
from stepwitness.standin.pipe import LEAST_WAIT_S, Pipe, ProcessLink
from stepwitness.standin.serving import Opener

_FIRST_PORT = 7001
FOR_EVER_S = 1e9


@dataclass
class _Port:
    """A port, the wire of its first connection and that of every second one, as a session of two has it."""

    opener: Opener
    wire: FaultyWire | None = None
    beside: FaultyWire | None = None
    connections: int = 0

    def connect(self, clock: Clock) -> Pipe:
        assert self.wire is not None
        number, self.connections = self.connections, self.connections + 1
        self.wire.check_up(clock.now())
        return Pipe(self.opener, self.beside if self.beside and number % 2 else self.wire, clock)

    def next_due_s(self) -> float:
        return min((wire.next_due_s() for wire in (self.wire, self.beside) if wire is not None), default=math.inf)


@dataclass
class VirtualHost:
    """A host whose ports lead to stand-ins; itself a place to serve them (`serving.Ports`).

    Attributes
    ----------
    jumped_s : by how much the time of day is off.
    """

    clock: Clock
    jumped_s: float = 0.0
    _ports: dict[str, _Port] = field(default_factory=dict)
    _readers: list[Any] = field(default_factory=list)

    def add_tcp(self, opener: Opener) -> int:
        """Put a stand-in on a TCP port, which is returned."""
        number = _FIRST_PORT + len(self._ports)
        self._ports[str(number)] = _Port(opener)
        return number

    def add_terminal(self, opener: Opener) -> str:
        """The same on a serial port, whose name is returned."""
        name = f"virtual{_FIRST_PORT + len(self._ports)}"
        self._ports[name] = _Port(opener)
        return name

    def lay(self, name: str, wire: FaultyWire, *, beside: FaultyWire | None = None) -> None:
        """Lay the wire to a port: the name of a serial one, or the number of a TCP one as a text.

        With `beside`, every second connection goes over that one, as those of a session of two do.
        """
        self._ports[name].wire, self._ports[name].beside = wire, beside

    def connect(self, name: str) -> Pipe:
        """Raises `Down` where the wire is cut, or nothing is on the port."""
        if name not in self._ports:
            raise Down(f"nothing listens on {name}")
        return self._ports[name].connect(self.clock)

    def link(self, port: str, *, baud: int = 0) -> ProcessLink:
        """As `links.open_link`."""
        del baud
        return ProcessLink(port, lambda: self.connect(port.rpartition(":")[2]))

    def wait(self, ready: Callable[[], bool], timeout_s: float) -> None:
        """Return once `ready` says so or the time is over; the CAN readers read meanwhile."""
        ends_s = self.clock.now() + timeout_s
        while True:
            for reader in list(self._readers):
                reader.pump()
            now_s = self.clock.now()
            if ready() or now_s >= ends_s:
                return
            coming_s = (port.next_due_s() for port in self._ports.values())  # what is due already, nobody reads
            due_s = min((due_s for due_s in coming_s if due_s > now_s), default=math.inf)
            self.clock.sleep(max(min(due_s, ends_s) - now_s, LEAST_WAIT_S))

    @contextlib.contextmanager
    def installed(self) -> Iterator[VirtualHost]:
        """Everything below, in the places where the libraries look for it, while the context lasts."""
        host_time, host_select = _Time(self), _Select(self)
        host_socket, host_serial = _Sockets(self), _Serials(self)
        places: dict[str, dict[str, Any]] = {
            "stepwitness.devices.text_line": {"open_link": self.link},
            "stepwitness.standin.endpoints": {"time": host_time},
            "stepwitness.devices.modbus_bus": {"time": host_time},
            "stepwitness.devices.can_node": {"time": host_time},
            "stepwitness.devices.drives.cia402": {"time": host_time},
            "stepwitness.devices.instruments.scpi_session": {"time": host_time},
            "stepwitness.devices.instruments.held_socket": {"time": host_time},
            "pymodbus.client.tcp": {"time": host_time, "select": host_select, "socket": host_socket},
            "pymodbus.client.serial": {"time": host_time, "serial": host_serial},
            "pymodbus.transaction.transaction": {"monotonic": host_time.monotonic},
            "can.interfaces.slcan": {"time": host_time, "serial": host_serial},
            "can": {"Notifier": lambda *known: _Reader(self, *known)},
            "canopen.sdo.client": {"time": host_time, "queue": _Queues(self)},
            "pyvisa_py.tcpip": {"time": host_time, "select": host_select, "socket": host_socket},
            "pyvisa_py.protocols.hislip": {"time": host_time, "socket": host_socket},
        }
        with contextlib.ExitStack() as stack:
            for place, names in places.items():
                module = importlib.import_module(place)
                for name, stand_in in names.items():
                    stack.enter_context(patch.object(module, name, stand_in))
            yield self


class _Time:
    """The module `time`."""

    def __init__(self, host: VirtualHost) -> None:
        self._host = host
        self.monotonic = self.perf_counter = host.clock.now
        self.sleep = host.clock.sleep

    def time(self) -> float:
        return self._host.clock.now() + self._host.jumped_s

    def __getattr__(self, name: str) -> Any:
        return getattr(time, name)


class _Select:
    """The module `select`; any port can be written to."""

    def __init__(self, host: VirtualHost) -> None:
        self._host = host

    def select(
        self, to_read: Sequence[Any], to_write: Sequence[Any], _: object, timeout: float | None = None
    ) -> tuple[list[Any], list[Any], list[Any]]:
        for end in (*to_read, *to_write):
            end.fileno()  # as the system's does, which a closed port, or one past its deadline, answers by raising

        def readable() -> list[Any]:
            return [end for end in to_read if end.readable()]

        self._host.clock.sleep(LEAST_WAIT_S)  # so that whoever asks again and again comes to an end
        if not to_write:
            self._host.wait(lambda: bool(readable()), FOR_EVER_S if timeout is None else max(0.0, timeout))
        return readable(), list(to_write), []

    def __getattr__(self, name: str) -> Any:
        return getattr(select, name)


class _Sockets:
    """The module `socket`."""

    def __init__(self, host: VirtualHost) -> None:
        self._host = host

    def socket(self, *_: object) -> _Socket:
        return _Socket(self._host)

    def create_connection(self, address: tuple[str, int], timeout: float | None = None, **_: object) -> _Socket:
        made = _Socket(self._host)
        made.settimeout(timeout)
        made.connect(address)
        return made

    def __getattr__(self, name: str) -> Any:
        return getattr(socket, name)


class _Socket:
    """A TCP connection. A peer that is gone reads as an end, and can't be written to."""

    def __init__(self, host: VirtualHost) -> None:
        self._host = host
        self._pipe: Pipe | None = None
        self._timeout_s: float | None = None
        self._closed = self._ended = False

    def connect(self, address: tuple[str, int]) -> None:
        try:
            self._pipe = self._host.connect(str(address[1]))
        except Down as error:
            self._ended = True
            raise ConnectionRefusedError(errno.ECONNREFUSED, str(error)) from None

    def connect_ex(self, address: tuple[str, int]) -> int:
        try:
            self.connect(address)
        except OSError as error:
            return error.errno or errno.ECONNREFUSED
        return 0

    def settimeout(self, seconds: float | None) -> None:
        self._timeout_s = seconds

    def gettimeout(self) -> float | None:
        return self._timeout_s

    def setblocking(self, blocking: bool) -> None:
        self._timeout_s = None if blocking else 0.0

    def setsockopt(self, *_: object) -> None:
        pass

    def getsockopt(self, *_: object) -> int:
        return 1

    def getsockname(self) -> str:
        return "here"

    def fileno(self) -> int:
        return -1 if self._closed else 3

    def readable(self) -> bool:
        return self._ended or self._waiting() > 0 or self._ended

    def sendall(self, data: bytes) -> None:
        self.send(data)

    def send(self, data: bytes) -> int:
        if self._closed or self._ended or self._pipe is None:
            raise BrokenPipeError(errno.EPIPE, "the other end closed the connection")
        try:
            self._pipe.write(bytes(data))
        except Down:
            self._ended = True
        return len(data)

    def recv(self, size: int, *_: object) -> bytes:
        if self._closed:
            raise OSError(errno.EBADF, "closed")
        if not self.readable():
            if self._timeout_s == 0.0:
                raise BlockingIOError(errno.EAGAIN, "nothing has come")
            self._host.wait(self.readable, FOR_EVER_S if self._timeout_s is None else self._timeout_s)
            if not self.readable():
                raise TimeoutError("timed out")
        return self._pipe.take(size) if self._pipe is not None and self._waiting() else b""

    def recv_into(self, buffer: Any, size: int = 0) -> int:
        data = self.recv(size or len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._closed = True

    def _waiting(self) -> int:
        if self._pipe is None:
            return 0
        try:
            return self._pipe.waiting()
        except Down:
            self._ended = True
            return 0


class _Serials:
    """The module `serial`."""

    def __init__(self, host: VirtualHost) -> None:
        import serial
        from serial.serialutil import Timeout

        class HostTimeout(Timeout):  # type: ignore[misc]
            TIME = staticmethod(host.clock.now)

        self._host, self._module = host, serial
        self.Timeout = HostTimeout

    def serial_for_url(self, name: str, **settings: Any) -> _Serial:
        return _Serial(self._host, name, timeout_s=settings.get("timeout"))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._module, name)


class _Serial:
    """A serial port. One whose adapter was pulled out raises."""

    is_open = True
    write_timeout: float | None = None
    inter_byte_timeout: float | None = None

    def __init__(self, host: VirtualHost, name: str, *, timeout_s: float | None) -> None:
        self._host, self.timeout = host, timeout_s
        with _gone():
            self._pipe = host.connect(name)

    @property
    def in_waiting(self) -> int:
        with _gone():
            return self._pipe.waiting()

    def read(self, size: int = 1) -> bytes:
        with _gone():
            self._host.wait(lambda: self._pipe.waiting() >= size, FOR_EVER_S if self.timeout is None else self.timeout)
            return self._pipe.take(size)

    def write(self, data: bytes) -> int:
        with _gone():
            self._pipe.write(bytes(data))
        return len(data)

    def flush(self) -> None:
        pass

    def reset_input_buffer(self) -> None:
        self._pipe.take(self.in_waiting)

    def fileno(self) -> int:
        raise io.UnsupportedOperation("no descriptor")

    def close(self) -> None:
        self.is_open = False


@contextlib.contextmanager
def _gone() -> Iterator[None]:
    try:
        yield
    except Down as error:
        import serial

        raise serial.SerialException(str(error)) from None


class _Reader:
    """python-can's `Notifier`, without its thread: whoever waits for an answer reads the bus."""

    def __init__(self, host: VirtualHost, bus: Any, listeners: list[Any], *_: object) -> None:
        self.bus, self.listeners = bus, listeners
        self.exception: Exception | None = None
        self._host, self._reading = host, False
        self._rests_until_s = 0.0
        host._readers.append(self)

    def pump(self) -> None:
        """Hand on each frame that has come."""
        if self._reading:
            return
        self._reading = True
        try:
            while self._host.clock.now() >= self._rests_until_s and self._step():
                pass
        finally:
            self._reading = False

    def _step(self) -> bool:
        """Read what has come once; whether anything had. A line that is no frame reads as nothing."""
        try:
            if not self.bus.serialPortOrig.in_waiting:
                return False
            message = self.bus.recv(0)
            if message is not None:
                for listener in self.listeners:
                    listener(message)
            return True
        except Exception as error:
            self.exception = error
            for listener in self.listeners:
                listener.on_error(error)
            self._rests_until_s = self._host.clock.now() + LEAST_WAIT_S
            return False

    def stop(self, *_: object) -> None:
        if self in self._host._readers:
            self._host._readers.remove(self)


class _Queues:
    """The module `queue`."""

    def __init__(self, host: VirtualHost) -> None:
        class HostQueue(queue.Queue[bytes]):
            def get(self, block: bool = True, timeout: float | None = None) -> bytes:
                if block:
                    host.wait(lambda: not self.empty(), FOR_EVER_S if timeout is None else timeout)
                return super().get(block=False)

        self.Queue = HostQueue
        self.Empty = queue.Empty
