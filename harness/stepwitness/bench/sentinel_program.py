"""The sentinel itself: waits until its owner is gone or silent, then stops the axis.

    python -m stepwitness.bench.sentinel_program        (started by `stepwitness.bench.sentinel`, never by hand)

1. Whatever it needs is loaded before it says that it stands; then it only waits.
2. Death of the owner: the last words go out at once, then the bench is taken over and brought to its safe state.
   Silence of an owner that isn't dead: the halt alone, as the line still belongs to that owner.
3. The lock and the descriptors are held until the axis is safe. A note that stays behind says that it isn't.
"""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import queue
import signal
import socket
import stat
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from stepwitness.bench.description import BenchDescription, Part, StopMethod
from stepwitness.bench.lock import FOR_ALL_USERS
from stepwitness.bench.ownership import remove_note, write_note
from stepwitness.bench.sentinel import ACT, BEAT, DISARM, ECHO, FAILED, HALTED, READY, SAFE
from stepwitness.devices.inherited import SCHEME
from stepwitness.devices.last_words import speak, tell
from stepwitness.devices.ports import LINES
from stepwitness.errors import StepwitnessError

DYING, DIED, GONE = b"dying", b"died", b"gone"
"""The owner's main thread has ended; all of it has; its pipe has."""

_TAKEN_OVER = ("drive", "counter", "gauge", "brake")
"""Parts that the safe state needs, the drive first; one that can't be had doesn't keep the others from it."""

_LOCK_S = 5.0
_MOST_DESCRIPTORS = 16
_TAKE_OVERS = 5
_BETWEEN_S = 0.1
"""How often a part is opened anew, and how long in between: a gateway may still hold the connection of the dead."""

_POLL_S = 0.002
_DYING_S = 0.05
"""How long after that signal the main thread is looked at."""

_DEATH_S = 2.0
"""How long the rest of a dying owner is waited for, whose threads may still write and read."""

_SET_PARENT_DEATH_SIGNAL = 1
_SYNCHRONIZE, _INFINITE = 0x0010_0000, 0xFFFF_FFFF


def main() -> int:
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK", "SIGPIPE"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    messages = _messages()
    told = _ask_to_be_told()  # before any thread starts: they inherit the mask
    first = next(messages, None)
    if not isinstance(first, HandOver):
        return 1
    orders, events = first.orders, queue.SimpleQueue[Event]()
    _in_background(lambda: _watch_owner(orders["owner_pid"], events))
    if told:
        _in_background(lambda: _watch_main_thread(orders["owner_pid"], events))
    try:
        from filelock import FileLock, Timeout

        lock = FileLock(orders["lock"], mode=FOR_ALL_USERS)
        try:
            lock.acquire(timeout=_LOCK_S)
        except Timeout:
            raise StepwitnessError("another owner has come first") from None
        guard = Guard(orders)
        guard.take(first)
        guard.prepare()
        guard.note("armed")
    except (StepwitnessError, OSError) as error:
        _say(f"{FAILED} {error}")
        return 1
    _hurry()
    _say(READY)
    _in_background(lambda: _hear(messages, events))
    try:
        return guard.wait(events)
    finally:
        guard.let_go()  # before the lock: whoever waits for it opens these ports next
        lock.release()


def _hurry() -> None:
    """Have this thread go before others of a busy machine, where the system lets it; it waits most of its time.

    On Windows its priority was set when it was started.
    """
    with contextlib.suppress(AttributeError, OSError):  # not on this system, or not for this user
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(os.sched_get_priority_min(os.SCHED_RR)))


def _in_background(work: Callable[[], None]) -> None:
    threading.Thread(target=work, daemon=True).start()


def _say(word: str) -> None:
    with contextlib.suppress(OSError):
        os.write(1, word.replace("\n", " ").encode(errors="replace") + b"\n")


@dataclass(frozen=True)
class HandOver:
    """What the owner hands over: descriptors by role, and what is said on them to stop the axis.

    `orders` come with the first one alone.
    """

    descriptors: dict[str, int]
    words: dict[str, bytes]
    orders: dict[str, Any] = field(default_factory=dict)


Event = bytes | HandOver


def _messages() -> Iterator[Event]:
    """What the owner says, until its end of the pipe closes: single bytes, and hand-overs as lines of JSON."""
    rest, descriptors = b"", list[int]()
    for data, found in _heard():
        rest += data
        descriptors += found
        while rest:
            if not rest.startswith(b"{"):
                yield rest[:1]
                rest = rest[1:]
                continue
            line, end, behind = rest.partition(b"\n")
            if not end:
                break
            rest, message = behind, json.loads(line)
            roles = message["roles"]
            handed, descriptors = descriptors[: len(roles)], descriptors[len(roles) :]
            words = {role: bytes.fromhex(said) for role, said in message["words"].items()}
            yield HandOver(dict(zip(roles, handed, strict=True)), words, message.get("orders", {}))


