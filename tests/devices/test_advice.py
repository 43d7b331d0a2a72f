from __future__ import annotations

import re

import pytest

from stepwitness.devices.advice import what_to_try
from stepwitness.devices.checksums import CHECKSUMS, Seal
from stepwitness.devices.wire import Conversation


def _uart(data: bytes, *, sent_at: int, heard_at: int) -> bytes:
    """What a receiver at another rate makes of a line: eight data bits, no parity, each sampled in its middle."""
    levels = [1] * 20
    for byte in data:
        levels += [0, *(byte >> place & 1 for place in range(8)), 1]
    levels += [1] * 20

    def level(time_bits: float) -> int:
        return levels[min(int(time_bits), len(levels) - 1)]

    ratio = sent_at / heard_at
    heard, at = bytearray(), 0.0
    while at < len(levels):
        if level(at) == 1:
            at += ratio / 16
            continue
        bits = [level(at + ratio * (1.5 + place)) for place in range(8)]
        heard.append(sum(bit << place for place, bit in enumerate(bits)))
        at += ratio * 9.5
        while at < len(levels) and level(at) == 0:
            at += ratio / 16
    return bytes(heard)


def test_the_uart_reads_itself() -> None:
    assert _uart(b"@17 3200\n", sent_at=9600, heard_at=9600) == b"@17 3200\n"


@pytest.mark.parametrize(
    ("sent_at", "heard_at"), [(9600, 115_200), (115_200, 9600), (19_200, 57_600), (57_600, 19_200)]
)
def test_a_wrong_baud_rate_is_told_by_what_it_sounds_like(sent_at: int, heard_at: int) -> None:
    talk = Conversation(tagged=True)
    talk.ask("identity?", now_s=0.0)
    reply = b"@2 stepwitness;stand-in drive;seed 1;\n" * 3
    talk.hear(_uart(reply, sent_at=sent_at, heard_at=heard_at), now_s=0.1)
    assert "heard" in talk.give_up(now_s=1.0)
    assert "try another baud rate" in talk.advice()


@pytest.mark.parametrize(
    ("lines", "rest", "tagged", "seal", "says"),
    [
        ([], "", True, None, "is the part powered and connected, is this its port"),
        ([], "3200", True, None, "try another 'line_end'"),
        (["3200"], "", True, None, "try 'tags: no'"),
        (["@9 3200"], "", True, None, "another part may answer"),
        (["@2 ok*23"], "", True, "sum8", "try without 'checksum', or another mark"),
        (["3200"], "", False, "sum8", "try without 'checksum', or another mark"),
        (
            [Seal(CHECKSUMS["xor8"]).put("3200")],
            "",
            False,
            "crc16-ccitt",
            "is xor8, not crc16-ccitt: try 'checksum: xor8'",
        ),
        ([Seal(CHECKSUMS["crc16-ccitt"]).put("3200")], "", False, None, "try 'checksum: crc16-ccitt'"),
    ],
)
def test_advice_follows_from_what_was_heard(
    lines: list[str], rest: str, tagged: bool, seal: str | None, says: str
) -> None:
    told = what_to_try(lines, rest, tagged=tagged, seal=Seal(CHECKSUMS[seal]) if seal else None)
    assert re.search(re.escape(says), told), told
