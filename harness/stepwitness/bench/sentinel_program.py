"""The sentinel itself: waits until its owner is gone or silent, then stops the axis.

    python -m stepwitness.bench.sentinel_program        (started by `stepwitness.bench.sentinel`, never by hand)

1. Whatever it needs is loaded before it says that it stands; then it only waits.
2. Death of the owner: a line end and the halt go out at once, then the bench is taken over and brought to its safe
   state. Silence of an owner that isn't dead: the halt alone, as the line still belongs to that owner.
3. The lock and the descriptors are held until the axis is safe. A note that stays behind says that it isn't.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from stepwitness.bench.description import BenchDescription, Part, StopMethod
from stepwitness.bench.lock import FOR_ALL_USERS
from stepwitness.bench.sentinel import ACT, BEAT, DISARM, ECHO, FAILED, HALTED, READY, SAFE
from stepwitness.devices.inherited import SCHEME, write_all
from stepwitness.errors import StepwitnessError

DIED, GONE = b"died", b"gone"
"""The owner's process has ended; its pipe has."""

_TAKEN_OVER = ("drive", "counter", "gauge", "brake")
"""Parts that the safe state needs, the drive first; one that can't be had doesn't keep the others from it."""

_LOCK_S = 5.0
_POLL_S = 0.002
_SYNCHRONIZE, _INFINITE = 0x0010_0000, 0xFFFF_FFFF


def main() -> int:
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK", "SIGPIPE"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    orders = json.loads(_first_line())
    events: queue.SimpleQueue[bytes] = queue.SimpleQueue()
    _in_background(lambda: _watch_owner(orders["owner_pid"], events))
    try:
        from filelock import FileLock, Timeout

        lock = FileLock(orders["lock"], mode=FOR_ALL_USERS)
        try:
            lock.acquire(timeout=_LOCK_S)
        except Timeout:
            raise StepwitnessError("another owner has come first") from None
        guard = Guard(orders)
        guard.note("armed")
    except (StepwitnessError, OSError) as error:
        _say(f"{FAILED} {error}")
        return 1
    _say(READY)
    _in_background(lambda: _hear(events))
    try:
        return guard.wait(events)
    finally:
        guard.let_go()  # before the lock: whoever waits for it opens these ports next
        lock.release()


def _in_background(work: Callable[[], None]) -> None:
    threading.Thread(target=work, daemon=True).start()


def _first_line() -> bytes:
    """The orders, read byte by byte so that nothing behind them is swallowed."""
    line = bytearray()
    while not line.endswith(b"\n"):
        byte = os.read(0, 1)
        if not byte:
            break
        line += byte
    return bytes(line)


def _say(word: str) -> None:
    with contextlib.suppress(OSError):
        os.write(1, word.replace("\n", " ").encode(errors="replace") + b"\n")


def _hear(events: queue.SimpleQueue[bytes]) -> None:
    while data := os.read(0, 4096):
        for byte in data:
            events.put(bytes([byte]))
    events.put(GONE)


def _watch_owner(pid: int, events: queue.SimpleQueue[bytes]) -> None:
    """Wait for the end of process `pid` by a handle, which no child of it and no stopped state can fool."""
    if os.name == "nt":
        _wait_for_handle(pid)
    elif hasattr(os, "pidfd_open"):
        _wait_for_pidfd(pid)
    else:
        while os.getppid() == pid:
            time.sleep(_POLL_S)
    events.put(DIED)


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
        self._halts = [(one["descriptor"], bytes.fromhex(one["words"])) for one in orders["halts"]]
        self._description: BenchDescription = parse_bench(orders["text"], orders["path"])
        self._note = Path(orders["note"])
        self._halted = False
        self._second: Callable[[], object] | None = self._second_way()
        _load(self._description)

    def let_go(self) -> None:
        """Close every descriptor that was inherited."""
        for descriptor in self._orders["descriptors"].values():
            with contextlib.suppress(OSError):
                os.close(descriptor)

    def note(self, state: str) -> None:
        text = json.dumps({"owner": self._orders["owner"], "state": state, "pid": os.getpid()})
        draft = self._note.with_suffix(f".{os.getpid()}")
        draft.write_text(text, encoding="utf-8")
        draft.replace(self._note)

    def wait(self, events: queue.SimpleQueue[bytes]) -> int:
        """Until the owner disarms, or is gone; the exit code says whether the axis is known to be safe."""
        while True:
            try:
                event = events.get(timeout=None if self._halted else self._orders["silence_s"])
            except queue.Empty:
                self._halt_a_silent_owners_axis()
                continue
            if event == BEAT:
                _say(ECHO)
            elif event == DISARM:
                self._note.unlink(missing_ok=True)
                return 0
            elif event in (DIED, GONE, ACT):
                return self._act({DIED: "the owner died", GONE: "the owner's pipe closed"}.get(event, "asked to act"))

    # -- ways to halt ------------------------------------------------------------------------------------------

    def _second_way(self) -> Callable[[], object] | None:
        """A way of its own, opened beforehand: the drive's second port, or a supply that no descriptor leads to."""
        from stepwitness.devices.catalog import build
        from stepwitness.devices.clock import WallClock

        stop, description = self._description.stop, self._description
        if stop is None or self._halts:
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

    def _halt(self) -> list[str]:
        """Stop the axis by the quickest way there is; returns what went wrong."""
        failures = []
        for descriptor, words in self._halts:
            try:
                write_all(descriptor, words, name="the owner's line")
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
        failures = self._halt()
        if not self._halts and self._second is None:
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
        failures = self._halt()
        try:
            self._bring_to_safe_state()
        except Exception as error:  # it must be told, whatever it is
            told = "; ".join([f"{why}, and the safe state was not reached: {error}", *failures])
            self.note(told)
            print(told, file=sys.stderr, flush=True)
            _say(f"{FAILED} {told}")
            return 1
        self._note.unlink(missing_ok=True)
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
        """The part, on the owner's descriptor where that works, else opened anew by its name."""
        from stepwitness.devices.catalog import build
        from stepwitness.devices.clock import WallClock

        part, axis = self._description.parts()[role], self._description.axis
        descriptor = self._orders["descriptors"].get(role)
        if descriptor is not None and part.kind in ("text-line", "pulse-generator"):
            inherited = Part(part.kind, {**part.options, "port": f"{SCHEME}://{descriptor}"}, part.place)
            try:
                taken = build(role, inherited, axis, WallClock())
                taken.identity()
                return taken
            except StepwitnessError:
                with contextlib.suppress(OSError):  # it would keep the port locked
                    os.close(descriptor)
        return build(role, part, axis, WallClock())


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
