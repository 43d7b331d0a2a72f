"""What goes into a store comes out of it, on both databases."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from stepwitness.records.manifest import FILE, open_record
from stepwitness.records.store import Store, StoreError, open_store


def test_a_record_is_filed_once_by_its_seal(store: Store, run_folder: Any) -> None:
    directory = run_folder(1)
    first = store.file(directory)
    again = store.file(directory)
    assert first == again
    assert store.records() == (first,)
    record = open_record(directory)
    assert first.seal == record.seal["sha256"]
    assert store.has(first.seal)
    assert not store.has("0" * 64)


def test_what_a_record_says_of_itself(store: Store, run_folder: Any) -> None:
    stored = store.file(run_folder(1, attempt=2, previous="0000-doser-rig-1"))
    assert (stored.bench, stored.axis, stored.serial, stored.plan) == ("doser-rig-1", "doser", "TB-0417", "nightly")
    assert (stored.started, stored.ended) == ("2026-09-02T02:10:00+00:00", "2026-09-02T02:14:00+00:00")
    assert (stored.purpose, stored.verdict, stored.worst) == ("nightly", "NOT OBSERVABLE", "NOT OBSERVABLE")
    assert (stored.attempt, stored.previous, stored.partial, stored.simulated) == (2, "0000-doser-rig-1", False, True)
    assert stored.folder == "doser-rig-1/2026-09-02T0210"
    assert stored.splits["firmware"] == "drive Tarnbrook D1 17"
    assert set(stored.splits) == {"firmware", "bench", "calibration", "plan"}


def test_findings_are_those_of_the_record_then_estimates_without_a_limit(store: Store, run_folder: Any) -> None:
    directory = run_folder(1)
    found = store.findings(store.file(directory).seal)
    sealed = open_record(directory).sections["findings"]
    assert [(one.procedure, one.characteristic, one.verdict) for one in found[: len(sealed)]] == [
        (one["procedure"], one["characteristic"], one["verdict"]) for one in sealed
    ]
    assert [(one.value, one.u, one.expanded, one.k, one.limit) for one in found[: len(sealed)]] == [
        (one["value"], one["u"], one["U"], one["k"], one["limit"]) for one in sealed
    ]
    estimates = sum(len(entry["estimates"]) for entry in open_record(directory).sections["procedures"])
    assert len(found) == estimates
    assert {(one.verdict, one.limit, one.rule) for one in found[len(sealed) :]} == {("", None, "")}
    assert {one.kind for one in found if one.characteristic == "mean_offset"} == {"m"}


def test_pages_follow_one_another_without_gap_or_overlap(store: Store, run_folder: Any) -> None:
    for night in (3, 1, 4, 0, 2):
        store.file(run_folder(night))
    pages, after = [], None
    while page := store.records(limit=2, after=after):
        pages.append(page)
        after = page[-1]
    assert [len(page) for page in pages] == [2, 2, 1]
    assert [one.id for page in pages for one in page] == [f"{night:04d}-doser-rig-1" for night in (4, 3, 2, 1, 0)]


def test_records_of_one_instant_are_all_on_some_page(store: Store, run_folder: Any) -> None:
    for rig in ("a", "b", "c"):
        store.file(run_folder(1, named=rig))
    first = store.records(limit=1)
    rest = store.records(after=first[0])
    assert {one.bench for one in (*first, *rest)} == {"a", "b", "c"}
    assert len(rest) == 2


@pytest.mark.parametrize(
    ("asked", "nights"),
    [
        ({"bench": "doser-rig-2"}, [1]),
        ({"serial": "TB-0418"}, [2]),
        ({"axis": "doser"}, [2, 1, 0]),
        ({"axis": "plate-lift"}, []),
        ({"plan": "nightly", "purpose": "nightly", "verdict": "FAIL"}, [2]),
        ({"simulated": False}, []),
        ({"since": "2026-09-02"}, [2, 1]),
        ({"until": "2026-09-02T02:10:00Z"}, [0]),
        ({"since": "2026-09-02T04:10:00+02:00", "until": "2026-09-03"}, [1]),
    ],
)
def test_records_are_chosen(store: Store, run_folder: Any, asked: dict[str, Any], nights: list[int]) -> None:
    store.file(run_folder(0))
    store.file(run_folder(1, named="doser-rig-2"))
    store.file(run_folder(2, serial="TB-0418", offset_um=60.0))
    assert [int(one.id[:4]) for one in store.records(**asked)] == nights


def test_a_record_is_found_by_seal_by_folder_and_by_run(store: Store, run_folder: Any) -> None:
    stored = store.file(run_folder(1))
    store.file(run_folder(1, named="doser-rig-2"))
    for key in (
        stored.seal,
        stored.seal[:8].upper(),
        "0001-doser-rig-1",
        "doser-rig-1/0001-doser-rig-1",
        stored.folder,
    ):
        assert store.record(key) == stored
    with pytest.raises(StoreError, match=r"did you mean 'doser-rig-1'\?"):
        store.record("dozer-rig-1/2026-09-02T0210")
    with pytest.raises(StoreError, match="there is no record 'nobody'"):
        store.record("nobody")
    store.file(run_folder(1, named="doser-rig-3", id="0001-doser-rig-1"))
    with pytest.raises(StoreError, match="several records are named 0001-doser-rig-1"):
        store.record("0001-doser-rig-1")


def test_a_trend_is_oldest_first_with_or_without_a_limit(store: Store, run_folder: Any) -> None:
    for night in (2, 0, 1):
        store.file(run_folder(night, offset_um=10.0 + night))
    points = store.trend(axis="doser", procedure="offset", characteristic="mean_offset")
    assert [round(point.value * 1e6, 9) for point in points] == [10.0, 11.0, 12.0]
    assert [point.started[:10] for point in points] == ["2026-09-01", "2026-09-02", "2026-09-03"]
    assert {(point.unit, point.limit, point.verdict, point.simulated) for point in points} == {
        ("um", 25e-6, "PASS", True)
    }
    assert all(point.expanded and point.u and point.k for point in points)
    assert points[0].splits == points[1].splits
    free = store.trend(procedure="offset", characteristic="least")
    assert [(point.limit, point.verdict) for point in free] == [(None, "")] * 3
    assert store.trend(procedure="offset", characteristic="clearance") == (), "nobody saw it"
    newest = store.trend(procedure="offset", characteristic="mean_offset", limit=2)
    assert newest == points[1:]


def test_a_trend_is_of_what_was_asked_for(store: Store, run_folder: Any) -> None:
    store.file(run_folder(0))
    store.file(run_folder(1, named="doser-rig-2", simulated=False))
    store.file(run_folder(2, serial="TB-0418"))
    asked = {"procedure": "offset", "characteristic": "mean_offset"}
    assert len(store.trend(**asked)) == 3
    assert [point.serial for point in store.trend(serial="TB-0418", **asked)] == ["TB-0418"]
    assert [point.bench for point in store.trend(simulated=False, **asked)] == ["doser-rig-2"]
    assert len(store.trend(since="2026-09-02", **asked)) == 2
    assert len(store.trend(plan="incoming", **asked)) == 0
    assert {point.procedure for point in store.trend(characteristic="mean_offset")} == {"offset", "play-at-end"}


def test_what_splits_a_history_is_in_each_point(store: Store, run_folder: Any) -> None:
    store.file(run_folder(0))
    store.file(run_folder(1, identities={"drive": "Tarnbrook D1 18"}))
    told = [point.splits for point in store.trend(procedure="offset", characteristic="mean_offset")]
    assert [one["firmware"] for one in told] == ["drive Tarnbrook D1 17", "drive Tarnbrook D1 18"]
    assert told[0]["plan"] == told[1]["plan"]


def test_files_come_back_to_the_byte(store: Store, run_folder: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stepwitness.records.store.pieces.PIECE_BYTES", 1000)
    directory = run_folder(1, readings=300)
    stored = store.file(directory)
    names = store.file_names(stored.seal)
    assert names == (FILE, "offset.journal.jsonl", "play-at-end.journal.jsonl")
    assert (directory / names[1]).stat().st_size > 3000, "several pieces"
    for name in names:
        assert b"".join(store.pieces(stored.seal, name)) == (directory / name).read_bytes()


def test_a_record_that_was_changed_is_refused_with_the_place(store: Store, run_folder: Any) -> None:
    directory = run_folder(1)
    journal = directory / "offset.journal.jsonl"
    journal.write_bytes(journal.read_bytes().replace(b"1e-05", b"2e-05", 1) + b"{}\n")
    with pytest.raises(StoreError, match=r"isn't what was sealed: offset\.journal\.jsonl:\d+"):
        store.file(directory)
    assert store.records() == ()


def test_a_record_goes_in_whole_or_not_at_all(store: Store, run_folder: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    directory = run_folder(1)

    def full(*_: Any) -> None:
        raise StoreError("no room")

    with monkeypatch.context() as patch:
        patch.setattr("stepwitness.records.store.filing.put_file", full)
        with pytest.raises(StoreError, match="no room"):
            store.file(directory)
    assert store.records() == ()
    assert store.trend(characteristic="mean_offset") == ()
    store.file(directory)
    assert len(store.records()) == 1


def test_documents_keep_each_state_of_a_key(store: Store, tmp_path: Path) -> None:
    sheet = tmp_path / "lot.json"
    for state in ("open", "open", "accepted"):
        sheet.write_text(json.dumps({"state": state}))
        store.file_document("lot", "Orrin/TD-200/L-17", sheet)
    sheet.write_text("{}")
    store.file_document("lot", "Orrin/TD-200/L-18", sheet)
    store.file_document("qualification", "Orrin/TD-200/L-17", sheet)
    states = store.documents("lot", "Orrin/TD-200/L-17")
    assert [json.loads(one.data)["state"] for one in states] == ["open", "accepted"]
    assert len(store.documents("lot", "Orrin/TD-200/")) == 3
    assert len(store.documents("lot", "Orrin/TD_200/")) == 0, "an underscore is no wildcard"
    assert len(store.documents("qualification")) == 1


def test_a_store_is_opened_again_with_what_is_in_it(where: str, run_folder: Any) -> None:
    with open_store(where) as store:
        stored = store.file(run_folder(1))
    with open_store(where) as store:
        assert store.records() == (stored,)
