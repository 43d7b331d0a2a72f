"""All stand-ins of one bench as a process of their own, each part on a port of its own on loopback.

    python -m stepwitness.standin.server BENCH.yaml --over tcp|serial --scale 3

1. One thread serves everything: the rig isn't thread-safe, and its parts answer at once.
2. One line of JSON on standard output says where each part is; the process ends when its standard input does,
   or on SIGTERM, so that it never outlives whoever started it.
3. The wire takes its own time, so the exchanges of the rig cost none; between requests the plant is kept up
   with the clock, so that no request finds a backlog.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import selectors
import signal
import socket
import sys
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Protocol, TextIO

from stepwitness.devices.clock import WallClock
from stepwitness.devices.interfaces import ClosesLoop
from stepwitness.devices.links import has_pseudo_terminals
from stepwitness.devices.wire import LineFramer
from stepwitness.errors import BadInput, StepwitnessError
from stepwitness.standin import text_protocol as text
from stepwitness.standin.rig import Rig
from stepwitness.standin.scpi_protocol import ScpiProtocol

TICK_S = 0.02
HOST = "127.0.0.1"


class LineProtocol(Protocol):
    def answer(self, line: str) -> str | None: ...


@dataclass
class _Channel:
    """One connection, or one pseudo-terminal."""

    protocol: LineProtocol
    framer: LineFramer
    receive: Callable[[], bytes]
    send: Callable[[bytes], object]
    close: Callable[[], object]

    def serve(self) -> bool:
        """Answer what has arrived; False once the other end is gone."""
        try:
            data = self.receive()
        except (BlockingIOError, InterruptedError):
            return True
        except OSError:
            return False
        for line in self.framer.feed(data):
            reply = self.protocol.answer(line)
            if reply is not None:
                try:
                    self.send(reply.encode("ascii", errors="replace") + b"\n")
                except OSError:  # gone, or so far behind that it doesn't read what it asked for
                    return False
        return bool(data)


class Server:
    """Serves protocols until it is told to stop.

    Parameters
    ----------
    keep_up : called every `TICK_S`, between requests.
    """

    def __init__(self, keep_up: Callable[[], object]) -> None:
        self._keep_up = keep_up
        self._selector = selectors.DefaultSelector()
        self._stop = threading.Event()
        self._terminals: list[int] = []

    def add_tcp(self, protocol: LineProtocol) -> int:
        """Serve `protocol` on a free TCP port; returns the port."""
        listener = socket.create_server((HOST, 0))
        listener.setblocking(False)
        self._selector.register(listener, selectors.EVENT_READ, protocol)
        port: int = listener.getsockname()[1]
        return port

    def add_terminal(self, protocol: LineProtocol) -> str:
        """Serve `protocol` on a pseudo-terminal; returns the name of its device.

        Both ends stay open here: without an opener of the far end, reads of the near one would fail.
        """
        import tty

        near, far = os.openpty()
        tty.setraw(far)
        os.set_blocking(near, False)
        self._terminals += [near, far]

        def send(data: bytes) -> None:
            # Nobody reads: bytes are lost, as on any line without a handshake.
            with contextlib.suppress(BlockingIOError):
                os.write(near, data)

        channel = _Channel(protocol, LineFramer(), lambda: os.read(near, 4096), send, lambda: None)
        self._selector.register(near, selectors.EVENT_READ, channel)
        return os.ttyname(far)

    def stop(self) -> None:
        """End `run` at its next tick; safe from a signal handler or another thread."""
        self._stop.set()

    def run(self) -> None:
        while not self._stop.is_set():
            for key, _ in self._selector.select(TICK_S):
                if isinstance(key.data, _Channel):
                    if not key.data.serve():
                        self._selector.unregister(key.fileobj)
                        key.data.close()
                else:
                    self._accept(key.fileobj, key.data)
            self._keep_up()

    def close(self) -> None:
        for key in list(self._selector.get_map().values()):
            if isinstance(key.data, _Channel):
                key.data.close()
            else:
                _socket_of(key.fileobj).close()
        self._selector.close()
        for descriptor in self._terminals:
            os.close(descriptor)

    def _accept(self, listener: object, protocol: LineProtocol) -> None:
        try:
            connection, _ = _socket_of(listener).accept()
        except OSError:  # gone again before it was accepted
            return
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        connection.setblocking(False)
        channel = _Channel(protocol, LineFramer(), lambda: connection.recv(4096), connection.sendall, connection.close)
        self._selector.register(connection, selectors.EVENT_READ, channel)


def _socket_of(fileobj: object) -> socket.socket:
    assert isinstance(fileobj, socket.socket)
    return fileobj


def protocols(rig: Rig, roles: Mapping[str, Mapping[str, str]], *, gauge_sense: int = 1) -> dict[str, LineProtocol]:
    """A protocol for each role; `roles` holds the options of each stand-in part."""

    def drive() -> text.TextProtocol:
        part = rig.drive(closed_loop=roles["drive"].get("loop") == "closed")
        loop = text.loop_words(part) if isinstance(part, ClosesLoop) else {}
        return text.TextProtocol({**text.drive_words(part), **loop})

    makers: dict[str, Callable[[], LineProtocol]] = {
        "drive": drive,
        "counter": lambda: text.TextProtocol(text.counter_words(rig.counter())),
        "gauge": lambda: text.TextProtocol(text.gauge_words(rig.gauge(sense=gauge_sense))),
        "meter": lambda: ScpiProtocol(rig.meter()),
        "supply": lambda: text.TextProtocol(text.supply_words(rig.supply())),
        "brake": lambda: text.TextProtocol(text.brake_words(rig.brake())),
        "drag": lambda: text.TextProtocol(text.drag_words(rig.drag())),
        "inputs": lambda: text.TextProtocol(text.inputs_words(rig.inputs())),
    }
    return {role: makers[role]() for role in roles}


def serve_parts(
    server: Server, served: Mapping[str, LineProtocol], options: Mapping[str, Mapping[str, str]], *, over: str
) -> dict[str, dict[str, object]]:
    """Put each protocol on a port; returns kind and options of the real part that reaches it, by role."""
    endpoints: dict[str, dict[str, object]] = {}
    for role, protocol in served.items():
        if role == "meter":
            resource = f"TCPIP::{HOST}::{server.add_tcp(protocol)}::SOCKET"
            endpoints[role] = {"part": "scpi", "options": {"resource": resource}}
            continue
        tcp = over == "tcp"
        port = f"socket://{HOST}:{server.add_tcp(protocol)}" if tcp else server.add_terminal(protocol)
        loop = {"loop": "closed"} if options[role].get("loop") == "closed" else {}
        endpoints[role] = {"part": "text-line", "options": {"port": port, **loop}}
    return endpoints


def _stop_with(stream: TextIO, server: Server) -> None:
    """Stop `server` once `stream` ends. A thread, because not every system can select on a pipe."""

    def wait() -> None:
        try:
            while stream.buffer.read(4096):
                pass
        except (OSError, ValueError):
            pass
        server.stop()

    threading.Thread(target=wait, daemon=True, name="standard input").start()


def main(arguments: list[str] | None = None) -> int:
    from stepwitness.bench.model import load_bench

    parser = argparse.ArgumentParser(
        prog="python -m stepwitness.standin.server", description="All stand-ins of one bench on loopback."
    )
    parser.add_argument("bench", help="bench file whose stand-ins are served")
    parser.add_argument("--over", choices=("tcp", "serial"), default="tcp")
    parser.add_argument("--scale", type=float, default=3.0, help="seconds of the axis in one of the wall")
    chosen = parser.parse_args(arguments)
    try:
        if chosen.over == "serial" and not has_pseudo_terminals():
            raise BadInput("this system has no pseudo-terminals", found="--over serial", allowed="--over tcp")
        if not chosen.scale > 0:
            raise BadInput("a scale must be positive", found=f"--scale {chosen.scale}")
        description = load_bench(chosen.bench)
        if description.stand_in is None:
            raise BadInput(f"bench '{description.name}' has no stand-in", found=f"'{chosen.bench}'")
    except StepwitnessError as error:
        print(error, file=sys.stderr)
        return 2
    options = {role: part.options for role, part in description.parts().items()}
    rig = Rig(description.axis, replace(description.stand_in, exchange_s=0.0), WallClock(chosen.scale))
    sense = description.gauge.sense if description.gauge else 1
    server = Server(keep_up=rig.advance)
    signal.signal(signal.SIGTERM, lambda *_: server.stop())
    # An interrupt at the terminal reaches the whole group; whoever started this process ends it in its own time.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        served = protocols(rig, options, gauge_sense=sense)
        print(json.dumps({"endpoints": serve_parts(server, served, options, over=chosen.over)}), flush=True)
        _stop_with(sys.stdin, server)
        server.run()
    finally:
        server.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
