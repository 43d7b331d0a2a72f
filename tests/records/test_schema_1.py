"""A record as the first released schema wrote it still opens, verifies and is judged again; its bytes stay."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from stepwitness.records import schema_1
from stepwitness.records.manifest import FILE, SECTIONS, open_record, verify
from stepwitness.records.record import reevaluate

DATA = Path(__file__).parent / "data" / "schema-1"


@pytest.fixture
def old(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DATA, tmp_path / "old"))


def test_it_opens_with_the_sections_of_today(old: Path) -> None:
    record = open_record(old)

    assert record.schema == "stepwitness-record/1"
    assert set(record.sections) == set(SECTIONS)
    assert record.sections["chain"]["number"] is None
    assert record.seal["sha256"] == json.loads((DATA / FILE).read_bytes())["seal"]["sha256"]


def test_it_verifies_and_comes_out_the_same_and_keeps_its_bytes(old: Path) -> None:
    assert verify(old) == []
    again = reevaluate(old)

    assert again.same, again.differences
    assert len(again.findings) == 3
    for path in DATA.iterdir():
        assert (old / path.name).read_bytes() == path.read_bytes()


def test_a_change_in_it_is_found_by_its_own_rules(old: Path) -> None:
    path = old / FILE
    data = path.read_bytes()
    for was, now, told in (
        (b'"serial":"TB-0417"', b'"serial":"TB-0418"', "the section 'axis' isn't the one that was sealed"),
        (b"stepwitness-record/1", b"stepwitness-record/2", "the schema isn't the one that was sealed"),
        (b'"verdict":"PASS"', b'"verdict" :"PASS"', "the file isn't in the form in which it was written"),
        (b'"sha256":"', b'"sha256":"0', "the seal itself was changed"),
    ):
        assert data.count(was) >= 1
        path.write_bytes(data.replace(was, now, 1))
        assert any(told in place for place in verify(old)), (was, verify(old))


def test_every_byte_of_it_counts(old: Path) -> None:
    path = old / FILE
    data = path.read_bytes()
    for where in range(0, len(data), 61):
        path.write_bytes(data[:where] + bytes([data[where] ^ 1]) + data[where + 1 :])
        assert verify(old), where


def test_its_canonical_form_is_the_one_of_then() -> None:
    assert schema_1.canonical({"b": 1.0, "a": [None, "ü"]}) == '{"a":[null,"ü"],"b":1.0}'.encode()
