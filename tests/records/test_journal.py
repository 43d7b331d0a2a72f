"""The journal: what is committed survives, what is broken is named, and memory stays flat."""

from __future__ import annotations

import errno
import hashlib
import json
import math
import os
import random
import signal
import subprocess
import sys
import textwrap
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stepwitness.records import journal
from stepwitness.records.journal import (
    JournalCorrupt,
    JournalError,
    JournalReadings,
    JournalWriter,
    line_digest,
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "backlash.journal.jsonl"


@pytest.fixture
def ended(path: Path) -> Path:
    """Header, five batches of "places", one of "events", end: eight lines."""
    with JournalWriter(path, {"procedure": "backlash", "started_s": 1.5}, batch_rows=2) as writer:
        for row in range(10):
            writer.write("places", {"at_m": row / 1000, "up": row % 2 == 0, "gauge_m": None})
        writer.write("events", {"t_s": 2, "event": 'a\n"quoted" µ'})
        writer.end("done", at_s=9.25)
    return path


def lines_of(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines(keepends=True)


# -- there and back ------------------------------------------------------------------------------------------


def test_what_was_written_comes_back(ended: Path) -> None:
    readings = JournalReadings(ended)

    assert readings.header == {"procedure": "backlash", "started_s": 1.5}
    assert (readings.outcome, readings.cause, readings.ended_s) == ("done", "", 9.25)
    assert readings.tables == ("places", "events")
    assert readings.columns("places") == ("at_m", "up", "gauge_m")
    assert list(readings.rows("places"))[3] == {"at_m": 0.003, "up": False, "gauge_m": None}
    assert [batch["at_m"] for batch in readings.batches("places")] == [
        [row / 1000, (row + 1) / 1000] for row in range(0, 10, 2)
    ]
    assert list(readings.rows("events")) == [{"t_s": 2, "event": 'a\n"quoted" µ'}]
    assert list(readings.batches("never written")) == []
    assert len(readings.digests) == 8
    assert not readings.tail_lost


def test_the_file_is_the_format_that_is_documented(ended: Path) -> None:
    for number, line in enumerate(lines_of(ended)):
        prefix, _, tail = line.rpartition(b',"sha256":"')
        assert tail == hashlib.sha256(prefix).hexdigest().encode() + b'"}\n'
        item = json.loads(line)
        assert item["n"] == number
        assert line == json.dumps(item, separators=(",", ":"), ensure_ascii=False).encode() + b"\n"
    first, second, *_, last = (json.loads(line) for line in lines_of(ended))
    assert first["schema"] == "stepwitness-journal/2"
    assert (second["table"], second["rows"], second["columns"]["up"]) == ("places", 2, [True, False])
    assert last["end"] == {"outcome": "done", "cause": "", "at_s": 9.25}


plain = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**53), 2**53),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=8),
)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(
    rows=st.lists(st.fixed_dictionaries({"a": plain, "b µ": plain}), max_size=12),
    batch_rows=st.integers(1, 5),
    table=st.text(min_size=1, max_size=6),
)
def test_every_plain_value_comes_back_bit_for_bit(
    tmp_path: Path, rows: list[dict[str, Any]], batch_rows: int, table: str
) -> None:
    path = tmp_path / f"{len(list(tmp_path.iterdir()))}.journal.jsonl"
    with JournalWriter(path, {}, batch_rows=batch_rows) as writer:
        for row in rows:
            writer.write(table, row)
        writer.end("done")
    back = list(JournalReadings(path).rows(table))

    # by repr, which tells 1 from 1.0 and True, and 0.0 from -0.0
    assert [repr([row["a"], row["b µ"]]) for row in back] == [repr([row["a"], row["b µ"]]) for row in rows]


def test_rows_may_name_their_columns_in_any_order(path: Path) -> None:
    with JournalWriter(path, {}) as writer:
        writer.write("t", {"a": 1, "b": 2})
        writer.write("t", {"b": 4, "a": 3})
        writer.end("done")

    assert list(JournalReadings(path).rows("t")) == [{"a": 1, "b": 2}, {"a": 3, "b": 4}]


def test_aborted_says_why(path: Path) -> None:
    with JournalWriter(path, {}) as writer:
        writer.write("t", {"a": 1})
        writer.end("aborted", "the stop circuit opened")
    readings = JournalReadings(path)

    assert (readings.outcome, readings.cause) == ("aborted", "the stop circuit opened")
    assert list(readings.rows("t")) == [{"a": 1}]


def test_the_first_end_stands(path: Path) -> None:
    writer = JournalWriter(path, {})
    writer.end("done")
    writer.end("aborted", "interrupted on the way out")

    assert JournalReadings(path).outcome == "done"
    with pytest.raises(JournalError, match="has ended"):
        writer.write("t", {"a": 1})
    with pytest.raises(ValueError, match="outcome"):
        writer.end("perhaps")


