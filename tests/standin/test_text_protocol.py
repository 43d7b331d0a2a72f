"""The words of the stand-ins, against parts of a few lines; and that our own parts speak just these words."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.checksums import CHECKSUMS, Seal
from stepwitness.devices.errors import OutOfRange, Refused
from stepwitness.devices.interfaces import Identity, InputState, Side
from stepwitness.standin.text_protocol import (
    LONGEST_REQUEST,
    TextProtocol,
    Words,
    counter_words,
    gauge_words,
    inputs_words,
    pulse_words,
)


class _Gauge:
    reading_m = 0.0123456

    def identity(self) -> Identity:
        return Identity("Tarnbrook", "dial; old", "0007")

    def travel_m(self) -> float:
        if self.reading_m > 0.05:
            raise OutOfRange("the tip has left the range")
        return self.reading_m


def _refusing() -> None:
    raise Refused("disabled\nand more")


WORDS: Words = {
    "go": lambda: None,
    r"value (\d+)": lambda text: int(text) + 1,
    "no": _refusing,
    "bad": lambda: int("x"),
}


@pytest.mark.parametrize(
    ("line", "reply"),
    [
        ("go", "ok"),
        ("  go ", "ok"),
        ("@17 go", "@17 ok"),
        ("@17   value   41", "@17 42"),
        ("no", "refused: disabled and more"),
        ("@3 no", "@3 refused: disabled and more"),
        ("bad", "refused: invalid literal for int() with base 10: 'x'"),
        ("@17", "refused: not understood: @17"),
        ("fly", "refused: not understood: fly"),
        ("gogo", "refused: not understood: gogo"),
        ("", None),
        ("   ", None),
        ("x" * (LONGEST_REQUEST + 1), "refused: a line that is too long"),
    ],
)
def test_one_line_in_one_line_out(line: str, reply: str | None) -> None:
    assert TextProtocol(WORDS).answer(line) == reply


@given(st.text(max_size=60))
def test_any_line_is_answered_in_one_ascii_line(line: str) -> None:
    reply = TextProtocol(WORDS).answer(line)
    assert reply is None or (reply.isascii() and "\n" not in reply)
    assert (reply is None) == (not line.strip())


def test_a_gauge_speaks_millimetres() -> None:
    gauge = _Gauge()
    protocol = TextProtocol(gauge_words(gauge))
    assert protocol.answer("travel?") == "+12.3456000 mm"
    assert protocol.answer("identity?") == "Tarnbrook;dial, old;0007;"
    gauge.reading_m = 0.06
    assert protocol.answer("travel?") == "out of range"


def test_inputs_are_told_in_words() -> None:
    class Inputs:
        def read(self) -> InputState:
            return InputState(frozenset({Side.HIGH, Side.LOW}), stop_circuit_closed=False)

    assert TextProtocol(inputs_words(Inputs())).answer("inputs?") == "limits low high; stop circuit open"


def test_lines_with_a_checksum_are_answered_with_one_and_mangled_ones_not_at_all() -> None:
    seal = Seal(CHECKSUMS["crc16-ccitt"])
    protocol = TextProtocol({r"say (\w+)": lambda word: word}, seal=seal)
    assert protocol.answer(seal.put("@4 say on")) == seal.put("@4 on")
    assert protocol.answer(seal.put("nonsense")) == seal.put("refused: not understood: nonsense")
    assert protocol.answer("say on") is None
    assert protocol.answer(seal.put("say on").replace("say", "sad")) is None


def test_a_pulse_generator_tells_what_it_sent_and_no_position(bench: Any) -> None:
    protocol = TextProtocol(pulse_words(bench.drive))
    assert protocol.answer("pulses 400") == "ok"
    bench.finish()
    assert protocol.answer("sent?") == "400"
    assert protocol.answer("pulses -150") == "ok"
    bench.finish()
    assert protocol.answer("sent?") == "-150"
    assert str(protocol.answer("position?")).startswith("refused")
    assert str(protocol.answer("move to 0")).startswith("refused")
    assert bench.drive.position() == 250


def test_a_counter_keeps_what_it_latched(bench: Any) -> None:
    protocol = TextProtocol(counter_words(bench.counter))
    assert protocol.answer("latch") == "ok"
    before = protocol.answer("counts?")
    bench.move(1.0)
    assert protocol.answer("latched?") == before
    assert protocol.answer("counts?") != before
