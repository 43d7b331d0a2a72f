"""SDO as in CiA 301 (from memory)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.standin.can_protocol import LONGEST_LINE, NOT_UNDERSTOOD, OK, Abort, SdoServer, SlcanResponder


class Objects:
    """A text, a number that can be written, and one that can't."""

    def __init__(self) -> None:
        self.values = {(0x1008, 0): b"stand-in drive", (0x607A, 0): b"\x01\x02\x03\x04", (0x6041, 0): b"\x27\x06"}

    def read(self, index: int, sub: int) -> bytes:
        if (index, sub) not in self.values:
            raise Abort(Abort.NO_OBJECT)
        return self.values[index, sub]

    def write(self, index: int, sub: int, data: bytes) -> None:
        if (index, sub) != (0x607A, 0):
            raise Abort(Abort.READ_ONLY)
        self.values[index, sub] = data


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        ("40 41 60 00 00000000", "4b 41 60 00 2706 0000"),
        ("40 7a 60 00 00000000", "43 7a 60 00 01020304"),
        ("23 7a 60 00 0a000000", "60 7a 60 00 00000000"),
        ("2b 41 60 00 0f000000", "80 41 60 00 02000106"),
        ("40 99 99 00 00000000", "80 99 99 00 00000206"),
        ("21 7a 60 00 08000000", "80 7a 60 00 01000405"),
        ("40 08 10 00 00000000", "41 08 10 00 0e000000"),
    ],
)
def test_objects_are_read_and_written(question: str, answer: str) -> None:
    told = SdoServer(Objects()).answer(bytes.fromhex(question))
    assert told is not None
    assert told.hex() == bytes.fromhex(answer).hex()


def test_a_text_comes_in_segments_with_alternating_toggle() -> None:
    server = SdoServer(Objects())
    server.answer(bytes.fromhex("4008100000000000"))
    first, second = server.answer(b"\x60" + bytes(7)), server.answer(b"\x70" + bytes(7))
    assert first == b"\x00stand-i"
    assert second == b"\x11n drive"
    assert server.answer(b"\x70" + bytes(7)) == b"\x80\0\0\0" + (0x05030000).to_bytes(4, "little")


@pytest.mark.parametrize("frame", [b"", b"\x40\x41\x60", bytes.fromhex("8041600000000405")])
def test_an_abort_and_a_short_frame_have_no_answer(frame: bytes) -> None:
    assert SdoServer(Objects()).answer(frame) is None


READ = b"t60184041600000000000\r"
ANSWER = b"t58184B41600027060000\r"


def test_the_adapter_passes_frames_on_only_while_it_is_open() -> None:
    adapter = SlcanResponder({1: Objects()})
    assert adapter.hear(READ) == NOT_UNDERSTOOD
    assert adapter.hear(b"C\rS6\r\rO\r") == OK * 4
    assert adapter.hear(READ) == ANSWER
    assert adapter.hear(READ.replace(b"601", b"602")) == b""
    assert adapter.hear(b"C\r" + READ) == OK + NOT_UNDERSTOOD


@pytest.mark.parametrize(
    "line", [b"t", b"t6018", b"t601840", b"t60194041600000000000", b"x", b"t60x84041600000000000", b"\xff"]
)
def test_a_line_that_is_no_frame_changes_nothing(line: bytes) -> None:
    adapter = SlcanResponder({1: Objects()})
    adapter.hear(b"O\r")
    assert adapter.hear(line + b"\r") == NOT_UNDERSTOOD
    assert adapter.hear(READ) == ANSWER


@given(places=st.lists(st.integers(0, len(READ)), max_size=4))
def test_a_frame_is_answered_however_it_arrives(places: list[int]) -> None:
    adapter = SlcanResponder({1: Objects()})
    adapter.hear(b"O\r")
    edges = [0, *sorted(places), len(READ)]
    assert b"".join(adapter.hear(READ[start:end]) for start, end in pairwise(edges)) == ANSWER


@given(st.lists(st.binary(max_size=100), max_size=8))
def test_no_bytes_break_the_adapter(chunks: list[bytes]) -> None:
    adapter = SlcanResponder({1: Objects()})
    adapter.hear(b"O\r")
    for chunk in chunks:
        adapter.hear(chunk)
        assert len(adapter._rest) <= LONGEST_LINE


@given(st.binary(min_size=8, max_size=8))
def test_every_frame_has_an_answer_of_eight_bytes_or_none(frame: bytes) -> None:
    answer = SdoServer(Objects()).answer(frame)
    assert answer is None or len(answer) == 8
