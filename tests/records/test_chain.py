"""The chain of a bench's records: what is dropped, doubled, renamed or from elsewhere is found by name."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stepwitness.records import chain
from stepwitness.records.chain import add_record, broken_chains
from stepwitness.records.manifest import FILE, SECTIONS, open_record, verify
from stepwitness.records.sealed import RecordError

BENCH = "doser-rig-1"
HEAD = f".{BENCH}.chain.json"


def added(above: Path, name: str) -> Path:
    """A record that says little more than its name, added to the chain of the bench."""
    directory = above / name
    directory.mkdir(parents=True)
    sections = {key: [] if key == "procedures" else {} for key in SECTIONS if key != "chain"}
    add_record(directory, BENCH, {**sections, "run": {"id": f"{above.name}/{name}"}})
    return directory


def all_of(above: Path) -> list[Path]:
    return [path.parent for path in above.glob(f"*/{FILE}")]


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """Four nights of one bench."""
    above = tmp_path / "rig"
    for night in "abcd":
        added(above, night)
    return above


def links(above: Path) -> list[tuple[str, Any, Any]]:
    told = [open_record(directory) for directory in sorted(all_of(above))]
    return [(one.directory.name, one.sections["chain"]["number"], one.sections["chain"]["previous"]) for one in told]


def test_each_record_says_its_number_and_the_one_before(runs: Path) -> None:
    seals = [open_record(runs / night).seal["sha256"] for night in "abcd"]

    assert links(runs) == [("a", 1, None), ("b", 2, seals[0]), ("c", 3, seals[1]), ("d", 4, seals[2])]
    assert broken_chains(all_of(runs)) == []
    assert all(verify(directory) == [] for directory in all_of(runs))


def _drop(*nights: str) -> Callable[[Path], None]:
    def act(runs: Path) -> None:
        for night in nights:
            shutil.rmtree(runs / night)

    return act


def _swap(runs: Path) -> None:
    (runs / "b").rename(runs / "x")
    (runs / "c").rename(runs / "b")
    (runs / "x").rename(runs / "c")


def _copy(runs: Path) -> None:
    shutil.copytree(runs / "b", runs / "e")


def _insert_a_stranger(runs: Path) -> None:
    """A record of the same number from another chain."""
    for night in "abc":
        other = added(runs.parent / "other", night)
    shutil.rmtree(runs / "c")
    shutil.copytree(other, runs / "c")


def _replace_the_last(runs: Path) -> None:
    others = runs.parent / "other"
    shutil.copytree(runs, others)
    shutil.rmtree(others / "d")
    (others / HEAD).unlink()
    shutil.rmtree(runs / "d")
    record = added(others, "e")
    record.rename(runs / "d")


@pytest.mark.parametrize(
    ("act", "told"),
    [
        (_drop("b"), ["rig: record 2 of doser-rig-1 is missing"]),
        (_drop("a"), ["rig: record 1 of doser-rig-1 is missing"]),
        (_drop("d"), ["rig: record 4 of doser-rig-1 is missing"]),
        (_drop("b", "c"), ["rig: record 2 to 3 of doser-rig-1 is missing"]),
        (
            _swap,
            ["rig: b was sealed in the folder c", "rig: c was sealed in the folder b"],
        ),
        (
            _copy,
            ["rig: e was sealed in the folder b", "rig: e is a copy of b, record 2 of doser-rig-1"],
        ),
        (
            _insert_a_stranger,
            [
                "rig: c doesn't follow b, as its number 3 says",
                "rig: d doesn't follow c, as its number 4 says",
            ],
        ),
        (
            _replace_the_last,
            ["rig: d was sealed in the folder e", "rig: d isn't the record 4 of doser-rig-1 that was sealed"],
        ),
    ],
)
def test_what_happened_to_a_chain_is_told_by_name(runs: Path, act: Callable[[Path], None], told: list[str]) -> None:
    act(runs)

    assert broken_chains(all_of(runs)) == told


def test_without_a_head_the_end_cant_be_known_and_the_next_record_goes_on(runs: Path) -> None:
    for torn in (b"", b"{}", b'{"last":3,"coming":null}', None):
        (runs / HEAD).write_bytes(torn) if torn is not None else (runs / HEAD).unlink()
        assert broken_chains(all_of(runs)) == [
            "rig: the head of the chain of doser-rig-1 is missing, so records may be missing at its end"
        ]
    added(runs, "e")

    assert links(runs)[-1][1] == 5
    assert broken_chains(all_of(runs)) == []


@pytest.mark.parametrize("failing", [1, 2])
def test_what_breaks_off_between_head_and_record_leaves_no_gap(
    runs: Path, failing: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The process dies before the record is written (1), or before the head says that it was (2)."""
    calls = 0

    def dies(*given: Any) -> Any:
        nonlocal calls
        calls += 1
        if calls == failing:
            raise KeyboardInterrupt
        return given[-1](*given[:-1])

    write_head, write_record = chain._write_head, chain.write_record
    with monkeypatch.context() as patched:
        if failing == 1:
            patched.setattr(chain, "write_record", lambda *given: dies(*given, write_record))
        else:
            patched.setattr(chain, "_write_head", lambda *given: dies(*given, write_head))
        with pytest.raises(KeyboardInterrupt):
            added(runs, "e")
    assert broken_chains(all_of(runs)) == []

    added(runs, "f")
    assert links(runs)[-1][1] == 4 + failing
    assert broken_chains(all_of(runs)) == []


