from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.checksums import CHECKSUMS, Seal, checksum, fitting
from stepwitness.errors import BadInput

_text = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # the usual check of a checksum, its value over the digits 1 to 9 (common practice, no source)
        ("sum8", sum(b"123456789") % 256),
        ("xor8", 0x31),
        ("crc16-modbus", 0x4B37),
        ("crc16-ccitt", 0x29B1),
    ],
)
def test_the_check_over_nine_digits(name: str, value: int) -> None:
    assert CHECKSUMS[name].of(b"123456789") == value


def test_a_known_modbus_frame() -> None:
    # Read one register of unit 1: 01 03 00 00 00 01 84 0A (common practice, no source)
    assert CHECKSUMS["crc16-modbus"].of(bytes.fromhex("010300000001")) == 0x0A84


@pytest.mark.parametrize("name", CHECKSUMS)
@given(text=_text)
def test_a_sealed_line_opens_to_what_was_sealed(name: str, text: str) -> None:
    seal = Seal(CHECKSUMS[name])
    assert seal.take(seal.put(text)) == text
    assert seal.take(seal.put(text).lower().replace(text.lower(), text)) == text


@pytest.mark.parametrize("name", CHECKSUMS)
@given(text=_text.filter(bool), place=st.integers(0, 1000), bit=st.integers(0, 6))
def test_one_wrong_bit_never_opens(name: str, text: str, place: int, bit: int) -> None:
    seal = Seal(CHECKSUMS[name])
    whole = seal.put(text)
    at = place % len(text)
    wrong = whole[:at] + chr(ord(whole[at]) ^ 1 << bit) + whole[at + 1 :]
    assert seal.take(wrong) is None


@pytest.mark.parametrize("line", ["ok", "ok*", "ok*1", "ok*ZZ", "ok*+1", "*", ""])
def test_what_carries_no_checksum_does_not_open(line: str) -> None:
    assert Seal(CHECKSUMS["sum8"]).take(line) is None


@pytest.mark.parametrize("name", ["crc16-modbus", "crc16-ccitt", "xor8"])
def test_the_checksum_of_a_line_is_found(name: str) -> None:
    assert fitting(Seal(CHECKSUMS[name]).put("position? 3200")) == name
    assert fitting("3200") == ""


def test_an_unknown_name_has_its_near_miss() -> None:
    with pytest.raises(BadInput, match=r"no such checksum; found 'crc16-modbuss'.*did you mean 'crc16-modbus'\?"):
        checksum("crc16-modbuss")
