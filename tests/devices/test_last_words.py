"""What is said over a descriptor that a dead owner left: it stops the stand-ins whatever was half said before it."""

from __future__ import annotations

import os
import pickle
import socket
import threading
import time
from collections.abc import Callable, Iterator
from struct import pack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.drives.cia402_last_words import Cia402Words
from stepwitness.devices.drives.modbus import DRIVE_MAP
from stepwitness.devices.errors import LinkLost, NoReply
from stepwitness.devices.last_words import LastWords, Told, speak, tell
from stepwitness.devices.modbus_last_words import ModbusWords, write_request
from stepwitness.standin.can_protocol import Abort, SlcanResponder
from stepwitness.standin.modbus_protocol import Bank, RtuResponder, TcpResponder, crc

HALT = tuple(write_request(register, words) for register, words in DRIVE_MAP.scripts["halt"].writes())
READ = bytes((4, 0, 0, 0, 4))
MOVE = pack(">BHHB3H", 16, 0, 3, 6, 6, 0, 800)
ENABLED = 0x000F


class Heard:
    """A Modbus unit that notes the words of each command."""

    def __init__(self) -> None:
        self.commands: list[int] = []
        self.bank = Bank(
            inputs={0: lambda: [0] * 8},
            writes={
                (0, 1): lambda words: self.commands.append(words[0]),
                (0, 3): lambda words: self.commands.append(words[0]),
            },
        )

    @property
    def halted(self) -> bool:
        return bool(self.commands) and self.commands[-1] == 3


class Controlword:
    """A CANopen node of a controlword alone; `answers` False is one that can't be heard."""

    def __init__(self, word: int) -> None:
        self.word = word

    def read(self, index: int, sub: int) -> bytes:
        if (index, sub) != (0x6040, 0):
            raise Abort(Abort.NO_OBJECT)
        return self.word.to_bytes(2, "little")

    def write(self, index: int, sub: int, data: bytes) -> None:
        assert (index, sub, len(data)) == (0x6040, 0, 2)
        self.word = int.from_bytes(data, "little")


def tries_until_confirmed(words: LastWords, respond: Callable[[bytes], bytes], *, most: int = 10) -> int:
    """How often it takes to begin, with a part that answers at once."""
    for number in range(1, most + 1):
        said = words.begin()
        while said and not words.confirmed:
            said = words.hear(respond(said))
        if words.confirmed:
            return number
    raise AssertionError("never confirmed")


def test_modbus_tcp_is_halted_by_one_try_and_not_confirmed_by_a_late_reply() -> None:
    heard, words = Heard(), ModbusWords(1, HALT)
    responder = TcpResponder({1: heard.bank})
    late = responder.hear(pack(">HHHB", 7, 0, 6, 1) + READ) + responder.hear(
        pack(">HHHB", 8, 0, len(HALT[0]) + 1, 1) + HALT[0]
    )
    first = words.begin()
    assert words.hear(late) == b""
    assert not words.confirmed
    assert words.hear(late[-5:] + responder.hear(first)) == b""
    assert words.confirmed
    assert heard.halted


@given(cut=st.integers(0, 19), request_=st.sampled_from([READ, MOVE, HALT[0]]))
def test_modbus_tcp_behind_part_of_a_request(cut: int, request_: bytes) -> None:
    heard = Heard()
    responder = TcpResponder({1: heard.bank})
    responder.hear((pack(">HHHB", 9, 0, len(request_) + 1, 1) + request_)[:cut])
    assert tries_until_confirmed(ModbusWords(1, HALT), responder.hear) <= 3
    assert heard.halted


@given(cut=st.integers(0, 16), request_=st.sampled_from([READ, MOVE, HALT[0]]), unit=st.sampled_from([1, 2]))
def test_modbus_rtu_behind_part_of_a_request(cut: int, request_: bytes, unit: int) -> None:
    """The stand-in ends a frame by 50 ms only; a unit that keeps to 3.5 characters is easier."""
    heard, now_s = Heard(), [0.0]
    words = ModbusWords(1, HALT, baud=115_200)
    responder = RtuResponder({1: heard.bank, 2: Heard().bank}, lambda: now_s[0])
    body = bytes((unit,)) + request_
    responder.hear((body + crc(body))[:cut])
    tries = 0

    def respond(said: bytes) -> bytes:
        nonlocal tries
        now_s[0] += words.silence_s * 2**tries
        tries += 1
        return responder.hear(said)

    assert tries_until_confirmed(words, respond) <= 7
    assert heard.halted
    if cut < len(body) + 2:
        assert 6 not in heard.commands, "no half of a move becomes one"