def test_two_benches_and_two_folders_are_chains_of_their_own(tmp_path: Path) -> None:
    for above in (tmp_path / "one", tmp_path / "two"):
        for bench in ("rig-1", "rig-2"):
            directory = above / f"{bench}-night"
            directory.mkdir(parents=True)
            add_record(directory, bench, {key: {} for key in SECTIONS if key != "chain"})

    found = [path.parent for path in tmp_path.rglob(FILE)]
    assert len(found) == 4
    assert {open_record(directory).sections["chain"]["number"] for directory in found} == {1}
    assert broken_chains(found) == []


def test_a_record_that_stands_there_takes_no_number(runs: Path) -> None:
    head = (runs / HEAD).read_bytes()
    with pytest.raises(RecordError, match="exists already"):
        add_record(runs / "d", BENCH, {key: {} for key in SECTIONS if key != "chain"})

    assert json.loads((runs / HEAD).read_bytes())["last"] == json.loads(head)["last"]
    added(runs, "e")
    assert links(runs)[-1][1] == 5


NIGHT_AFTER_NIGHT = """
import sys
from pathlib import Path
from stepwitness.records.chain import add_record
from stepwitness.records.manifest import SECTIONS
for night in range(8):
    directory = Path(sys.argv[1]) / f"{sys.argv[2]}-{night}"
    directory.mkdir()
    add_record(directory, "doser-rig-1", {key: {} for key in SECTIONS if key != "chain"})
"""


def test_processes_that_seal_at_once_make_one_chain(tmp_path: Path) -> None:
    above = tmp_path / "rig"
    above.mkdir()
    workers = [subprocess.Popen([sys.executable, "-c", NIGHT_AFTER_NIGHT, str(above), name]) for name in "xyz"]

    assert [worker.wait() for worker in workers] == [0, 0, 0]
    assert sorted(number for _, number, _ in links(above)) == list(range(1, 25))
    assert broken_chains(all_of(above)) == []


def test_a_chain_that_another_process_keeps_is_an_error_of_one_line(
    runs: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from filelock import FileLock

    monkeypatch.setattr(chain, "PATIENCE_S", 0.05)
    with (
        FileLock(runs / f".{BENCH}.chain.lock"),
        pytest.raises(RecordError, match="another process keeps the chain of doser-rig-1"),
    ):
        added(runs, "e")
