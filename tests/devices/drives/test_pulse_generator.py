"""The host-counted drive over the stand-in's generator in memory, on virtual time."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.conformance import DRIVE_CHECKS, Check, Subject
from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.drives.pulse_generator import PULSE_COMMANDS, PulseGeneratorDrive
from stepwitness.devices.errors import DeviceError, NoReply, NotStarted, Refused
from stepwitness.devices.text_line import TextLine
from stepwitness.errors import Place
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig
from stepwitness.standin.text_protocol import TextProtocol, pulse_words

ENCODER = Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR)
AXIS = Axis("doser", 200, 16, Fraction(1, 500), Fraction(3, 50), Orientation.HORIZONTAL, ENCODER)


class Memory:
    """A link to a protocol in memory. `lose` sees each request and says what is lost: "", "request" or "reply"."""

    name = "generator"

    def __init__(self, protocol: TextProtocol, clock: VirtualClock) -> None:
        self._protocol, self._clock = protocol, clock
        self.lose: Callable[[str], str] = lambda _: ""
        self._coming = b""

    def write(self, data: bytes) -> None:
        for line in data.decode().splitlines():
            lost = self.lose(line)
            reply = None if lost == "request" else self._protocol.answer(line)
            if reply is not None and lost != "reply":
                self._coming += reply.encode() + b"\n"

    def read(self) -> bytes:
        self._clock.sleep(0.001)
        data, self._coming = self._coming, b""
        return data

    def discard(self) -> None:
        self._coming = b""

    def close(self) -> None: ...


class Bench:
    def __init__(self, options: dict[str, str] | None = None) -> None:
        self.clock = VirtualClock()
        self.rig = Rig(AXIS, preset("doser"), self.clock)
        self.link = Memory(TextProtocol(pulse_words(self.rig.drive())), self.clock)
        commands = PULSE_COMMANDS.with_options(options or {}, Place())
        line = TextLine(self.link, self.clock, commands, timeout_s=0.05, reopen=lambda: self.link)
        self.drive = PulseGeneratorDrive(line)
        self.drive.set_speed(8000.0)
        self.drive.set_acceleration(80_000.0)
        self.drive.set_run_current(1.2)
        self.drive.set_hold_current(0.6)
        self.drive.enable()

    def rest(self) -> None:
        while self.drive.status().moving:
            self.clock.sleep(0.005)
        self.clock.sleep(0.2)


@pytest.mark.parametrize("check", DRIVE_CHECKS, ids=lambda check: check.__name__)
def test_a_generator_that_tells_what_it_sent_is_a_drive_like_any_other(check: Check) -> None:
    bench = Bench()
    bench.drive.set_position(160)
    counts = float(AXIS.counts_of_microsteps(1))
    check(
        Subject(
            clock=bench.clock,
            drive=bench.drive,
            counter=bench.rig.counter(),
            reach=1600,
            speed=8000.0,
            acceleration=80_000.0,
            run_current_a=1.2,
            hold_current_a=0.6,
            counts_per_microstep=counts,
            outputs=(1, 2),
        )
    )


def test_the_claim_starts_unknown_and_no_move_starts_from_there() -> None:
    bench = Bench()
    for act in (bench.drive.position, lambda: bench.drive.start_move_by(10), lambda: bench.drive.start_move_to(10)):
        with pytest.raises(Refused, match="isn't known: nobody has set it; reference it again"):
            act()
    assert bench.rig.truth().pulses == 0


def test_a_generator_that_does_not_tell_is_counted_at_rest_and_unknown_after_a_halt() -> None:
    bench = Bench({"sent.send": ""})
    bench.drive.set_position(0)
    bench.drive.start_move_by(2000)
    with pytest.raises(Refused, match="doesn't tell where it is while it moves"):
        bench.drive.position()
    bench.rest()
    assert bench.drive.position() == 2000
    bench.drive.start_move_by(-2000)
    bench.clock.sleep(0.05)
    bench.drive.halt()
    bench.rest()
    with pytest.raises(Refused, match="a move was cut short, and the generator doesn't tell"):
        bench.drive.position()
    bench.drive.set_position(7)
    assert bench.drive.position() == 7


def test_after_a_lost_reply_the_claim_is_what_was_sent_or_unknown_and_the_error_says_so() -> None:
    bench = Bench()
    bench.drive.set_position(0)
    bench.link.lose = lambda line: "reply" if "pulses" in line else ""
    bench.drive.start_move_by(800)
    bench.link.lose = lambda line: "request" if "pulses" in line else ""
    bench.rest()
    assert bench.drive.position() == 800
    with pytest.raises(NotStarted):
        bench.drive.start_move_by(300)
    assert bench.drive.position() == 800 == bench.rig.truth().pulses
    # The same number again: the last one sent as many, and nothing tells the two apart.
    with pytest.raises(NoReply, match="whether 800 pulses were sent isn't known"):
        bench.drive.start_move_by(800)
    with pytest.raises(Refused, match="isn't known: whether 800 pulses were sent"):
        bench.drive.position()


@given(
    number=st.integers(0, 12),
    lost=st.sampled_from(["request", "reply"]),
    tells=st.booleans(),
    steps=st.integers(-900, 900),
)
def test_whichever_exchange_is_lost_the_claim_is_the_truth_or_unknown(
    number: int, lost: str, tells: bool, steps: int
) -> None:
    bench, count = Bench({} if tells else {"sent.send": ""}), 0
    bench.drive.set_position(0)

    def lose(_: Any) -> str:
        nonlocal count
        count += 1
        return lost if count == number + 1 else ""

    bench.link.lose = lose
    for move in (500, steps):
        with contextlib.suppress(DeviceError):
            bench.drive.start_move_by(move)
        bench.clock.sleep(1.0)
    bench.link.lose = lambda _: ""
    truth = bench.rig.truth().pulses
    assert truth in (0, 500, steps, 500 + steps)
    try:
        claim = bench.drive.position()
    except Refused:
        return
    assert claim == truth


def test_a_link_that_was_lost_leaves_the_claim_unknown() -> None:
    bench = Bench()
    bench.drive.set_position(5)
    bench.drive.reconnect()
    with pytest.raises(Refused, match="the link was lost meanwhile"):
        bench.drive.position()
