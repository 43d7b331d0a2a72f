"""Byte links: a serial port, ``rfc2217://`` (both by pyserial) and ``socket://`` (the standard library).

1. A link that died says so as `LinkLost`, whatever the library raised: pyserial raises SerialException in
   some calls, a bare OSError in others and termios.error in a third kind. They are caught here and nowhere
   else.
2. `read` waits a moment only; whoever reads holds the deadline.
3. ``socket://`` isn't left to pyserial, whose close sleeps 0.3 s and leaks the socket of a peer that went
   first.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
from collections.abc import Iterator
from typing import Any, Protocol
from urllib.parse import urlsplit

from stepwitness.devices.errors import LinkLost
from stepwitness.devices.inherited import SCHEME, InheritedLink
from stepwitness.errors import BadInput

DEAD_LINK: tuple[type[BaseException], ...] = (OSError,)
"""What a dead link raises; pyserial's SerialException is an OSError."""
try:
    import termios
except ImportError:  # Windows
    pass
else:
    DEAD_LINK = (OSError, termios.error)

MOMENT_S = 0.01
"""How long `read` waits for a first byte, on the host's own clock."""
OPENING_S = 2.0
WRITING_S = 1.0


class Link(Protocol):
    """Bytes to and from one part."""

    name: str

    @property
    def descriptor(self) -> int:
        """The operating system's number for it, by which another process can take it over; -1 where it has none."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`, or raise LinkLost."""
        ...

    def read(self) -> bytes:
        """What has arrived; waits a moment for a first byte, so it may be empty."""
        ...

    def discard(self) -> None:
        """Drop what has arrived."""
        ...

    def close(self) -> None: ...


def open_link(port: str, *, baud: int = 115_200) -> Link:
    """The link to `port`: a device name, ``socket://host:port`` or ``rfc2217://host:port``.

    Raises
    ------
    BadInput : where `port` isn't such a name.
    LinkLost : where nothing answers there, or another owner holds it.
    """
    scheme = port.partition("://")[0] if "://" in port else ""
    if scheme == "socket":
        return SocketLink(port)
    if scheme == SCHEME:
        return InheritedLink(port)
    if scheme in ("", "rfc2217"):
        return SerialLink(port, baud=baud)
    raise BadInput(
        "an unknown kind of port",
        found=f"'{port}'",
        allowed="a device such as COM5 or /dev/ttyUSB0, socket://host:port, rfc2217://host:port",
    )


@contextlib.contextmanager
def _lost(name: str, doing: str) -> Iterator[None]:
    try:
        yield
    except DEAD_LINK as error:
        raise _lost_link(name, doing, error) from error


def _lost_link(name: str, doing: str, error: BaseException) -> LinkLost:
    return LinkLost(f"{name}: {doing} failed: {error}")


class SocketLink:
    """A TCP connection."""

    def __init__(self, url: str) -> None:
        self.name = url
        host, port = _address(url)
        try:
            self._socket = socket.create_connection((host, port), timeout=OPENING_S)
        except DEAD_LINK as error:
            raise LinkLost(
                f"{url} can't be opened: {error}; does anything listen there, are host and port its own?"
            ) from error
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._socket.settimeout(WRITING_S)

    def write(self, data: bytes) -> None:
        try:
            self._socket.sendall(data)
        except DEAD_LINK as error:
            raise _lost_link(self.name, "writing", error) from error

    @property
    def descriptor(self) -> int:
        return self._socket.fileno()

    def read(self) -> bytes:
        try:
            if self._socket.fileno() < 0:
                raise OSError("the link is closed")
            if not select.select([self._socket], [], [], MOMENT_S)[0]:
                return b""
            data = self._socket.recv(4096)
        except DEAD_LINK as error:
            raise _lost_link(self.name, "reading", error) from error
        if not data:
            raise LinkLost(f"{self.name}: the other end closed the connection")
        return data

    def discard(self) -> None:
        with _lost(self.name, "reading"):
            while select.select([self._socket], [], [], 0)[0] and self._socket.recv(4096):
                pass

    def close(self) -> None:
        self._socket.close()


def _address(url: str) -> tuple[str, int]:
    bad = BadInput("not an address", found=f"'{url}'", allowed="socket://host:port, the port from 1 to 65535")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise bad from None
    if not host or not port or parts.path or parts.query:
        raise bad
    return host, port


class SerialLink:
    """A serial port of this machine, or of another one by RFC 2217; locked to one owner where that can be."""

    def __init__(self, port: str, *, baud: int) -> None:
        import serial

        self.name = port
        try:
            self._port: Any = serial.serial_for_url(
                port, baudrate=baud, timeout=MOMENT_S, write_timeout=WRITING_S, exclusive=True
            )
        except ValueError as error:
            raise BadInput(
                "a serial port can't be set up so", found=f"'{port}' at {baud}", allowed=str(error)
            ) from None
        except DEAD_LINK as error:
            raise LinkLost(f"{port} can't be opened: {error}; {ports_here()}") from error

    def write(self, data: bytes) -> None:
        with _lost(self.name, "writing"):
            self._port.write(data)

    def read(self) -> bytes:
        with _lost(self.name, "reading"):
            data: bytes = self._port.read(1)
            # Some ports tell only that something waits, not how much.
            while data and (waiting := self._port.in_waiting):
                data += self._port.read(waiting)
        return data

    @property
    def descriptor(self) -> int:
        """Its descriptor, or -1: on Windows a port is a handle, and one of RFC 2217 is neither."""
        try:
            return int(self._port.fileno())
        except (AttributeError, OSError):
            return -1

    def discard(self) -> None:
        with _lost(self.name, "reading"):
            while waiting := self._port.in_waiting:
                self._port.read(waiting)

    def close(self) -> None:
        unlock(self._port)
        with contextlib.suppress(*DEAD_LINK):
            self._port.close()


def unlock(port: Any) -> None:
    """Give up the lock of a pyserial port, which another process that has its descriptor would keep.

    Nothing on Windows, where a port is a handle that nobody else has.
    """
    try:
        import fcntl
    except ImportError:  # Windows
        return
    if getattr(port, "exclusive", None):
        with contextlib.suppress(OSError, AttributeError, ValueError):
            fcntl.flock(port.fileno(), fcntl.LOCK_UN)


def ports_here() -> str:
    """The serial ports of this machine, in words."""
    from serial.tools import list_ports

    names = [port.device for port in list_ports.comports()]
    return f"ports of this machine: {', '.join(names)}" if names else "this machine has no serial port"


def has_pseudo_terminals() -> bool:
    """Whether this system can serve a serial port from a process."""
    return hasattr(os, "openpty")
