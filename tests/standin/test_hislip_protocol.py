"""Messages as in IVI-6.1 (from memory); the client of pyvisa-py is the outside check, see the SCPI parts."""

from __future__ import annotations

from struct import pack, unpack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.standin.hislip_protocol import HEADER, HEADER_SIZE, LONGEST_MESSAGE, Kind, hislip, message


class Echo:
    def answer(self, line: str) -> str | None:
        return line.upper() if line.endswith("?") else None


def _read(data: bytes) -> list[tuple[int, int, int, bytes]]:
    found = []
    while data:
        prologue, kind, control, parameter, size = unpack(HEADER, data[:HEADER_SIZE])
        assert prologue == b"HS"
        found.append((kind, control, parameter, data[HEADER_SIZE : HEADER_SIZE + size]))
        data = data[HEADER_SIZE + size :]
    return found


def test_a_session_has_a_number_and_a_reply_the_number_of_its_question() -> None:
    opener = hislip(Echo())
    first, second = opener(), opener()
    told = [_read(one.hear(message(Kind.INITIALIZE, 0, 0x01000000, b"hislip0")))[0] for one in (first, second)]
    assert [kind for kind, *_ in told] == [Kind.INITIALIZE_RESPONSE] * 2
    assert told[0][2] & 0xFFFF != told[1][2] & 0xFFFF
    question = message(Kind.DATA, 0, 7, b"re") + message(Kind.DATA_END, 0, 9, b"ad?\n")
    assert _read(first.hear(question[:20]) + first.hear(question[20:])) == [(Kind.DATA_END, 0, 9, b"READ?\n")]
    assert first.hear(message(Kind.DATA_END, 0, 11, b"OUTP ON\n")) == b""


def test_a_clear_forgets_half_a_question() -> None:
    one = hislip(Echo())()
    one.hear(message(Kind.DATA, 0, 1, b"half"))
    assert _read(one.hear(message(Kind.CLEAR_COMPLETE)))[0][0] == Kind.CLEAR_ACKNOWLEDGE
    assert _read(one.hear(message(Kind.DATA_END, 0, 3, b"a?")))[0][3] == b"A?\n"


@pytest.mark.parametrize(
    "data", [b"GET / HTTP/1.1\r\n\r\n", pack(HEADER, b"HS", Kind.DATA, 0, 0, LONGEST_MESSAGE + 1)], ids=["http", "huge"]
)
def test_what_is_no_message_ends_the_connection(data: bytes) -> None:
    one = hislip(Echo())()
    assert _read(one.hear(data))[0][0] == Kind.FATAL_ERROR
    assert one.hear(message(Kind.DATA_END, 0, 1, b"a?")) == b""


def test_an_unknown_message_is_an_error_and_the_next_is_answered() -> None:
    one = hislip(Echo())()
    assert _read(one.hear(pack(HEADER, b"HS", 99, 0, 0, 0)))[0][0] == Kind.ERROR
    assert _read(one.hear(message(Kind.DATA_END, 0, 1, b"a?")))[0][3] == b"A?\n"


@given(st.lists(st.binary(max_size=80), max_size=8))
def test_no_bytes_break_it(chunks: list[bytes]) -> None:
    one = hislip(Echo())()
    for chunk in chunks:
        _read(one.hear(chunk))
