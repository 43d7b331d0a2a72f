from __future__ import annotations

import contextlib
import math
from struct import pack

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.errors import BadReply, DeviceError, OutOfRange, Refused
from stepwitness.devices.register_map import register_map
from stepwitness.devices.registers import MOST_TEXT, Reads, Register, Space, register, script, spans
from stepwitness.errors import BadInput, Place

_WHOLE = {
    "uint16": (0, 2**16 - 1),
    "int16": (-(2**15), 2**15 - 1),
    "uint32": (0, 2**32 - 1),
    "int32": (-(2**31), 2**31 - 1),
}
_words = st.lists(st.integers(0, 0xFFFF), max_size=5)
_kinds = st.sampled_from([*_WHOLE, "float32", "text2", "uint16 bit 3", "int32 little-word", "uint16 scale 0.001"])


@pytest.mark.parametrize(
    ("text", "words", "value"),
    [
        ("input 2 int32", [0xFFFF, 0xFFFE], -2),
        ("input 2 int32 big-word", [0x0001, 0x0002], 0x10002),
        ("input 2 int32 little-word", [0x0002, 0x0001], 0x10002),
        ("holding 0x10", [0x8000], 0x8000),
        ("holding 0x10 int16", [0x8000], -0x8000),
        ("holding 4 uint16 scale 0.001", [1200], 1.2),
        ("input 0 bit 3", [0b1000], 1),
        ("input 0 bit 3", [0b0111], 0),
        # 3F800000h is 1.0 (IEEE 754)
        ("input 0 float32", [0x3F80, 0x0000], 1.0),
        ("input 0 text3", [0x4162, 0x6300, 0x7878], "Abc"),
    ],
)
def test_words_become_the_value_that_was_meant(text: str, words: list[int], value: object) -> None:
    assert register(text).decode(words) == pytest.approx(value)


@pytest.mark.parametrize("kind", _WHOLE)
@pytest.mark.parametrize("order", ["big-word", "little-word"])
@given(data=st.data())
def test_a_whole_number_comes_back(kind: str, order: str, data: st.DataObject) -> None:
    item = register(f"holding 5 {kind} {order}")
    value = data.draw(st.integers(*_WHOLE[kind]))
    assert item.decode(item.encode(value)) == value


@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_a_float_comes_back(value: float) -> None:
    item = register("holding 5 float32 little-word")
    assert item.decode(item.encode(value)) == value


@given(_kinds, _words)
def test_whatever_words_come_the_answer_is_a_value_or_a_named_error(kind: str, words: list[int]) -> None:
    item = register(f"input 7 {kind}")
    try:
        value = item.decode(words)
    except (BadReply, OutOfRange):
        return
    assert len(words) == item.size
    assert isinstance(value, str) or math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("holding 0", -1),
        ("holding 0", 65536),
        ("holding 0 int16", 40000),
        ("holding 0 float32", 1e39),
        ("holding 0", math.nan),
    ],
)
def test_what_does_not_fit_is_refused_before_it_is_sent(text: str, value: float) -> None:
    with pytest.raises(Refused):
        register(text).encode(value)


def test_a_float_that_is_no_number_is_out_of_range() -> None:
    raw = pack(">f", math.nan)
    with pytest.raises(OutOfRange):
        register("input 0 float32").decode([int.from_bytes(raw[:2], "big"), int.from_bytes(raw[2:], "big")])


@pytest.mark.parametrize(
    "text",
    [
        "",
        "input",
        "inputs 0",
        "input x",
        "input -1",
        "input 0x10000",
        "input 65535 int32",
        "input 0 int64",
        "input 0 scale",
        "input 0 scale 0",
        "input 0 scale nan",
        "input 0 bit 16",
        "coil 0 int32",
        "coil 0 bit 1",
        "input 0 text0",
        f"input 0 text{MOST_TEXT + 1}",
        "input 0 big",
        "input 0 textx",
    ],
)
def test_what_is_no_register_is_told(text: str) -> None:
    with pytest.raises(BadInput):
        register(text)