def test_modbus_waits_for_as_long_as_its_line_takes() -> None:
    """3.5 characters of 11 bits, and 1.75 ms above 19 200 baud (Modbus over Serial Line 1.02, 2.5.1.1; from memory)."""
    slow, quick, tcp = (ModbusWords(1, HALT, baud=baud) for baud in (9600, 115_200, 0))
    assert slow.silence_s == pytest.approx(3.5 * 11 / 9600)
    assert quick.silence_s == pytest.approx(1.75e-3)
    assert tcp.silence_s == 0.0
    assert slow.patience_s > (11 + 8) * 11 / 9600
    assert tcp.patience_s < 0.02


def test_modbus_says_several_writes_in_order_and_each_until_it_is_repeated() -> None:
    words = ModbusWords(1, (write_request_of(16, 1), HALT[0]))
    heard = Heard()
    responder = TcpResponder({1: heard.bank})
    first = words.begin()
    again = words.begin()
    assert first != again, "a transaction of its own"
    second = words.hear(responder.hear(again))
    assert second
    assert not words.confirmed
    words.hear(responder.hear(second))
    assert words.confirmed
    assert heard.commands == [16, 3]


def write_request_of(value: int, count: int) -> bytes:
    return pack(f">BHHB{count}H", 16, 0, count, 2 * count, value)


@pytest.mark.parametrize("word", [0x0F, 0x1F, 0x3F, 0x10F, 0x06, 0x00])
def test_canopen_keeps_the_bits_beside_the_halt(word: int) -> None:
    node = Controlword(word)
    assert tries_until_confirmed(Cia402Words(3, "slcan"), SlcanResponder({3: node}).hear) == 1
    assert node.word == word | 0x100


@given(cut=st.integers(0, 22), before=st.sampled_from([b"O\r", b"", b"O\rt60384041600000000000\r"]))
def test_canopen_behind_part_of_a_line_and_with_its_channel_closed(cut: int, before: bytes) -> None:
    node = Controlword(ENABLED)
    responder = SlcanResponder({3: node})
    responder.hear(before + b"t60382B4060003F000000"[:cut])
    assert tries_until_confirmed(Cia402Words(3, "slcan"), responder.hear) == 1
    assert node.word & 0x100


def test_canopen_halts_a_drive_that_cant_be_heard_at_the_second_try() -> None:
    node, words = Controlword(0x3F), Cia402Words(3, "slcan")
    responder = SlcanResponder({3: node})
    responder.hear(words.begin())
    assert node.word == 0x3F
    responder.hear(words.begin())
    assert node.word == 0x10F
    assert not words.confirmed


def test_canopen_asks_again_at_once_where_a_transfer_was_left_open_and_no_more_than_once() -> None:
    """Abort 05040001h, command specifier not valid (CiA 301; from memory)."""
    words = Cia402Words(3, "slcan")
    words.begin()
    abort = b"t583880" + b"081000" + b"01000405\r"
    assert words.hear(abort) == b"t60384040600000000000\r"
    assert words.hear(abort) == b""
    assert words.hear(b"t58384B4060000F000000\r") == b"t60382B4060000F010000\r"
    assert words.hear(b"\rt5838604060") == b""
    assert words.hear(b"0000000000\r") == b"t60384040600000000000\r"
    words.hear(b"t58384B4060000F010000\r")
    assert words.confirmed


def test_canopen_isnt_confirmed_by_other_nodes_other_objects_or_garbage() -> None:
    words = Cia402Words(3, "slcan")
    words.begin()
    for line in (
        b"t58284B4060000F010000\r",
        b"t58384B4160000F010000\r",
        b"T58384B4060000F010000\r",
        b"t58\a\r\r\xff\r",
    ):
        assert words.hear(line) == b""
    assert not words.confirmed


def test_canopen_over_the_frames_of_socketcan() -> None:
    """struct can_frame of linux/can.h: identifier, length, three bytes of padding, eight of data."""
    words = Cia402Words(3, "socketcan")
    assert words.begin() == pack("=IB3x", 0x603, 8) + bytes.fromhex("4040600000000000")
    told = pack("=IB3x", 0x583, 8) + bytes.fromhex("4b4060000f000000")
    assert words.hear(told[:9]) == b""
    assert words.hear(told[9:]) == pack("=IB3x", 0x603, 8) + bytes.fromhex("2b4060000f010000")


