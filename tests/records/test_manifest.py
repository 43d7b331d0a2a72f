"""What `verify` finds: every change of a byte, with the place named."""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.plan.description import Plan
from stepwitness.records import manifest
from stepwitness.records.manifest import (
    FILE,
    SECTIONS,
    RecordError,
    canonical,
    open_record,
    verify,
    write_record,
)
from stepwitness.records.record import RunFacts, seal_record


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

    assert rewritten(sealed, change) == [f"record.json: the section '{name}' isn't the one that was sealed"]


def test_a_section_too_many_and_a_seal_that_was_changed_are_named(sealed: Path) -> None:
    def add(record: dict[str, Any]) -> None:
        record["sections"]["more"] = {}

    def reseal(record: dict[str, Any]) -> None:
        del record["sections"]["more"]
        record["seal"]["sha256"] = "0" * 64

    assert rewritten(sealed, add) == ["record.json: the section 'more' isn't the one that was sealed"]
    assert rewritten(sealed, reseal) == ["record.json: the seal itself was changed"]


def test_every_byte_of_the_record_counts(sealed: Path) -> None:
    data = (sealed / FILE).read_bytes()
    draw = random.Random(5)
    for where in draw.sample(range(len(data)), 400):
        changed = bytearray(data)
        changed[where] ^= 1 << draw.randrange(8)
        (sealed / FILE).write_bytes(bytes(changed))
        assert verify(sealed), where


@pytest.mark.parametrize("change", [lambda data: data + b" ", lambda data: data.replace(b",", b", ", 1)])
def test_another_form_of_the_same_json_is_told(sealed: Path, change: Callable[[bytes], bytes]) -> None:
    (sealed / FILE).write_bytes(change((sealed / FILE).read_bytes()))

    assert verify(sealed) == ["record.json: the file isn't in the form in which it was written"]


def test_every_byte_of_a_journal_counts_and_its_line_is_named(sealed: Path) -> None:
    path = sealed / "offset.journal.jsonl"
    data = path.read_bytes()
    draw = random.Random(6)
    for where in draw.sample(range(len(data)), 300):
        changed = bytearray(data)
        changed[where] ^= 1 << draw.randrange(8)
        path.write_bytes(bytes(changed))
        line = data[:where].count(b"\n") + 1
        assert f"offset.journal.jsonl:{line}: the line isn't the one that was sealed" in verify(sealed)


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
        (b"[]", "isn't a record of the schema stepwitness-record/1"),
        (b'{"schema":"stepwitness-record/9"}', "isn't a record of the schema"),
        (b'{"schema":"stepwitness-record/1"}', "has no sections or no seal"),
        (b'{"schema":"stepwitness-record/1","sections":{},"seal":{}}', "lacks the section 'run'"),
    ],
)
def test_what_isnt_a_record_is_told_in_one_line(folder: Path, content: bytes | None, said: str) -> None:
    if content is not None:
        (folder / FILE).write_bytes(content)

    with pytest.raises(RecordError, match=said):
        open_record(folder)
    (told,) = verify(folder)
    assert said in told
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
        patched.setattr(manifest.os, "fsync", full)
        with pytest.raises(RecordError, match="No space left"):
            write_record(folder, {name: {} for name in SECTIONS})
    assert not (folder / FILE).exists()

    write_record(folder, {name: {} for name in SECTIONS})
    assert open_record(folder).sections["run"] == {}


def test_the_seal_is_what_its_documentation_says(sealed: Path) -> None:
    record = open_record(sealed)
    for name, section in record.sections.items():
        text = json.dumps(section, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        assert record.seal["sections"][name] == hashlib.sha256(text.encode()).hexdigest()
