"""The two ways to the past say the same: folders of records, and the store that they were filed in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from stepwitness.history.folders import FolderPast
from stepwitness.history.past import Past, Subject
from stepwitness.history.stored import StoredPast, past_of
from stepwitness.records.store import open_store

SUBJECT = Subject("doser-rig-1", "doser", "TB-0417", "checks", simulated=True)


def no_serial(sections: dict[str, Any]) -> None:
    sections["axis"]["serial"] = ""


def told(past: Past, subject: Subject = SUBJECT) -> list[tuple[Any, ...]]:
    points = past.points(subject, procedure="check_standard", characteristic="gauge_deviation")
    return [(one.seal, one.time, one.value, one.u, dict(one.splits)) for one in points]


def test_folders_and_store_agree(tmp_path: Path, night_folder: Callable[..., Path]) -> None:
    folders = [night_folder(number) for number in (2, 0, 1)]
    folders.append(night_folder(3, change=no_serial))
    local = FolderPast(tmp_path / "reports" / "doser-rig-1")
    with open_store(tmp_path / "s.sqlite") as store:
        for folder in folders:
            store.file(folder)
        stored = StoredPast(store)
        assert told(stored) == told(local)
        assert told(stored, replace(SUBJECT, serial="")) == told(local, replace(SUBJECT, serial=""))
        ids = [run.id for run in stored.runs(SUBJECT, since="")]

    assert len(told(local)) == 3
    assert ids == [run.id for run in local.runs(SUBJECT, since="")] == [f"doser-rig-1-{night}" for night in range(3)]
    assert told(local, replace(SUBJECT, simulated=False)) == []


def test_what_is_no_record_is_left_out(tmp_path: Path, night_folder: Callable[..., Path]) -> None:
    night_folder(0)
    broken = tmp_path / "reports" / "doser-rig-1" / "broken"
    broken.mkdir()
    (broken / "record.json").write_text("{}", encoding="utf-8")

    assert len(told(FolderPast(tmp_path / "reports" / "doser-rig-1"))) == 1


def test_what_the_store_has_not_yet_is_joined_and_nothing_counts_twice(
    tmp_path: Path, night_folder: Callable[..., Path]
) -> None:
    folders = [night_folder(number) for number in range(4)]
    reports = tmp_path / "reports"
    with open_store(tmp_path / "s.sqlite") as store:
        for folder in folders[1:3]:
            store.file(folder)
        joined = past_of(store, reports, "doser-rig-1")
        (folders[1] / "record.json").unlink()  # the store alone has it now
        values = told(joined)
        ids = [run.id for run in joined.runs(SUBJECT, since="")]

    assert len(values) == 4
    assert [value[1] for value in values] == sorted(value[1] for value in values)
    assert ids == [f"doser-rig-1-{night}" for night in range(4)]