def _heard() -> Iterator[tuple[bytes, list[int]]]:
    """Bytes from standard input, and the descriptors that came with them."""
    if not stat.S_ISSOCK(os.fstat(0).st_mode):
        while data := os.read(0, 4096):
            yield data, []
        return
    with socket.socket(fileno=os.dup(0)) as way:
        while True:
            data, found, _, _ = socket.recv_fds(way, 65536, _MOST_DESCRIPTORS)
            if not data:
                return
            yield data, list(found)


def _hear(messages: Iterator[Event], events: queue.SimpleQueue[Event]) -> None:
    with contextlib.suppress(OSError):
        for message in messages:
            events.put(message)
    events.put(GONE)


def _watch_owner(pid: int, events: queue.SimpleQueue[Event]) -> None:
    """Wait for the end of process `pid` by a handle, which no child of it and no stopped state can fool."""
    _hurry()
    if os.name == "nt":
        _wait_for_handle(pid)
    elif hasattr(os, "pidfd_open"):
        _wait_for_pidfd(pid)
    else:
        while os.getppid() == pid:
            time.sleep(_POLL_S)
    events.put(DIED)


def _watch_main_thread(pid: int, events: queue.SimpleQueue[Event]) -> None:
    """Linux tells a process when the thread that started it dies, which is sooner than when all of its owner is gone:
    the dead give back their memory first, and on a busy machine each of their threads waits for a processor. The end of
    a thread whose process lives on is passed over.
    """
    _hurry()
    while True:
        signal.sigwait({signal.SIGUSR1})
        ends_s = time.monotonic() + _DYING_S
        while time.monotonic() < ends_s:
            if _main_thread_ended(pid):
                events.put(DYING)
                return
            time.sleep(_POLL_S / 10)


def _ask_to_be_told() -> bool:
    """Have the system signal the death of the thread that started this process; whether it will."""
    if sys.platform != "linux":
        return False
    import ctypes

    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGUSR1})
    try:
        return bool(ctypes.CDLL(None).prctl(_SET_PARENT_DEATH_SIGNAL, int(signal.SIGUSR1)) == 0)
    except (OSError, AttributeError):
        return False


def _main_thread_ended(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()[0]
    except (OSError, IndexError):
        return not Path(f"/proc/{pid}").exists()
    return state in (b"Z", b"X")


def _wait_for_pidfd(pid: int) -> None:
    import select

    try:
        handle = os.pidfd_open(pid)
    except OSError:  # it is dead already
        return
    if os.getppid() == pid:  # else it died before, and its number may be another's
        waiting = select.poll()
        waiting.register(handle, select.POLLIN)
        waiting.poll()
    os.close(handle)


def _wait_for_handle(pid: int) -> None:
    import ctypes

    kernel: Any = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined,unused-ignore]
    kernel.OpenProcess.restype = ctypes.c_void_p
    kernel.WaitForSingleObject.argtypes = [ctypes.c_void_p, ctypes.c_uint32]
    handle = kernel.OpenProcess(_SYNCHRONIZE, False, pid)
    if handle:
        kernel.WaitForSingleObject(handle, _INFINITE)


