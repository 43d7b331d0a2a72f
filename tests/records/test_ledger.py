from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stepwitness.records.ledger import Ledger, LedgerError, read_events

SCHEMA = "trial/1"


def written(path: Path, marks: str = "abc") -> list[bytes]:
    with Ledger(path, SCHEMA, {"what": "a trial"}) as ledger:
        for mark in marks:
            ledger.append("mark", mark=mark)
    return path.read_bytes().splitlines(keepends=True)


def marks(path: Path) -> str:
    return "".join(event.get("mark", "") for event in read_events(path, SCHEMA))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "deep" / "trial.ledger.jsonl"


def test_events_come_back_and_it_is_carried_on(path: Path) -> None:
    written(path)
    with Ledger(path, SCHEMA, {"what": "not said again"}) as ledger:
        ledger.append("mark", mark="d")
        assert [event["event"] for event in ledger.events] == ["opened", *["mark"] * 4]
    assert marks(path) == "abcd"
    assert read_events(path, SCHEMA)[0]["what"] == "a trial"


@pytest.mark.parametrize("cut", [1, 2, 40])
def test_a_line_that_was_torn_was_never_written_and_gives_way(path: Path, cut: int) -> None:
    written(path)
    path.write_bytes(path.read_bytes()[:-cut])
    assert marks(path) == "ab"
    with Ledger(path, SCHEMA, {}) as ledger:
        ledger.append("mark", mark="x")
    assert marks(path) == "abx"


@settings(max_examples=60)
@given(data=st.data())
def test_any_changed_byte_but_the_last_newline_is_found(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("ledger") / "trial.ledger.jsonl"
    written(path)
    whole = path.read_bytes()
    at = data.draw(st.integers(0, len(whole) - 2))
    bit = data.draw(st.sampled_from([1, 4, 64]))
    path.write_bytes(whole[:at] + bytes([whole[at] ^ bit]) + whole[at + 1 :])
    with pytest.raises(LedgerError):
        read_events(path, SCHEMA)


@pytest.mark.parametrize(
    ("order", "line"), [((0, 2, 1, 3), 2), ((0, 1, 1, 2, 3), 3), ((0, 2, 3), 2), ((1, 2, 3), 1)], ids=str
)
def test_lines_out_of_order_doubled_or_dropped_are_named(path: Path, order: tuple[int, ...], line: int) -> None:
    lines = written(path)
    path.write_bytes(b"".join(lines[number] for number in order))
    with pytest.raises(LedgerError, match=rf"jsonl:{line}: "):
        read_events(path, SCHEMA)


def test_another_schema_and_another_file_are_refused(path: Path, tmp_path: Path) -> None:
    written(path)
    with pytest.raises(LedgerError, match="isn't a ledger of the schema other/1"):
        read_events(path, "other/1")
    with pytest.raises(LedgerError, match="can't be read"):
        read_events(tmp_path / "none", SCHEMA)


def test_one_writer_at_a_time(path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from stepwitness.records.ledger import Ledger\n"
        "held = Ledger(Path(sys.argv[1]), 'trial/1', {}); print('held', flush=True); sys.stdin.read()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    try:
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(LedgerError, match="another process works on it"):
            Ledger(path, SCHEMA, {})
    finally:
        holder.kill()
        holder.communicate()
    with Ledger(path, SCHEMA, {}) as ledger:
        ledger.append("mark", mark="a")


def test_a_disk_that_is_full_leaves_it_as_it_was(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Ledger(path, SCHEMA, {}) as ledger:
        ledger.append("mark", mark="a")

        def full(_: int) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(LedgerError, match="can't be written: No space left on device"):
            ledger.append("mark", mark="b")
        monkeypatch.undo()
        ledger.append("mark", mark="c")
    assert marks(path) == "ac"
