"""What `verify` finds: every change of a byte, with the place named."""

from __future__ import annotations

import json
import random
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.plan.description import Plan
from stepwitness.records import writing
from stepwitness.records.manifest import FILE, SECTIONS, open_record, verify, write_record
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.records.sealed import RecordError, canonical


@pytest.fixture
def sealed(folder: Path, plan: Plan, bench: BenchDescription, run: RunFacts, acquired: Callable[..., Path]) -> Path:
    acquired("offset")
    acquired("play-at-end")
    seal_record(folder, plan, bench, run)
    return folder


def rewritten(folder: Path, change: Callable[[dict[str, Any]], None]) -> list[str]:
    """What is found after a change of the parsed record, written in canonical form again."""
    record = json.loads((folder / FILE).read_bytes())
    change(record)
    (folder / FILE).write_bytes(canonical(record) + b"\n")
    return verify(folder)


def test_a_record_as_sealed_is_whole(sealed: Path) -> None:
    assert verify(sealed) == []


@pytest.mark.parametrize("name", SECTIONS)
def test_a_section_that_was_changed_is_named(sealed: Path, name: str) -> None:
    def change(record: dict[str, Any]) -> None:
        section = record["sections"][name]
        if isinstance(section, dict):
            section["added"] = 1
        elif section:
            section[0]["cause" if name == "procedures" else "verdict"] = "another"
        else:
            section.append({})

    told = rewritten(sealed, change)
    assert told
    assert all(f"record.json: {name}" in one for one in told)


def test_every_byte_of_a_journal_counts_and_its_line_is_named(sealed: Path) -> None:
    path = sealed / "offset.journal.jsonl"
    data = path.read_bytes()
    draw = random.Random(6)
    for where in draw.sample(range(len(data)), 300):
        changed = bytearray(data)
        changed[where] ^= 1 << draw.randrange(8)
        path.write_bytes(bytes(changed))
        line = data[:where].count(b"\n") + 1
        told = f"offset.journal.jsonl:{line}: the line isn't the one that was sealed"
        assert any(place.startswith(told) for place in verify(sealed)), where


def lines_of(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines(keepends=True)


def test_lines_dropped_doubled_and_swapped_are_named(sealed: Path) -> None:
    path = sealed / "offset.journal.jsonl"
    lines = lines_of(path)
    assert len(lines) == 4

    path.write_bytes(b"".join(lines[:-2]))
    assert verify(sealed) == ["offset.journal.jsonl:3: 2 sealed lines are missing from here on"]
    path.write_bytes(b"".join([*lines, lines[-1]]))
    assert verify(sealed) == ["offset.journal.jsonl:5: the line was added after sealing"]
    path.write_bytes(b"".join([*lines, b"{}"]))
    assert verify(sealed) == ["offset.journal.jsonl:5: the line was added after sealing"]
    path.write_bytes(b"".join([lines[0], lines[2], lines[1], lines[3]]))
    assert verify(sealed) == [
        "offset.journal.jsonl:2: the line isn't the one that was sealed",
        "offset.journal.jsonl:3: the line isn't the one that was sealed",
    ]


def test_a_whole_line_from_another_run_is_noticed(sealed: Path, acquired: Callable[..., Path]) -> None:
    """Its digest is right and its number too; only the seal knows that it isn't ours."""
    path = sealed / "offset.journal.jsonl"
    lines = lines_of(path)
    other = lines_of(acquired("another", (1.0, 2.0, 3.0, 4.0)))
    (sealed / "another.journal.jsonl").unlink()
    path.write_bytes(b"".join([lines[0], other[1], *lines[2:]]))

    assert verify(sealed) == ["offset.journal.jsonl:2: the line isn't the one that was sealed"]


def test_journals_that_are_gone_or_strange_are_named(sealed: Path) -> None:
    (sealed / "offset.journal.jsonl").rename(sealed / "stray.journal.jsonl")

    assert verify(sealed) == [
        "offset.journal.jsonl: can't be read: No such file or directory",
        "stray.journal.jsonl: isn't in the record",
    ]


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "can't be read: No such file"),
        (b"{", "isn't JSON"),
        (b"\xff\xfe{}", "isn't JSON"),
        (b"[]", "isn't a record"),
        (b'{"schema":"stepwitness-record/9"}', r"has the schema \"stepwitness-record/9\"|has no sections"),
        (b'{"schema":"stepwitness-record/2"}', "has no sections"),
        (b'{"schema":"stepwitness-record/2","sections":{}}', "has no seal"),
    ],
)
def test_what_isnt_a_record_is_told_in_one_line(folder: Path, content: bytes | None, said: str) -> None:
    if content is not None:
        (folder / FILE).write_bytes(content)

    with pytest.raises(RecordError, match=said):
        open_record(folder)
    (told,) = verify(folder)
    assert re.search(said, told)
    assert "\n" not in told


@pytest.mark.parametrize("entries", [None, [1], [{}], {"a": 1}])
def test_a_list_of_journals_that_cant_be_read_is_told(sealed: Path, entries: Any) -> None:
    def change(record: dict[str, Any]) -> None:
        record["sections"]["procedures"] = entries

    assert rewritten(sealed, change)[-1] == "record.json: the list of journals can't be read"


def test_a_write_that_breaks_off_leaves_no_record(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(writing.os, "fsync", full)
        with pytest.raises(RecordError, match="No space left"):
            write_record(folder, {name: {} for name in SECTIONS})
    assert list(folder.iterdir()) == []

    write_record(folder, {name: {} for name in SECTIONS})
    assert open_record(folder).sections["run"] == {}
