"""What the stand-ins say on a line of text: one line in, one line out, no I/O.

1. A request may carry a tag, ``@17 position?``; its reply carries the same, ``@17 3200``.
2. A request that is understood and done answers ``ok`` or its value; one that isn't answers ``refused: why``.
3. An empty line gets no answer: it ends a half-written line of somebody who is gone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from stepwitness.devices.checksums import Seal
from stepwitness.devices.errors import DeviceError, OutOfRange
from stepwitness.devices.interfaces import (
    Brake,
    ClosedLoopSettings,
    ClosesLoop,
    Drag,
    Drive,
    EncoderCounter,
    Gauge,
    HaltOption,
    Identity,
    Inputs,
    InputState,
    Side,
    Supply,
)

Words = Mapping[str, Callable[..., object]]
"""Regular expression of a request -> what answers it, given the expression's groups. None answers ``ok``."""

_TAG = re.compile(r"@(\d{1,9}) +")
_WHOLE = r"([-+]?\d{1,18})"
_NUMBER = r"([-+]?\d[\d.]*(?:e[-+]?\d+)?)"
LONGEST_REQUEST = 400


class TextProtocol:
    """Answers lines by a table of words; `seal` is the checksum that lines carry, both ways."""

    def __init__(self, words: Words, *, seal: Seal | None = None) -> None:
        self._seal = seal
        self._words = [(re.compile(pattern), answer) for pattern, answer in words.items()]

    def answer(self, line: str) -> str | None:
        """The reply to one line, without its end; None where there is none."""
        line = line.strip()
        if not line:
            return None
        if self._seal is None:
            return self._answer(line)
        opened = self._seal.take(line)
        # What came mangled has no answer, as nobody knows what was asked.
        return None if opened is None else self._seal.put(self._answer(opened))

    def _answer(self, line: str) -> str:
        tag = _TAG.match(line)
        lead, request = (f"@{tag[1]} ", line[tag.end() :]) if tag else ("", line)
        return lead + self._reply(" ".join(request.split()))

    def _reply(self, request: str) -> str:
        if len(request) > LONGEST_REQUEST:
            return "refused: a line that is too long"
        for pattern, answer in self._words:
            match = pattern.fullmatch(request)
            if match is None:
                continue
            try:
                value = answer(*match.groups())
            except OutOfRange:
                return "out of range"
            except (DeviceError, ValueError) as error:
                return f"refused: {_one_line(str(error))}"
            return "ok" if value is None else str(value)
        return f"refused: not understood: {_one_line(request[:60])}"


def _one_line(text: str) -> str:
    return " ".join(text.split()).encode("ascii", errors="replace").decode("ascii")


def _identity(identity: Callable[[], Identity]) -> Words:
    def told() -> str:
        found = identity()
        fields = (found.maker, found.model, found.serial, found.version)
        return ";".join(field.replace(";", ",") for field in fields)

    return {r"identity\?": told}


def _on_off(on: bool) -> str:
    return "on" if on else "off"


def drive_words(drive: Drive) -> Words:
    """Positions in microsteps, speeds in microsteps per second, currents in amperes."""

    def status() -> str:
        found = drive.status()
        words = f"{'enabled' if found.enabled else 'disabled'} {'moving' if found.moving else 'resting'}"
        return f"{words} fault: {_one_line(found.fault)}" if found.fault else words

    return {
        **_identity(drive.identity),
        "enable": drive.enable,
        "disable": drive.disable,
        "halt": drive.halt,
        r"status\?": status,
        r"position\?": drive.position,
        f"set position {_WHOLE}": lambda value: drive.set_position(int(value)),
        f"move by {_WHOLE}": lambda value: drive.start_move_by(int(value)),
        f"move to {_WHOLE}": lambda value: drive.start_move_to(int(value)),
        f"speed {_NUMBER}": lambda value: drive.set_speed(float(value)),
        f"acceleration {_NUMBER}": lambda value: drive.set_acceleration(float(value)),
        f"run current {_NUMBER}": lambda value: drive.set_run_current(float(value)),
        f"hold current {_NUMBER}": lambda value: drive.set_hold_current(float(value)),
        r"output (\d{1,3}) (on|off)": lambda number, state: drive.set_output(int(number), state == "on"),
        r"output (\d{1,3})\?": lambda number: _on_off(drive.output(int(number))),
    }