def test_a_full_table_commits_all_tables(path: Path) -> None:
    writer = JournalWriter(path, {}, batch_rows=3)
    writer.write("events", {"event": "start"})
    for row in range(3):
        writer.write("motion", {"t_s": row})

    assert writer.committed == 3
    assert list(JournalReadings(path).rows("events")) == [{"event": "start"}]
    writer.close()


def test_what_wasnt_committed_isnt_there(path: Path) -> None:
    writer = JournalWriter(path, {})
    writer.write("t", {"a": 1})
    writer.commit()
    writer.commit()
    writer.write("t", {"a": 2})
    writer.close()
    readings = JournalReadings(path)

    assert list(readings.rows("t")) == [{"a": 1}]
    assert (readings.outcome, readings.tail_lost, len(readings.digests)) == (None, False, 2)


# -- what a journal doesn't take -----------------------------------------------------------------------------


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, np.float64("nan")])
def test_a_number_that_isnt_one_is_refused_by_its_column(path: Path, value: float) -> None:
    with JournalWriter(path, {}) as writer:
        with pytest.raises(JournalError, match=r"motion\.gauge_m is -?(nan|inf)"):
            writer.write("motion", {"t_s": 0.0, "gauge_m": value})
        writer.write("motion", {"t_s": 0.0, "gauge_m": None})
        writer.end("done")

    assert list(JournalReadings(path).rows("motion")) == [{"t_s": 0.0, "gauge_m": None}]


@pytest.mark.parametrize("value", [np.int64(3), np.bool_(True), [1], b"x"])
def test_a_value_that_isnt_plain_is_refused_by_its_column(path: Path, value: Any) -> None:
    with JournalWriter(path, {}) as writer, pytest.raises(JournalError, match=r"t\.a is a .*, not a plain value"):
        writer.write("t", {"a": value})


def test_a_row_without_columns_is_refused(path: Path) -> None:
    with JournalWriter(path, {}) as writer, pytest.raises(JournalError, match="a row of 't' has no columns"):
        writer.write("t", {})


def test_a_float_of_numpy_is_a_float(path: Path) -> None:
    with JournalWriter(path, {}) as writer:
        writer.write("t", {"a": np.float64(0.1)})
        writer.end("done")

    assert list(JournalReadings(path).rows("t")) == [{"a": 0.1}]


@pytest.mark.parametrize("row", [{"a": 1}, {"a": 1, "c": 2}, {"a": 1, "b": 2, "c": 3}])
def test_columns_stay_the_same(path: Path, row: dict[str, int]) -> None:
    with JournalWriter(path, {}) as writer:
        writer.write("t", {"a": 1, "b": 2})
        with pytest.raises(JournalError, match="table 't' has the columns a, b"):
            writer.write("t", row)


def test_a_journal_is_never_overwritten(ended: Path) -> None:
    before = ended.read_bytes()
    with pytest.raises(JournalError, match="never overwritten"):
        JournalWriter(ended, {})

    assert ended.read_bytes() == before


def test_a_writer_that_was_closed_takes_no_commit(path: Path) -> None:
    writer = JournalWriter(path, {})
    writer.write("t", {"a": 1})
    writer.close()

    with pytest.raises(JournalError, match=r"can't be written: .* closed"):
        writer.commit()


