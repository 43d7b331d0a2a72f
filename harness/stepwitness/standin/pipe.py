"""Connections to stand-ins in this process, over wires with faults, on any clock: a run of an hour with a fault in it
takes seconds on a virtual one, and the same seed gives the same run.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from stepwitness.devices.errors import LinkLost
from stepwitness.devices.interfaces import Clock
from stepwitness.standin.faults import Down, FaultyWire
from stepwitness.standin.serving import Opener

MOMENT_S = 0.01
LEAST_WAIT_S = 1e-6


class Pipe:
    """One connection to a stand-in in this process, over a wire with faults, on any clock."""

    def __init__(self, opener: Opener, wire: FaultyWire, clock: Clock) -> None:
        wire.check_up(clock.now())
        self._responder, self._wire, self._clock = opener(), wire, clock
        self._cuts = wire.cuts
        self._arrived = b""

    def write(self, data: bytes) -> None:
        """Send; raises `Down`."""
        self._check()
        try:
            self._wire.from_host(data, now_s=self._clock.now())
        finally:
            self._flow()

    def waiting(self) -> int:
        """How many bytes have come; raises `Down` where none have and none will."""
        self._flow()
        try:
            self._check()
            self._arrived += self._wire.due_to_host(self._clock.now())
        except Down:
            if not self._arrived:
                raise
        return len(self._arrived)

    def wait(self, timeout_s: float) -> int:
        """The same, once any have come or the time is over."""
        ends_s = self._clock.now() + timeout_s
        while not (waiting := self.waiting()):
            now_s = self._clock.now()
            if now_s >= ends_s:
                break
            self._clock.sleep(max(min(self._wire.next_due_s(), ends_s) - now_s, LEAST_WAIT_S))
        return waiting

    def take(self, size: int) -> bytes:
        """The first `size` bytes, or fewer, of what has come."""
        data, self._arrived = self._arrived[:size], self._arrived[size:]
        return data

    def _check(self) -> None:
        """A connection that was cut stays so, even where the wire is back."""
        self._wire.check_up(self._clock.now())
        if self._wire.cuts != self._cuts:
            raise Down("the wire was cut")

    def _flow(self) -> None:
        if request := self._wire.due_to_part(self._clock.now()):
            self._wire.from_part(self._responder.hear(request), now_s=self._clock.now())


class ProcessLink:
    """`stepwitness.devices.links.Link` to a stand-in in this process."""

    descriptor = -1

    def __init__(self, name: str, connect: Callable[[], Pipe]) -> None:
        self.name = name
        with self._lost("opening"):
            self._pipe = connect()

    def write(self, data: bytes) -> None:
        with self._lost("writing"):
            self._pipe.write(data)

    def read(self) -> bytes:
        with self._lost("reading"):
            return self._pipe.take(self._pipe.wait(MOMENT_S))

    def discard(self) -> None:
        with contextlib.suppress(Down):
            self._pipe.take(self._pipe.waiting())

    def close(self) -> None:
        pass

    @contextlib.contextmanager
    def _lost(self, doing: str) -> Iterator[None]:
        try:
            yield
        except Down as error:
            raise LinkLost(f"{self.name}: {doing} failed: {error}") from None
