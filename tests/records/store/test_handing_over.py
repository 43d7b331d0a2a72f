"""Folders go to the store once and in order, whatever happens on the way."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from stepwitness.records.kinds import KINDS
from stepwitness.records.manifest import FILE
from stepwitness.records.sealed import write_sealed
from stepwitness.records.store import Store, StoreError, StoreUnreachable, hand_over, open_store
from stepwitness.records.store.engine import reading


def filing_order(store: Store) -> list[str]:
    with reading(store._engine, store.address) as connection:
        return list(connection.scalars(text("SELECT name FROM record ORDER BY id")))


def test_every_folder_goes_once_and_in_the_order_of_its_chain(store: Store, run_folder: Any, tmp_path: Path) -> None:
    for night in (2, 0, 1):
        run_folder(night)
    told = hand_over(store, tmp_path / "reports")
    assert [one.id[:4] for one in told.filed] == ["0002", "0000", "0001"], "a clock may be set back, a chain isn't"
    assert told.filed[1].folder == "doser-rig-1/2026-09-01T0210"
    again = hand_over(store, tmp_path / "reports")
    assert (again.filed, again.refused) == ((), ())
    run_folder(3)
    assert len(hand_over(store, tmp_path / "reports").filed) == 1
    assert len(store.records()) == 4


def test_folders_anywhere_below_the_reports_go(store: Store, run_folder: Any, tmp_path: Path) -> None:
    run_folder(0, reports=tmp_path / "reports" / "lots" / "L-17")
    told = hand_over(store, tmp_path / "reports")
    assert [one.folder for one in told.filed] == ["lots/L-17/doser-rig-1/2026-09-01T0210"]


def test_what_is_noted_isnt_read_again(
    store: Store, run_folder: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_folder(0)
    hand_over(store, tmp_path / "reports")

    def read(*_: Any) -> None:
        raise AssertionError("it was noted")

    monkeypatch.setattr("stepwitness.records.store.handing_over.open_record", read)
    assert hand_over(store, tmp_path / "reports").filed == ()
    with pytest.raises(AssertionError, match="it was noted"):
        hand_over(store, tmp_path / "reports", everything=True)


def test_notes_that_are_lost_or_of_another_store_lose_nothing(store: Store, run_folder: Any, tmp_path: Path) -> None:
    for night in range(3):
        run_folder(night)
    hand_over(store, tmp_path / "reports")
    notes = tmp_path / "reports" / ".handed-over" / f"{store.identity}.jsonl"
    notes.write_bytes(notes.read_bytes()[:-20])  # torn by a power cut
    assert hand_over(store, tmp_path / "reports").filed == ()
    assert len(store.records()) == 3
    with open_store(tmp_path / "another.sqlite") as other:
        assert len(hand_over(other, tmp_path / "reports").filed) == 3


def test_a_store_from_an_old_copy_is_filled_again(store: Store, run_folder: Any, tmp_path: Path) -> None:
    directory = run_folder(0)
    hand_over(store, tmp_path / "reports")
    with store._engine.begin() as connection:  # as it was before the record came
        for table in ("piece", "file", "finding", "record"):
            connection.execute(text(f"DELETE FROM {table}"))
    assert hand_over(store, tmp_path / "reports").filed == ()
    assert len(hand_over(store, tmp_path / "reports", everything=True).filed) == 1
    assert directory.exists()


def test_a_broken_folder_stays_behind_and_the_others_go(store: Store, run_folder: Any, tmp_path: Path) -> None:
    run_folder(0)
    broken = run_folder(1)
    run_folder(2)
    (broken / "offset.journal.jsonl").unlink()
    torn = run_folder(3)
    (torn / FILE).write_bytes((torn / FILE).read_bytes()[:500])
    told = hand_over(store, tmp_path / "reports")
    assert [one.id[:4] for one in told.filed] == ["0000", "0002"]
    assert len(told.refused) == 2
    assert any("offset.journal.jsonl: can't be read" in one for one in told.refused)
    assert any("isn't JSON" in one for one in told.refused)
    assert len(hand_over(store, tmp_path / "reports").refused) == 2, "told until somebody looks"


def test_a_folder_that_holds_another_record_now_is_looked_at_again(
    store: Store, run_folder: Any, tmp_path: Path
) -> None:
    directory = run_folder(0)
    hand_over(store, tmp_path / "reports")
    shutil.rmtree(directory)
    run_folder(0, offset_um=12.0)
    assert len(hand_over(store, tmp_path / "reports").filed) == 1


def signed_by(document: Path, name: str) -> Path:
    """Something in the place of a signature: the store keeps it as it is."""
    path = document.with_name(f"{document.stem}.{name}.signature.json")
    path.write_text(f'{{"key":"{name}"}}')
    return path


def test_a_signature_that_came_since_goes_and_nothing_else_is_read(
    store: Store, run_folder: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_folder(0)
    first = signed_by(run_folder(1) / FILE, "aaaaaaaa")
    (_, filed) = hand_over(store, tmp_path / "reports").filed
    assert store.file_names(filed.seal)[-1] == first.name, "those that are there already come with the record"
    second = signed_by(first.with_name(FILE), "bbbbbbbb")
    told = hand_over(store, tmp_path / "reports")
    assert (told.filed, told.refused) == ((), ())
    assert told.signatures == (second.relative_to(tmp_path / "reports").as_posix(),)
    assert b"".join(store.pieces(filed.seal, second.name)) == second.read_bytes()

    monkeypatch.setattr("stepwitness.records.store.handing_over.open_record", lambda _: pytest.fail("it was noted"))
    assert hand_over(store, tmp_path / "reports").signatures == ()


def test_other_documents_go_with_their_signatures(store: Store, tmp_path: Path) -> None:
    """As where the store couldn't be reached when they were sealed."""
    reports = tmp_path / "reports"
    files = []
    for kind in KINDS[1:]:
        (reports / kind.name / "one").mkdir(parents=True)
        files.append(write_sealed(reports / kind.name / "one" / kind.file, "tarnbrook/1", {"of": {"kind": kind.name}}))
    signed_by(files[0], "aaaaaaaa")
    told = hand_over(store, reports)
    assert sorted(told.documents) == sorted(file.relative_to(reports).as_posix() for file in files)
    assert told.signatures == (), "it came with its document"
    for kind, file in zip(KINDS[1:], files, strict=True):
        (kept,) = store.documents(kind.name)
        assert (kept.key, kept.data) == (f"{kind.name}/one", file.read_bytes())
    assert len(store.documents("signature")) == 1

    later = signed_by(files[0], "bbbbbbbb")
    assert hand_over(store, reports).signatures == (later.relative_to(reports).as_posix(),)
    assert hand_over(store, reports, everything=True).documents == ()
    assert len(store.documents("signature")) == 2


