from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.can_objects import SIZES, CanObject, can_object
from stepwitness.devices.errors import BadReply, Refused
from stepwitness.errors import BadInput

_objects = st.builds(CanObject, st.just(0x6064), st.just(0), st.sampled_from(sorted(SIZES)))


@given(_objects, st.data())
def test_a_number_comes_back(item: CanObject, data: st.DataObject) -> None:
    value = data.draw(st.integers(*item.bounds))
    assert item.decode(item.encode(value)) == value


@given(_objects, st.binary(max_size=12))
def test_whatever_bytes_come_the_answer_is_a_number_in_bounds_or_a_named_error(item: CanObject, data: bytes) -> None:
    try:
        value = item.decode(data)
    except BadReply:
        return
    low, high = item.bounds
    assert low <= value <= high
    assert data.startswith(item.encode(value))


def test_longer_data_may_only_repeat_the_sign() -> None:
    item = CanObject(0x6061, 0, "int8")
    assert item.decode(b"\xff\xff\xff\xff") == -1
    assert item.decode(b"\x01\0\0\0") == 1
    with pytest.raises(BadReply):
        item.decode(b"\x01\x01\0\0")
    with pytest.raises(BadReply):
        item.decode(b"")


def test_text_says_which_object_and_its_scale() -> None:
    item = can_object("0x2001:3 uint16 scale 0.001")
    assert (item.index, item.sub, item.encode(1.2)) == (0x2001, 3, (1200).to_bytes(2, "little"))
    with pytest.raises(Refused, match=r"70 doesn't fit object 2001h:03: 0 to 65.535"):
        item.encode(70.0)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "0x2001",
        "0x2001 float32",
        "0x10:0 uint8",
        "0x2001:256 uint8",
        "0x2001:0 uint8 scale",
        "0x2001:0 uint8 scale 0",
        "x:0 uint8",
    ],
)
def test_what_is_no_object_is_told(text: str) -> None:
    with pytest.raises(BadInput, match="not an object of a CANopen node"):
        can_object(text)
