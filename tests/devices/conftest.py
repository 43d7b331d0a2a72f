"""A part on a line in memory: replies as a test scripts them, on virtual time."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterator

import pytest

from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.command_set import CommandSet
from stepwitness.devices.errors import LinkLost
from stepwitness.devices.text_line import TextLine
from stepwitness.standin.serving import Responder, Server

WAIT_S = 0.01


class ScriptedLink:
    """Hands each request, without its tag, to `answer`; what that returns arrives as the reply, tag and all.

    `mangle` sees each reply as bytes and returns the chunks that arrive, each as (delay in seconds, bytes); an empty
    list loses it. `sent` lists the requests in order. What ends in `~` is no request, and is refused. `lost` is
    how many bytes the end of the next write loses.
    """

    name = "script"

    def __init__(self, clock: VirtualClock, answer: Callable[[str], str | None]) -> None:
        self._clock, self.answer = clock, answer
        self.mangle: Callable[[str, bytes], list[tuple[float, bytes]]] = lambda _, reply: [(0.0, reply)]
        self.sent: list[str] = []
        self.raw: list[bytes] = []
        self._coming: deque[tuple[float, bytes]] = deque()
        self._rest = b""
        self.lost = 0
        self.dead = False

    def write(self, data: bytes) -> None:
        if self.dead:
            raise LinkLost("script: gone")
        self.raw.append(data)
        self._rest += data[: len(data) - self.lost]
        self.lost = 0
        while b"\n" in self._rest:
            line, _, self._rest = self._rest.partition(b"\n")
            if text := line.decode().strip():
                self._one(text)

    def _one(self, text: str) -> None:
        tag, _, request = text.partition(" ") if text.startswith("@") else ("", "", text)
        if request.endswith("~"):
            self.add(f"{tag} refused: not understood\n".lstrip().encode())
            return
        self.sent.append(request)
        reply = self.answer(request)
        if reply is None:
            return
        whole = f"{tag} {reply}\n".lstrip().encode()
        for delay_s, chunk in self.mangle(request, whole):
            self.add(chunk, delay_s)

    def add(self, chunk: bytes, delay_s: float = 0.0) -> None:
        """Let bytes arrive that nobody asked for."""
        self._coming.append((self._clock.now() + delay_s, chunk))

    def read(self) -> bytes:
        if self.dead:
            raise LinkLost("script: gone")
        if self._coming and self._coming[0][0] <= self._clock.now():
            return self._coming.popleft()[1]
        self._clock.sleep(WAIT_S)
        return b""

    def discard(self) -> None:
        while self._coming and self._coming[0][0] <= self._clock.now():
            self._coming.popleft()

    def close(self) -> None:
        self.dead = True


@pytest.fixture
def clock() -> VirtualClock:
    return VirtualClock()


@pytest.fixture
def scripted(clock: VirtualClock) -> Callable[..., tuple[TextLine, ScriptedLink]]:
    """Makes a line with a command set, and the link under it."""

    def make(
        commands: CommandSet, answer: Callable[[str], str | None], *, timeout_s: float = 0.1
    ) -> tuple[TextLine, ScriptedLink]:
        link = ScriptedLink(clock, answer)
        return TextLine(link, clock, commands, timeout_s=timeout_s), link

    return make


class Faulty:
    """A responder with faults: each entry of `faults` takes the next reply and returns what goes out instead.

    `heard` lists what came in. A fault may sleep: the reply is then late, and so is whatever is asked meanwhile.
    """

    def __init__(self, responder: Responder) -> None:
        self._responder = responder
        self.faults: deque[Callable[[bytes], bytes]] = deque()
        self.heard: list[bytes] = []
        self.before: Callable[[bytes], None] = lambda _: None

    def hear(self, data: bytes) -> bytes:
        if data:  # not the end of a connection
            self.heard.append(data)
        self.before(data)
        reply = self._responder.hear(data)
        return self.faults.popleft()(reply) if reply and self.faults else reply


class Running:
    """A server in a thread."""

    def __init__(self) -> None:
        self.server = Server(lambda: None)
        self._thread = threading.Thread(target=self.server.run, daemon=True)
        self._thread.start()
        self.stopped = False

    def stop(self) -> None:
        if not self.stopped:
            self.stopped = True
            self.server.stop()
            self._thread.join(5.0)
            self.server.close()


@pytest.fixture
def running() -> Iterator[Running]:
    made = Running()
    yield made
    made.stop()


@pytest.fixture
def faulty() -> Callable[[Responder], Faulty]:
    return Faulty