def test_a_script_writes_what_it_says_and_adjacent_registers_together() -> None:
    found = script("holding 0 = 5 + holding 1 int32 = value then holding 9 int16 scale 0.01 = other then coil 3 = 1")
    assert found.fields == {"value", "other"}
    writes = [(str(item), words) for item, words in found.writes(value=-2, other=-0.5)]
    assert writes == [
        ("holding 0x0000 uint16", [5, 0xFFFF, 0xFFFE]),
        ("holding 0x0009 int16", [0xFFCE]),
        ("coil 0x0003 bit", [1]),
    ]


@pytest.mark.parametrize(
    "text",
    [
        "holding 0",
        "holding 0 =",
        "holding 0 = 1 + holding 2 = 3",
        "input 0 = 1",
        "holding 0 bit 1 = 1",
        "holding 0 text2 = 1",
        "holding 0 = 70000",
        "holding 0 = 1-2",
        "holding 0 = 1 + coil 1 = 1",
    ],
)
def test_what_is_no_script_is_told(text: str) -> None:
    with pytest.raises(BadInput):
        script(text)


@given(
    st.lists(
        st.tuples(st.sampled_from(list(Space)[:2]), st.integers(0, 300), st.integers(1, 2)), min_size=1, max_size=12
    )
)
def test_reads_cover_every_register_and_ask_for_nothing_else(items: list[tuple[Space, int, int]]) -> None:
    registers = [Register(space, at, "int32" if size == 2 else "uint16", size=size) for space, at, size in items]
    asked = {(space, start + place) for space, start, count in spans(registers) for place in range(count)}
    wanted = {(item.space, item.address + place) for item in registers for place in range(item.size)}
    assert asked == wanted


@given(st.lists(st.integers(0, 60), min_size=1, max_size=10, unique=True))
def test_each_register_gets_its_own_words(addresses: list[int]) -> None:
    registers = {str(at): Register(Space.INPUT, at) for at in addresses}
    found = Reads(registers).values(lambda _, start, count: range(start, start + count))
    assert found == {str(at): at for at in addresses}


# -- maps ----------------------------------------------------------------------------------------------------

MAP = register_map(
    registers={"position": "input 2 int32", "moving": "input 0 bit 1", "identity": "input 8 text4", "fault": "input 1"},
    scripts={"halt": "holding 0 = 3", "move_to": "holding 0 = 5 + holding 1 int32 = value"},
    optional=("identity",),
    again=("halt",),
    probe="input 8 uint32 = 0x12345678",
)


def test_a_bench_file_overrides_items_by_name() -> None:
    changed = MAP.with_options(
        {"position": "holding 0x20 int32 little-word", "identity": "", "fault.2": "too hot", "probe": "",
         "move_to": "holding 7 int32 = value"},
        Place(),
    )  # fmt: skip
    assert changed.registers["position"] == register("holding 0x20 int32 little-word")
    assert "identity" not in changed.registers
    assert changed.words == {("fault", 2): "too hot"}
    assert changed.probe is None
    assert changed.scripts["halt"] == MAP.scripts["halt"]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"positon": "input 0"}, r"drive.positon: no such item of a register map.*did you mean 'position'\?"),
        ({"position": ""}, "drive.position: this item can't be left out"),
        ({"moving": "input 0"}, "drive.moving: 'moving' is one bit"),
        ({"position": "input 0 text4"}, "drive.position: 'position' is a number"),
        ({"move_to": "holding 7 = 1"}, "drive.move_to: a script that can't be filled.*with value"),
        ({"halt": "holding 7 = value"}, "drive.halt: a script that can't be filled.*numbers alone"),
        ({"probe": "input 8"}, "drive.probe: a probe needs the value that it holds"),
    ],
)
def test_mistakes_in_a_map_name_their_key(options: dict[str, str], says: str) -> None:
    with pytest.raises(BadInput, match=says):
        MAP.with_options(options, Place("b.yaml", 3, "drive"))


@given(st.text(max_size=40))
def test_no_text_breaks_the_reader_of_registers(text: str) -> None:
    for read in (register, script):
        with contextlib.suppress(BadInput, DeviceError):
            read(text)