class Guard:
    """One bench under watch: how it is halted, taken over and brought to its safe state."""

    def __init__(self, orders: dict[str, Any]) -> None:
        from stepwitness.bench.model import parse_bench

        self._orders = orders
        self._descriptors: dict[str, int] = {}
        self._words: dict[str, bytes] = {}
        self._description: BenchDescription = parse_bench(orders["text"], orders["path"])
        self._note = Path(orders["note"])
        self._halted = False
        self._second: Callable[[], object] | None = None

    def take(self, handed: HandOver) -> None:
        """Keep what was handed over in place of what was before."""
        self.let_go()
        self._descriptors, self._words = handed.descriptors, handed.words
        for words in self._words.values():
            pickle.loads(words)  # what it needs is imported now

    def prepare(self) -> None:
        """Load and open whatever will be needed."""
        self._second = self._second_way()
        _load(self._description)

    def let_go(self) -> None:
        """Close every descriptor that was handed over."""
        for role in list(self._descriptors):
            self._close(role)

    def _close(self, role: str) -> None:
        with contextlib.suppress(OSError, KeyError):
            os.close(self._descriptors.pop(role))

    def note(self, state: str) -> None:
        write_note(self._note, owner=self._orders["owner"], state=state)

    def _forget(self) -> None:
        """The axis is safe; a note that can't be removed has the next owner see to that once more."""
        with contextlib.suppress(OSError):
            remove_note(self._note)

    def wait(self, events: queue.SimpleQueue[Event]) -> int:
        """Until the owner disarms, or is gone; the exit code says whether the axis is known to be safe."""
        dying = False
        while True:
            try:
                event = events.get(timeout=_DEATH_S if dying else None if self._halted else self._orders["silence_s"])
            except queue.Empty:
                if dying:
                    return self._act("the owner died")
                self._halt_a_silent_owners_axis()
                continue
            if event == DYING:  # what of it is still alive may have written since; the take-over halts once more
                dying = True
                self._halt(speak)
            elif isinstance(event, HandOver):
                self.take(event)
            elif event == BEAT:
                _say(ECHO)
            elif event == DISARM:
                self._forget()
                return 0
            elif event in (DIED, GONE, ACT):
                return self._act({DIED: "the owner died", GONE: "the owner's pipe closed"}.get(event, "asked to act"))

    # -- ways to halt ------------------------------------------------------------------------------------------

    def _second_way(self) -> Callable[[], object] | None:
        """A way of its own, opened beforehand: the drive's second port, or a supply that no descriptor leads to."""
        from stepwitness.devices.catalog import build
        from stepwitness.devices.clock import WallClock

        stop, description = self._description.stop, self._description
        if stop is None or self._words:
            return None
        if stop.by is StopMethod.PORT:
            key = "channel" if "channel" in description.drive.options else "port"
            second = Part(
                description.drive.kind, {**description.drive.options, key: stop.port}, description.drive.place
            )
            drive = build("drive", second, description.axis, WallClock())
            return lambda: drive.halt()  # noqa: PLW0108  the value of a part's method may be anything
        if stop.by is StopMethod.SUPPLY and description.supply is not None and description.supply.kind != "text-line":
            supply = build("supply", description.supply, description.axis, WallClock())
            return lambda: supply.set_output(False)
        return None

    def _halt(self, say: Callable[..., None]) -> list[str]:
        """Stop the axis by the quickest way there is, `speak` or `tell`; returns what went wrong."""
        failures = []
        for role, words in self._words.items():
            try:
                say(pickle.loads(words), self._descriptors[role], name=f"the {role}'s line")
            except StepwitnessError as error:
                failures.append(str(error))
        if self._second is not None:
            try:
                self._second()
            except Exception as error:  # whatever a part raises, the take-over comes next
                failures.append(f"{type(error).__name__}: {error}")
        self._halted = True
        return failures

    def _halt_a_silent_owners_axis(self) -> None:
        failures = self._halt(tell)
        if not self._words and self._second is None:
            try:
                self._taken_over("drive").halt()
            except Exception as error:  # the owner still holds the port
                failures.append(f"{type(error).__name__}: {error}")
        state = "; ".join(["halted, because its owner fell silent", *failures])
        self.note(state)
        print(state, file=sys.stderr, flush=True)
        _say(f"{HALTED} {state}")

    # -- the safe state ----------------------------------------------------------------------------------------

    def _act(self, why: str) -> int:
        failures = self._halt(speak)
        try:
            self._bring_to_safe_state()
        except Exception as error:  # it must be told, whatever it is
            told = "; ".join([f"{why}, and the safe state was not reached: {error}", *failures])
            self.note(told)
            print(told, file=sys.stderr, flush=True)
            _say(f"{FAILED} {told}")
            return 1
        self._forget()
        _say(f"{SAFE} {why}")
        return 0

    def _bring_to_safe_state(self) -> None:
        from stepwitness.bench.live import Bench, Parts
        from stepwitness.devices.clock import WallClock

        description, stop = self._description, self._description.stop
        if stop is not None and stop.by is StopMethod.SUPPLY:
            self._cut_supply()
            return
        parts = {"drive": self._taken_over("drive")}
        parts["drive"].halt()
        for role in _TAKEN_OVER[1:]:
            if role in description.parts():
                with contextlib.suppress(StepwitnessError):  # the safe state says what it lacks
                    parts[role] = self._taken_over(role)
        Bench(description, Parts.built(parts), WallClock(), simulated=False, over="live").to_safe_state()

    def _cut_supply(self) -> None:
        supply = self._taken_over("supply")
        supply.set_output(False)
        if "brake" in self._description.parts():
            with contextlib.suppress(StepwitnessError):  # without supply its springs have closed it already
                self._taken_over("brake").close()
        if supply.output():
            raise StepwitnessError("the supply's output is still on")

    def _taken_over(self, role: str) -> Any:
        """The part, on the owner's descriptor where its kind can, else opened anew by its name."""
        part = self._description.parts()[role]
        descriptor = self._descriptors.get(role)
        if descriptor is not None and part.kind in LINES:
            inherited = Part(part.kind, {**part.options, "port": f"{SCHEME}://{descriptor}"}, part.place)
            try:
                taken = self._built(role, inherited)
                taken.identity()
                return taken
            except StepwitnessError:
                pass
        self._close(role)  # it would keep the port, or the only connection
        for _ in range(_TAKE_OVERS - 1):
            try:
                return self._built(role, part)
            except StepwitnessError:
                time.sleep(_BETWEEN_S)
        return self._built(role, part)

    def _built(self, role: str, part: Part) -> Any:
        from stepwitness.devices.catalog import build
        from stepwitness.devices.clock import WallClock

        return build(role, part, self._description.axis, WallClock())


def _load(description: BenchDescription) -> None:
    """Import now what the take-over will need: a disk may be slow, or gone, when it counts."""
    import importlib

    import stepwitness.bench.live
    import stepwitness.bench.safe_state
    import stepwitness.devices.catalog  # noqa: F401

    modules = {"text-line": "text_line", "pulse-generator": "pulse_generator", "modbus": "modbus", "cia402": "cia402"}
    module = modules.get(description.drive.kind)
    if module is not None:
        importlib.import_module(f"stepwitness.devices.drives.{module}")


if __name__ == "__main__":
    sys.exit(main())