def loop_words(drive: ClosesLoop) -> Words:
    """What a drive that watches an encoder of its own understands besides."""

    def configure(*texts: str) -> None:
        window, timeout_s, position_window, position_time_s, attempts, halt, quick_stop, reaction = texts
        drive.configure_loop(
            ClosedLoopSettings(
                following_error_window=float(window),
                following_error_timeout_s=float(timeout_s),
                position_window=float(position_window),
                position_window_time_s=float(position_time_s),
                attempts=int(attempts),
                halt_option=HaltOption(int(halt)),
                quick_stop_option=HaltOption(int(quick_stop)),
                fault_reaction_option=HaltOption(int(reaction)),
            )
        )

    def status() -> str:
        found = drive.loop_status()
        alarm = "alarm" if found.alarm else "quiet"
        reached = "reached" if found.target_reached else "travelling"
        return f"error {found.following_error!r} {alarm} {reached} attempts {found.attempts_made}"

    options = r"options (\d) (\d) (\d)"
    windows = f"loop following {_NUMBER} {_NUMBER} position {_NUMBER} {_NUMBER}"
    return {
        rf"{windows} attempts (\d{{1,9}}) {options}": configure,
        r"loop\?": status,
        "clear alarm": drive.clear_alarm,
    }


def pulse_words(drive: Drive) -> Words:
    """A pulse generator: it takes numbers of pulses, tells how many of the last it sent, and knows no position."""
    started_at = drive.position()

    def start(pulses: str) -> None:
        nonlocal started_at
        before = drive.position()
        drive.start_move_by(int(pulses))
        started_at = before

    words = drive_words(drive)
    kept = {pattern: words[pattern] for pattern in words if "position" not in pattern and "move" not in pattern}
    return {**kept, f"pulses {_WHOLE}": start, r"sent\?": lambda: drive.position() - started_at}


def counter_words(counter: EncoderCounter) -> Words:
    """Counts; and those of one instant, kept until they are asked for."""
    latched = 0

    def latch() -> None:
        nonlocal latched
        latched = counter.counts()

    return {
        **_identity(counter.identity),
        r"counts\?": counter.counts,
        r"faults\?": counter.faults,
        "latch": latch,
        r"latched\?": lambda: latched,
    }


def gauge_words(gauge: Gauge) -> Words:
    """Travel in millimetres to a tenth of a nanometre, as a serial indicator writes it."""
    return {**_identity(gauge.identity), r"travel\?": lambda: f"{1e3 * gauge.travel_m():+.7f} mm"}


def supply_words(supply: Supply) -> Words:
    return {
        **_identity(supply.identity),
        "output (on|off)": lambda state: supply.set_output(state == "on"),
        r"output\?": lambda: _on_off(supply.output()),
        r"voltage\?": lambda: f"{supply.voltage_v()!r} V",
    }


def brake_words(brake: Brake) -> Words:
    return {
        **_identity(lambda: Identity(model="stand-in brake")),
        "close": brake.close,
        "open": brake.open,
        r"brake\?": lambda: "closed" if brake.is_closed() else "open",
    }


def drag_words(drag: Drag) -> Words:
    return {
        **_identity(lambda: Identity(model="stand-in drag")),
        f"force {_NUMBER} N": lambda value: drag.set_force(float(value)),
    }


def inputs_words(inputs: Inputs) -> Words:
    return {
        **_identity(lambda: Identity(model="stand-in inputs")),
        r"inputs\?": lambda: _inputs(inputs.read()),
    }


def _inputs(state: InputState) -> str:
    limits = " ".join(side.value for side in (Side.LOW, Side.HIGH) if side in state.limits) or "none"
    return f"limits {limits}; stop circuit {'closed' if state.stop_circuit_closed else 'open'}"
