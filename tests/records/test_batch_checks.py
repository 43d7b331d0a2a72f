"""A single changed reading of a batch has a name."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from stepwitness.records.batch_checks import changed_in, checks_of, with_reasons
from stepwitness.records.journal import JournalReadings, JournalWriter, Missing


@pytest.fixture
def line(tmp_path: Path) -> bytes:
    """One batch of four rows, one reading missing."""
    with JournalWriter(tmp_path / "a.journal.jsonl", {}) as writer:
        for row in range(4):
            gauge = Missing("gauge overrange") if row == 2 else 1e-3 * row
            writer.write("stops", {"at_m": row / 7, "up": row % 2 == 0, "gauge_m": gauge})
        writer.end("done")
    return writer.path.read_bytes().splitlines(keepends=True)[1]


def test_a_line_as_written_has_nothing_changed(line: bytes) -> None:
    assert changed_in(line, 0) == ""


@pytest.mark.parametrize(
    ("column", "row", "value", "told"),
    [
        ("at_m", 1, 0.5, "at_m in row 102 of 'stops'"),
        ("up", 3, None, "up in row 104 of 'stops'"),
        ("gauge_m", 2, 0.002, "gauge_m in row 103 of 'stops'"),
        ("gauge_m", 0, -0.0, "gauge_m in row 101 of 'stops'"),
    ],
)
def test_each_reading_that_was_changed_is_named(line: bytes, column: str, row: int, value: Any, told: str) -> None:
    item = json.loads(line)
    item["columns"][column][row] = value
    if column == "gauge_m":
        item["missing"] = {}

    found = changed_in(json.dumps(item).encode(), 100)
    assert told == found or (column == "gauge_m" and row == 0 and "row 101, 103" in found)


def test_a_reason_that_was_changed_is_named(line: bytes) -> None:
    changed = line.replace(b"gauge overrange", b"gauge unplugged", 1)

    assert changed_in(changed, 0) == "gauge_m in row 3 of 'stops'"


@pytest.mark.parametrize("change", [lambda item: item.pop("checks"), lambda item: item["columns"]["up"].pop()])
def test_what_cant_be_told_is_left_open(line: bytes, change: Any) -> None:
    item = json.loads(line)
    change(item)

    assert changed_in(json.dumps(item).encode(), 0) == ""


def test_a_line_that_isnt_json_any_more_is_placed_by_its_byte(line: bytes) -> None:
    byte = line.index(b"true")
    broken = line.replace(b"true", b"trUe", 1)

    assert changed_in(broken, 0) == f"byte {byte} of it, near 'up'"


def test_every_changed_digit_of_every_reading_is_named(line: bytes) -> None:
    """All single-digit changes inside the columns name their own column, whatever the line's digest says."""
    begin, end = line.index(b'"columns"'), line.index(b',"missing"')
    named = 0
    for byte in range(begin, end):
        if not line[byte : byte + 1].isdigit():
            continue
        changed = line[:byte] + (b"8" if line[byte : byte + 1] != b"8" else b"3") + line[byte + 1 :]
        told = changed_in(changed, 0)
        column = line[:byte].decode().rpartition('":')[0].rpartition('"')[2]
        assert column in told or "near" in told, (byte, told)
        named += column in told
    assert named > 50


def test_the_checks_are_those_that_are_documented() -> None:
    import zlib

    checks = checks_of({"a": [1, 2.5], "b": [None, "ü"]})

    assert (
        checks["rows"] == f"{zlib.crc32(b'[1,null]'):08x}{zlib.crc32(b'[2.5,' + json.dumps('ü').encode() + b']'):08x}"
    )
    assert checks["columns"][:8] == f"{zlib.crc32(b'[1,2.5]'):08x}"
    assert with_reasons({"a": [None, 1]}, {"a": {"0": "overrange"}}) == {"a": [{"missing": "overrange"}, 1]}


def test_missing_readings_come_back_with_their_reason(tmp_path: Path) -> None:
    path = tmp_path / "a.journal.jsonl"
    with JournalWriter(path, {}, batch_rows=2) as writer:
        for row in range(5):
            writer.write("stops", {"n": row, "gauge_m": Missing("gauge overrange") if row in (1, 4) else None})
        writer.end("done")
    readings = JournalReadings(path)

    assert [row["gauge_m"] for row in readings.rows("stops")] == [None] * 5
    told = [row["gauge_m"] for row in readings.rows("stops", reasons=True)]
    assert told == [None, Missing("gauge overrange"), None, None, Missing("gauge overrange")]
    assert str(told[1]) == "gauge overrange"
    assert b"NaN" not in path.read_bytes()
