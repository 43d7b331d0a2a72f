"""A sealed document is canonical, whole or not there, and names the field that was changed."""

from __future__ import annotations

import hashlib
import json
import math
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.records.sealed import (
    RecordError,
    broken_places,
    canonical,
    open_sealed,
    write_sealed,
)

SCHEMA = "tarnbrook-lot/1"
SECTIONS: dict[str, Any] = {
    "lot": {"part": "TB-17", "quantity": 120, "text": "first\nsecond\nthird", "note": ""},
    "units": [
        {"name": "reversal", "value": 1.25e-05, "ok": True, "reason": None},
        {"name": "latency", "value": 0.02, "ok": False, "reason": "über dem Limit"},
    ],
    "nothing": [],
}


@pytest.fixture
def document(tmp_path: Path) -> Path:
    return write_sealed(tmp_path / "lot.json", SCHEMA, SECTIONS)


def changed(document: Path, change: Callable[[dict[str, Any]], None]) -> list[str]:
    """What is found after a change of the parsed document, written in canonical form again."""
    found = json.loads(document.read_bytes())
    change(found)
    document.write_bytes(canonical(found) + b"\n")
    return broken_places(document)


def test_what_was_written_comes_back(document: Path) -> None:
    sealed = open_sealed(document, [SCHEMA])

    assert (sealed.schema, sealed.sections) == (SCHEMA, SECTIONS)
    assert broken_places(document) == []


def test_a_document_is_never_replaced(document: Path) -> None:
    before = document.read_bytes()
    with pytest.raises(RecordError, match="exists already"):
        write_sealed(document, SCHEMA, {"lot": {}})

    assert document.read_bytes() == before
    assert list(document.parent.iterdir()) == [document]


def test_another_schema_is_told(document: Path) -> None:
    with pytest.raises(RecordError, match=r'has the schema "tarnbrook-lot/1"; allowed: a/1 or b/2'):
        open_sealed(document, ["b/2", "a/1"])


def test_the_seal_is_what_its_documentation_says(document: Path) -> None:
    seal = json.loads(document.read_bytes())["seal"]
    lot = b'{"note":"","part":"TB-17","quantity":120,"text":"first\\nsecond\\nthird"}'
    fields = [
        b'.note=""',
        b'.part="TB-17"',
        b".quantity=120",
        b'.text line 1="first"',
        b'.text line 2="second"',
        b'.text line 3="third"',
    ]
    parts = json.dumps({name: seal[name] for name in ("checks", "schema", "sections")}, separators=(",", ":"))

    assert seal["sections"]["lot"] == hashlib.sha256(lot).hexdigest()
    assert seal["checks"]["lot"] == "".join(f"{zlib.crc32(field):08x}" for field in fields)
    assert (
        seal["sha256"]
        == hashlib.sha256(json.dumps(json.loads(parts), sort_keys=True, separators=(",", ":")).encode()).hexdigest()
    )


# RFC 8785, appendix B: the bits of a double and its serialisation; from memory of the published table.
NUMBERS = [
    ("0000000000000000", "0"),
    ("8000000000000000", "0"),
    ("0000000000000001", "5e-324"),
    ("7fefffffffffffff", "1.7976931348623157e+308"),
    ("4340000000000000", "9007199254740992"),
    ("44b52d02c7e14af5", "9.999999999999997e+22"),
    ("444b1ae4d6e2ef4f", "999999999999999900000"),
    ("3eb0c6f7a0b5ed8d", "0.000001"),
    ("3eb0c6f7a0b5ed8c", "9.999999999999997e-7"),
    ("41b3de4355555553", "333333333.3333332"),
]


@pytest.mark.parametrize(("bits", "text"), NUMBERS)
def test_numbers_have_the_form_of_rfc_8785(bits: str, text: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits))

    assert canonical(number) == text.encode()