def test_a_header_that_cant_be_synced_leaves_no_file_open(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(journal.os, "fsync", full)
    # an open file would be a ResourceWarning, which is an error here
    with pytest.raises(JournalError, match="No space left"):
        JournalWriter(path, {})


def test_a_folder_that_isnt_there(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="can't be written: No such file"):
        JournalWriter(tmp_path / "gone" / "x.journal.jsonl", {})
    with pytest.raises(JournalError, match="can't be read: No such file"):
        JournalReadings(tmp_path / "x.journal.jsonl")


# -- commits that fail or are interrupted --------------------------------------------------------------------


class Spoiled:
    """The writer's file, which breaks its next write or sync once."""

    def __init__(self, file: Any, error: BaseException, after_bytes: int) -> None:
        self._file, self._error, self._after = file, error, after_bytes
        self._left = 1

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def write(self, data: memoryview) -> int:
        if self._left:
            if self._after > 0:
                part = int(self._file.write(data[: self._after]))
                self._after = 0
                return part
            self._left = 0
            raise self._error
        return int(self._file.write(data))


@pytest.mark.parametrize("after_bytes", [0, 1, 40])
@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left on device")])
def test_after_a_commit_that_broke_off_the_journal_goes_on_whole(
    path: Path, error: BaseException, after_bytes: int
) -> None:
    writer = JournalWriter(path, {})
    writer.write("t", {"a": 1})
    writer.commit()
    writer.write("t", {"a": 2})
    writer._file = Spoiled(writer._file, error, after_bytes)  # type: ignore[assignment]
    with pytest.raises((KeyboardInterrupt, JournalError), match=r"No space left|^$"):
        writer.commit()
    torn = JournalReadings(path)
    writer.end("aborted", "interrupted by the operator")
    readings = JournalReadings(path)

    assert list(torn.rows("t")) == [{"a": 1}]
    assert torn.tail_lost == (after_bytes > 0)
    assert list(readings.rows("t")) == [{"a": 1}, {"a": 2}]
    assert (readings.outcome, readings.tail_lost) == ("aborted", False)


def test_an_interrupt_right_after_the_sync_doubles_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = JournalWriter(path, {})
    writer.write("t", {"a": 1})
    real = os.fsync

    def interrupted(descriptor: int) -> None:
        real(descriptor)
        monkeypatch.setattr(journal.os, "fsync", real)
        raise KeyboardInterrupt

    monkeypatch.setattr(journal.os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        writer.commit()
    writer.end("aborted", "interrupted")

    assert list(JournalReadings(path).rows("t")) == [{"a": 1}]


def test_every_commit_is_synced(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sizes: list[int] = []
    real = os.fsync

    def counting(descriptor: int) -> None:
        real(descriptor)
        sizes.append(path.stat().st_size)

    monkeypatch.setattr(journal.os, "fsync", counting)
    writer = JournalWriter(path, {})
    sizes.clear()
    for row in range(3):
        writer.write("t", {"a": row})
        writer.commit()
        assert sizes[-1] == path.stat().st_size
    writer.end("done")

    assert len(sizes) == 4


# -- damage --------------------------------------------------------------------------------------------------


def test_a_torn_tail_is_passed_over_and_told(ended: Path) -> None:
    whole = ended.read_bytes()
    last = len(lines_of(ended)[-1])
    for cut in (1, 30, last - 1):
        ended.write_bytes(whole[:-cut])
        readings = JournalReadings(ended)
        assert readings.tail_lost
        assert readings.outcome is None
        assert len(list(readings.rows("places"))) == 10


def test_a_bad_last_line_is_passed_over_and_told(ended: Path) -> None:
    lines = lines_of(ended)
    ended.write_bytes(b"".join(lines[:-1]) + b"\0" * 40 + b"\n")

    readings = JournalReadings(ended)
    assert readings.tail_lost
    assert readings.outcome is None


@pytest.mark.parametrize("at", range(7))
def test_a_changed_line_before_good_ones_is_named(ended: Path, at: int) -> None:
    draw = random.Random(at)
    lines = lines_of(ended)
    for _ in range(40):
        changed = bytearray(lines[at])
        where = draw.randrange(len(changed) - 1)
        changed[where] ^= 1 << draw.randrange(8)
        if changed[where] == ord("\n"):
            continue
        ended.write_bytes(b"".join([*lines[:at], bytes(changed), *lines[at + 1 :]]))
        with pytest.raises(JournalCorrupt) as caught:
            JournalReadings(ended)
        assert caught.value.line == at + 1
        assert f"{ended}:{at + 1}: " in str(caught.value)


def swap(lines: list[bytes]) -> None:
    lines[2], lines[3] = lines[3], lines[2]


def double(lines: list[bytes]) -> None:
    lines.insert(3, lines[2])


def drop(lines: list[bytes]) -> None:
    del lines[2]


def drop_header(lines: list[bytes]) -> None:
    del lines[0]


def double_last(lines: list[bytes]) -> None:
    lines.append(lines[-1])


@pytest.mark.parametrize(
    ("damage", "line", "said"),
    [
        (swap, 3, "line number 3 stands where 2 is due"),
        (double, 4, "line number 2 stands where 3 is due"),
        (drop, 3, "line number 3 stands where 2 is due"),
        (drop_header, 1, "line number 1 stands where 0 is due"),
        (double_last, 9, "line number 7 stands where 8 is due"),
    ],
)
def test_lines_out_of_their_turn_are_named(
    ended: Path, damage: Callable[[list[bytes]], None], line: int, said: str
) -> None:
    lines = lines_of(ended)
    damage(lines)
    ended.write_bytes(b"".join(lines))

    with pytest.raises(JournalCorrupt, match=said) as caught:
        JournalReadings(ended)
    assert caught.value.line == line


@pytest.mark.parametrize("content", [b"", b"{", b"procedure,readings\n"])
def test_a_file_without_a_header_is_no_journal(path: Path, content: bytes) -> None:
    path.write_bytes(content)

    with pytest.raises(JournalCorrupt, match="no whole header"):
        JournalReadings(path)


def forged(number: int, item: dict[str, Any]) -> bytes:
    """A line whose digest is right, as only our own writer or a forger makes one."""
    return journal.numbered_line(number, item)


HEADER = forged(0, {"schema": journal.SCHEMA, "header": {}})
BATCH = forged(1, {"table": "t", "rows": 1, "columns": {"a": [1]}})
END = {"end": {"outcome": "done", "cause": "", "at_s": None}}


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([forged(0, {"schema": "another/1", "header": {}})], "isn't a header of stepwitness-journal/1"),
        ([HEADER, forged(1, {"table": "t", "rows": 2, "columns": {"a": [1]}})], "haven't 2 rows each"),
        ([HEADER, BATCH, forged(2, {"table": "t", "rows": 1, "columns": {"b": [1]}})], "differ from its first"),
        ([HEADER, forged(1, END), forged(2, {"table": "t", "rows": 1, "columns": {"a": [1]}})], "behind the end"),
        ([HEADER, forged(1, END), forged(2, END)], "neither a batch nor the only end"),
        ([HEADER, forged(1, {"something": 1})], "neither a batch nor the only end"),
    ],
)
def test_lines_that_are_whole_but_say_nonsense_are_named(path: Path, lines: list[bytes], said: str) -> None:
    path.write_bytes(b"".join(lines))

    with pytest.raises(JournalCorrupt, match=said):
        JournalReadings(path)


def test_a_line_that_is_whole_but_no_json_is_named(path: Path) -> None:
    prefix = b'{"n":1,"table":"t",oops'
    path.write_bytes(HEADER + prefix + journal._tail(prefix))

    with pytest.raises(JournalCorrupt, match="isn't JSON"):
        JournalReadings(path)


def test_a_journal_that_changes_under_its_reader_is_noticed(ended: Path) -> None:
    readings = JournalReadings(ended)
    lines = lines_of(ended)
    other = forged(1, {"table": "places", "rows": 1, "columns": {"at_m": [1], "up": [True], "gauge_m": [0]}})
    ended.write_bytes(b"".join([lines[0], other, *lines[2:]]))
    with pytest.raises(JournalCorrupt, match="changed since"):
        list(readings.rows("places"))
    ended.write_bytes(b"".join(lines[:4]))
    with pytest.raises(JournalCorrupt, match="shorter than"):
        list(readings.rows("places"))


def test_a_line_digest_covers_the_whole_line(ended: Path) -> None:
    line = lines_of(ended)[1]

    assert line_digest(line) == json.loads(line)["sha256"]
    for where in range(len(line)):
        changed = bytearray(line)
        changed[where] ^= 0x01
        assert line_digest(bytes(changed)) is None


# -- killed --------------------------------------------------------------------------------------------------

CHILD = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from stepwitness.records.journal import JournalWriter

    writer = JournalWriter(Path(sys.argv[1]), {"procedure": "endurance"}, batch_rows=10**9)
    print(0, flush=True)
    for batch in range(10**6):
        for row in range(50):
            at = batch * 50 + row
            writer.write("positions", {"row": at, "deviation_m": at * 1e-9, "note": "x" * 40})
        writer.commit()
        print(batch + 1, flush=True)
    """
)


def test_after_sigkill_every_committed_batch_is_there(tmp_path: Path) -> None:
    """The child tells each batch once its commit has returned; what it told must be in the file, whole."""
    draw = random.Random(20)
    batches_seen = 0
    for trial in range(20):
        path = tmp_path / f"{trial}.journal.jsonl"
        child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE)
        assert child.stdout is not None
        child.stdout.readline()
        time.sleep(draw.uniform(0.0, 0.06))
        child.send_signal(signal.SIGKILL)
        told = child.stdout.read().split()
        child.stdout.close()
        child.wait()
        committed = int(told[-1]) if told else 0
        batches_seen += committed

        readings = JournalReadings(path)
        rows = [row["row"] for row in readings.rows("positions")]
        assert len(rows) >= committed * 50
        assert rows == list(range(len(rows)))
        assert len(rows) % 50 == 0
        assert readings.outcome is None
    assert batches_seen > 0


# -- memory --------------------------------------------------------------------------------------------------


def peak_bytes(path: Path, rows: int) -> int:
    tracemalloc.start()
    try:
        with JournalWriter(path, {}) as writer:
            for row in range(rows):
                writer.write("positions", {"target_index": row % 11, "up": row % 2 == 0, "gauge_m": row * 1e-7})
            writer.end("done")
        total = sum(row["gauge_m"] for row in JournalReadings(path).rows("positions"))
        assert total == pytest.approx(rows * (rows - 1) / 2 * 1e-7)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_doesnt_grow_with_the_readings(tmp_path: Path) -> None:
    short = peak_bytes(tmp_path / "short.journal.jsonl", 2_000)
    long = peak_bytes(tmp_path / "long.journal.jsonl", 40_000)

    # a digest a line is kept: 200 lines, 113 bytes each
    assert long < 1.5 * short + 40_000