def test_a_document_that_was_altered_stays_behind(store: Store, tmp_path: Path) -> None:
    (tmp_path / "reports").mkdir()
    file = write_sealed(tmp_path / "reports" / "lot.json", "tarnbrook/1", {"lot": {"quantity": 120}})
    file.write_bytes(file.read_bytes().replace(b"120", b"121"))
    told = hand_over(store, tmp_path / "reports")
    assert told.documents == ()
    assert told.refused == (f"{file} isn't what was sealed: lot.json: lot.quantity isn't what was sealed; now 121",)
    assert store.documents("lot") == ()


def test_no_folder_is_no_error(store: Store, tmp_path: Path) -> None:
    assert hand_over(store, tmp_path / "nowhere").filed == ()
    assert not (tmp_path / "nowhere").exists()


def test_a_way_that_is_lost_half_way_loses_and_doubles_nothing(
    store: Store, run_folder: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for night in range(6):
        run_folder(night)
    real, calls = Store.file, [0]

    def file(self: Store, directory: Path, *, folder: str = "") -> Any:
        calls[0] += 1
        if calls[0] == 2:
            raise StoreUnreachable("the cable is out")
        stored = real(self, directory, folder=folder)
        if calls[0] == 4:
            raise StoreUnreachable("the cable went out before the answer came")
        return stored

    monkeypatch.setattr(Store, "file", file)
    for _ in range(2):
        with pytest.raises(StoreUnreachable, match="the cable"):
            hand_over(store, tmp_path / "reports")
    hand_over(store, tmp_path / "reports")
    assert filing_order(store) == [f"{night:04d}-doser-rig-1" for night in range(6)]


def test_a_cut_between_rig_and_server_loses_and_doubles_nothing(
    postgres: Any, relay: Any, run_folder: Any, tmp_path: Path
) -> None:
    postgres.run("psql", "-q", "-c", "DROP SCHEMA public CASCADE; CREATE SCHEMA public")
    for night in range(5):
        run_folder(night)
    with open_store(postgres.url(port=relay.port)) as store:
        store.file(tmp_path / "reports" / "doser-rig-1" / "2026-09-01T0210")
        relay.cut()
        with pytest.raises(StoreUnreachable):
            hand_over(store, tmp_path / "reports")
        with pytest.raises(StoreUnreachable):
            open_store(postgres.url(port=relay.port))
        relay.mend()
        assert len(hand_over(store, tmp_path / "reports").filed) == 4, "the same store finds its way again"
        assert filing_order(store) == [f"{night:04d}-doser-rig-1" for night in range(5)]


def test_a_deleted_record_is_told_once_and_not_taken_again(store: Store, run_folder: Any, tmp_path: Path) -> None:
    run_folder(0)
    [filed] = hand_over(store, tmp_path / "reports").filed
    store.delete(filed.seal, why="a trial", by="AB")
    told = hand_over(store, tmp_path / "reports", everything=True)
    assert told.filed == ()
    assert len(told.refused) == 1
    assert "was deleted on" in told.refused[0]
    assert hand_over(store, tmp_path / "reports").refused == ()


def test_a_folder_that_cant_be_written_is_one_line(store: Store, run_folder: Any, tmp_path: Path) -> None:
    run_folder(0)
    (tmp_path / "reports" / ".handed-over").write_text("in the way")
    with pytest.raises(StoreError, match="can't be written"):
        hand_over(store, tmp_path / "reports")