@pytest.mark.parametrize("value", [math.nan, math.inf, 2**53, object()])
def test_what_canonical_json_cant_hold_is_refused(value: Any) -> None:
    with pytest.raises(ValueError):
        canonical(value)


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"])),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text("abÄ€.\U0001f600", max_size=3), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(sections=st.dictionaries(st.text("abc", min_size=1, max_size=2), json_values, max_size=3))
def test_whatever_is_sealed_comes_back_whole(
    sections: dict[str, Any], tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = write_sealed(tmp_path_factory.mktemp("sealed") / "lot.json", SCHEMA, sections)

    assert broken_places(path) == []
    assert canonical(dict(open_sealed(path, [SCHEMA]).sections)) == canonical(sections)


# -- what changed --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (
            lambda d: d["sections"]["units"][1].update(value=0.01),
            ["units[1].value (latency) isn't what was sealed; now 0.01"],
        ),
        (
            lambda d: d["sections"]["lot"].update(text="first\nzweite\nthird"),
            ['lot.text line 2 isn\'t what was sealed; now "zweite"'],
        ),
        (lambda d: d["sections"]["lot"].pop("part"), ["one field missing before lot.quantity"]),
        (lambda d: d["sections"]["lot"].pop("text"), ["3 fields missing at the end of lot"]),
        (lambda d: d["sections"]["units"].pop(0), ["8 fields missing before units[0].name"]),
        (lambda d: d["sections"]["nothing"].append(3), ["nothing[0] isn't what was sealed; now 3"]),
        (lambda d: d["sections"].pop("lot"), ["the section 'lot' is missing"]),
        (lambda d: d["sections"].update(more={}), ["the section 'more' isn't one that was sealed"]),
        (
            lambda d: d.update(schema="tarnbrook-lot/2"),
            ['the schema isn\'t the one that was sealed; now "tarnbrook-lot/2"'],
        ),
        (lambda d: d["seal"].update(sha256="0" * 64), ["the seal itself was changed"]),
        (lambda d: d["seal"].update(more=1), ["the seal itself was changed"]),
        (lambda d: d["seal"]["sections"].update(lot="0" * 64), ["the seal's digest of the section 'lot' was changed"]),
        (lambda d: d["seal"]["checks"].update(lot="0" * 48), ["the seal's checks of the section 'lot' were changed"]),
    ],
)
def test_the_field_that_was_changed_is_named(
    document: Path, change: Callable[[dict[str, Any]], None], told: list[str]
) -> None:
    found = changed(document, change)

    assert found
    assert all(said in one for one, said in zip(found, told, strict=False)), found


def test_many_changed_fields_are_counted(document: Path) -> None:
    def shift(found: dict[str, Any]) -> None:
        found["sections"]["lot"] = {f"key {number}": number for number in range(6)}

    found = changed(document, shift)
    assert len(found) == 6
    assert found[-1] == "lot.json: 1 more fields of the section 'lot'"


def test_every_byte_counts_whatever_it_becomes_and_its_place_is_named(document: Path) -> None:
    """All single-byte changes: each position, each other value."""
    data = document.read_bytes()
    for where in range(len(data)):
        for value in {data[where] ^ 1, data[where] ^ 0x20, data[where] ^ 0x80, ord("0"), ord('"'), ord(" "), 0} - {
            data[where]
        }:
            document.write_bytes(data[:where] + bytes([value]) + data[where + 1 :])
            found = broken_places(document)
            assert found, (where, value)
            assert "lot.json" in found[0]
            assert "\n" not in "".join(found)


def test_a_byte_that_breaks_the_form_is_placed(document: Path) -> None:
    data = document.read_bytes()
    where = data.rindex(b'"value":0.02') + 8
    document.write_bytes(data[:where] + b"x" + data[where + 1 :])

    (told,) = broken_places(document)
    assert told.endswith(f"isn't JSON: byte {where}, in the section 'units', near 'value'")


@pytest.mark.parametrize("change", [lambda data: data + b" ", lambda data: data.replace(b",", b", ", 1)])
def test_another_form_of_the_same_json_is_told(document: Path, change: Callable[[bytes], bytes]) -> None:
    document.write_bytes(change(document.read_bytes()))

    (told,) = broken_places(document)
    assert "lot.json: the file isn't in the form in which it was written: byte" in told