@given(st.lists(st.binary(max_size=40), max_size=20), st.sampled_from(["slcan", "socketcan", "rtu", "tcp"]))
def test_no_bytes_break_or_confirm_it(pieces: list[bytes], form: str) -> None:
    words: LastWords = (
        Cia402Words(3, form) if form.endswith("can") else ModbusWords(1, HALT, baud=19_200 if form == "rtu" else 0)
    )
    words.begin()
    for piece in pieces:
        words.hear(piece)
    assert not words.confirmed


# -- on a descriptor -----------------------------------------------------------------------------------------------


@pytest.fixture
def ends() -> Iterator[tuple[socket.socket, socket.socket]]:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        yield ours, theirs


pytestmark = pytest.mark.skipif(os.name != "posix", reason="descriptors are of POSIX")


def serve(end: socket.socket, respond: Callable[[bytes], bytes]) -> threading.Thread:
    def work() -> None:
        while data := end.recv(4096):
            end.sendall(respond(data))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    return thread


def test_words_travel_as_a_pickle_and_stop_the_part_behind_a_descriptor(
    ends: tuple[socket.socket, socket.socket],
) -> None:
    ours, theirs = ends
    heard = Heard()
    responder = RtuResponder({1: heard.bank}, time.monotonic)
    serve(theirs, responder.hear)
    theirs.sendall(b"a reply to the dead")
    words = pickle.loads(pickle.dumps(ModbusWords(1, HALT, baud=115_200)))
    speak(words, ours.fileno(), name="the drive's line")
    assert heard.halted


def test_a_part_that_confirms_nothing_is_spoken_to_again_and_then_given_up(
    ends: tuple[socket.socket, socket.socket],
) -> None:
    ours, theirs = ends
    with pytest.raises(NoReply, match=r"the halt was sent 3 times and never confirmed"):
        speak(ModbusWords(1, HALT), ours.fileno(), name="the drive's line")
    assert theirs.recv(4096).count(HALT[0]) == 3


def test_words_without_an_answer_are_said_once(ends: tuple[socket.socket, socket.socket]) -> None:
    ours, theirs = ends
    speak(Told(b"\nhalt\n"), ours.fileno(), name="the drive's line")
    assert theirs.recv(4096) == b"\nhalt\n"


@pytest.mark.parametrize("form", ["told", "tcp", "rtu", "slcan"])
def test_where_nothing_may_be_read_it_is_said_twice_and_the_replies_stay(
    ends: tuple[socket.socket, socket.socket], form: str
) -> None:
    ours, theirs = ends
    heard, node = Heard(), Controlword(0x3F)
    words, respond = {
        "told": (Told(b"\nhalt\n"), lambda data: b"ok\n" * data.count(b"halt")),
        "tcp": (ModbusWords(1, HALT), TcpResponder({1: heard.bank}).hear),
        "rtu": (ModbusWords(1, HALT, baud=115_200), RtuResponder({1: heard.bank}, time.monotonic).hear),
        "slcan": (Cia402Words(3, "slcan"), SlcanResponder({3: node}).hear),
    }[form]
    theirs.sendall(b"a reply to the owner")
    tell(words, ours.fileno(), name="the drive's line")  # type: ignore[arg-type]
    replies = respond(theirs.recv(4096))
    assert replies
    assert ours.recv(4096) == b"a reply to the owner"
    assert heard.halted or node.word == 0x10F or form == "told"


def test_a_line_that_never_falls_silent_isnt_waited_for(ends: tuple[socket.socket, socket.socket]) -> None:
    ours, theirs = ends
    ending = threading.Event()
    chatter = threading.Thread(target=lambda: [theirs.send(b"x") for _ in iter(lambda: ending.wait(0.0005), True)])
    chatter.start()
    try:
        with pytest.raises(NoReply):
            speak(ModbusWords(1, HALT, baud=115_200), ours.fileno(), name="the drive's line")
    finally:
        ending.set()
        chatter.join()
    assert HALT[0] in theirs.recv(4096)


def test_a_peer_that_is_gone_is_a_lost_link(ends: tuple[socket.socket, socket.socket]) -> None:
    ours, theirs = ends
    theirs.close()
    with pytest.raises(LinkLost):
        speak(ModbusWords(1, HALT), ours.fileno(), name="the drive's line")
