"""`stepwitness verify`, `sign` and `key`: one command that says which field or reading changed, and who signed."""

from __future__ import annotations

import io
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from stepwitness.records.chain import add_record
from stepwitness.records.journal import JournalReadings, JournalWriter
from stepwitness.records.manifest import FILE, SECTIONS
from stepwitness.records.sealed import canonical, write_sealed
from stepwitness.records.store import open_store

BENCH = "doser-rig-1"


def a_night(above: Path, name: str) -> Path:
    """A record with a journal of three readings."""
    directory = above / name
    directory.mkdir(parents=True)
    with JournalWriter(directory / "play.journal.jsonl", {"id": "play"}) as writer:
        for row in range(3):
            writer.write("stops", {"at_m": row / 1000, "gauge_m": row / 1000 + 1e-6})
        writer.end("done")
    batches = list(JournalReadings(writer.path).digests)
    entry = {"id": "play", "journal": writer.path.name, "outcome": "done", "batches": batches}
    sections = {name: {} for name in SECTIONS if name != "chain"}
    add_record(directory, BENCH, {**sections, "procedures": [entry], "run": {"id": name, "verdict": "PASS"}})
    return directory


@pytest.fixture
def nights(tmp_path: Path) -> Path:
    for name in ("monday", "tuesday", "wednesday"):
        a_night(tmp_path / "reports" / BENCH, name)
    return tmp_path / "reports"


@pytest.fixture
def night(nights: Path) -> Path:
    return nights / BENCH / "tuesday"


Said = Callable[..., tuple[int, list[str]]]


def rewrite(directory: Path, change: Callable[[dict[str, Any]], None]) -> None:
    record = json.loads((directory / FILE).read_bytes())
    change(record)
    (directory / FILE).write_bytes(canonical(record) + b"\n")


def test_a_whole_record_says_its_place_and_that_nobody_signed(night: Path, said: Said) -> None:
    code, (first, place, signed) = said("verify", night)

    assert code == 0
    assert first == f"{night}: whole, as sealed"
    assert place.startswith("  record 2 of doser-rig-1, seal ")
    assert ", after " in place
    assert len(place) <= 80
    assert signed == "  not signed: the seal shows accident, not forgery"


def test_the_field_that_changed_is_named(night: Path, said: Said) -> None:
    rewrite(night, lambda record: record["sections"]["run"].update(verdict="FAIL"))
    code, lines = said("verify", night)

    assert code == 1
    assert lines[0] == 'record.json: run.verdict (tuesday) isn\'t what was sealed; now "FAIL"'
    assert lines[1] == f"{night}: not what was sealed"


def test_the_reading_that_changed_is_named(night: Path, said: Said) -> None:
    path = night / "play.journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"0.001001", b"0.001002", 1))
    code, lines = said("verify", night)

    assert code == 1
    assert lines[0] == ("play.journal.jsonl:2: the line isn't the one that was sealed: gauge_m in row 2 of 'stops'")


def test_a_folder_of_records_is_checked_with_its_chains(nights: Path, said: Said) -> None:
    code, lines = said("verify", nights)

    assert code == 0
    assert lines == [
        f"{nights}: 3 records, all whole, as sealed; chains of records whole",
        "  3 not signed: their seals show accident, not forgery",
    ]


def test_what_is_dropped_doubled_or_changed_in_a_folder_is_named(nights: Path, night: Path, said: Said) -> None:
    rewrite(nights / BENCH / "monday", lambda record: record["sections"]["run"].update(id="sunday"))
    shutil.copytree(nights / BENCH / "wednesday", nights / BENCH / "thursday")
    shutil.rmtree(night)
    code, lines = said("verify", nights)

    assert code == 1
    assert lines == [
        f"{nights / BENCH / 'monday'}: not what was sealed",
        '  record.json: run.id (sunday) isn\'t what was sealed; now "sunday"',
        "doser-rig-1: thursday was sealed in the folder wednesday",
        "doser-rig-1: thursday is a copy of wednesday, record 3 of doser-rig-1",
        "doser-rig-1: record 2 of doser-rig-1 is missing",
        f"{nights}: 3 records, 2 of 3 whole, as sealed; chains of records broken",
        "  3 not signed: their seals show accident, not forgery",
    ]


def test_a_signature_is_made_and_verified_offline(night: Path, tmp_path: Path, said: Said) -> None:
    key, other = tmp_path / "lab.pem", tmp_path / "other.pem"
    code, made = said("key", key)
    assert (code, len(made)) == (0, 3)
    fingerprint = made[-1]
    said("key", other)

    code, (path, *_) = said("sign", night, "--key", key)
    assert code == 0
    assert Path(path).is_file()
    code, lines = said("verify", night)
    assert code == 0
    assert lines[-1].endswith(f"with key {fingerprint[:16]}…; --public-key says whose that is")
    code, lines = said("verify", night, "--public-key", f"{key}.pub")
    assert code == 0
    assert lines[-1].endswith(f"with the key of {key}.pub")
    code, lines = said("verify", night, "--public-key", f"{other}.pub")
    assert code == 1
    assert lines[0] == f"{night}: whole, as sealed, but not signed with the key of {other}.pub"


def test_a_forged_record_is_found_by_its_signature(night: Path, tmp_path: Path, said: Said) -> None:
    """Sealed anew and in its place in the chain, only the signature tells."""
    key = tmp_path / "lab.pem"
    said("key", key)
    said("sign", night, "--key", key)
    record = json.loads((night / FILE).read_bytes())
    (night / FILE).unlink()
    write_sealed(night / FILE, record["schema"], {**record["sections"], "run": {"id": "forged", "verdict": "PASS"}})
    code, lines = said("verify", night)

    assert code == 1
    assert "another document was signed" in lines[0]


def test_a_record_that_isnt_whole_isnt_signed(night: Path, tmp_path: Path, said: Said) -> None:
    key = tmp_path / "lab.pem"
    said("key", key)
    rewrite(night, lambda record: record["sections"]["run"].update(verdict="FAIL"))
    code, lines = said("sign", night, "--key", key)

    assert code == 1
    assert lines[-1] == f"{night}: not what was sealed, so it isn't signed"
    assert not list(night.glob("*.signature.json"))


def test_another_sealed_document_is_verified_and_signed(tmp_path: Path, said: Said) -> None:
    path = write_sealed(tmp_path / "lot.json", "tarnbrook-lot/1", {"lot": {"quantity": 120}})
    said("key", tmp_path / "lab.pem")
    assert said("sign", path, "--key", tmp_path / "lab.pem")[0] == 0
    assert said("verify", path, "--public-key", tmp_path / "lab.pem.pub")[0] == 0

    path.write_bytes(path.read_bytes().replace(b"120", b"121"))
    code, lines = said("verify", path)
    assert code == 1
    assert lines[0] == "lot.json: lot.quantity isn't what was sealed; now 121"


@pytest.mark.parametrize("given", [".", FILE])
def test_a_record_whose_readings_changed_isnt_signed(night: Path, tmp_path: Path, said: Said, given: str) -> None:
    said("key", tmp_path / "lab.pem")
    path = night / "play.journal.jsonl"
    path.write_bytes(path.read_bytes().replace(b"0.001001", b"0.001002", 1))
    code, lines = said("sign", night / given, "--key", tmp_path / "lab.pem")

    assert code == 1
    assert lines[0].startswith("play.journal.jsonl:2: the line isn't the one that was sealed")
    assert lines[-1] == f"{night / given}: not what was sealed, so it isn't signed"
    assert not list(night.glob("*.signature.json"))


def a_document(folder: Path, file: str) -> Path:
    folder.mkdir(parents=True)
    return write_sealed(folder / file, "tarnbrook/1", {"lot": {"quantity": 120}})


def test_documents_among_records_are_verified_with_them(nights: Path, said: Said) -> None:
    lot = a_document(nights / "lots" / "L-17", "lot.json")
    a_document(nights / "installation" / "2026-11-26T0119", "installation.json")
    code, lines = said("verify", nights)
    assert code == 0
    assert lines[0] == (f"{nights}: 3 records and 2 other documents, all whole, as sealed; chains of records whole")
    assert lines[1].startswith("  5 not signed")

    lot.write_bytes(lot.read_bytes().replace(b"120", b"121"))
    code, lines = said("verify", nights)
    assert code == 1
    assert lines[:2] == [
        f"{lot}: not what was sealed",
        "  lot.json: lot.quantity isn't what was sealed; now 121",
    ]
    assert "2 other documents, 4 of 5 whole" in lines[2]
    assert said("verify", lot.parent)[0] == 1, "its folder is as good as its file"
    assert said("verify", nights / "installation")[1][0].endswith("installation: 1 document, whole, as sealed")


def test_what_isnt_sealed_isnt_signed(nights: Path, tmp_path: Path, said: Said) -> None:
    said("key", tmp_path / "lab.pem")
    code, (line,) = said("sign", nights, "--key", tmp_path / "lab.pem")
    assert code == 2
    assert line.startswith(f"{nights}: there is no sealed document here; allowed: a folder with record.json, lot.json")


# -- signatures in the store ------------------------------------------------------------------------------------------


def test_a_store_that_has_the_document_takes_its_signature(tmp_path: Path, said: Said) -> None:
    reports = tmp_path / "reports"
    lot = a_document(reports / "lots" / "L-17", "lot.json")
    said("key", tmp_path / "lab.pem")
    said("key", tmp_path / "second.pem")
    with open_store(reports=reports) as store:
        store.file_document("lot", "lots/L-17", lot)
    code, (path, filed, *_) = said("sign", lot.parent, "--key", tmp_path / "lab.pem")
    assert (code, filed) == (0, f"filed in {reports / 'stepwitness.sqlite'}, too")
    with open_store(reports=reports) as store:
        (kept,) = store.documents("signature")
        assert kept.data == Path(path).read_bytes()
        assert store.has(kept.key.partition("/")[0])

    code, lines = said("sign", lot, "--key", tmp_path / "second.pem", "--store", tmp_path / "none.sqlite")
    assert (code, lines) == (2, [f"{tmp_path / 'none.sqlite'}: there is no store here"])
    assert len(list(lot.parent.glob("*.signature.json"))) == 1, "it is told before anything is signed"


def test_a_store_without_the_document_takes_no_signature(nights: Path, tmp_path: Path, said: Said) -> None:
    night = nights / BENCH / "monday"
    said("key", tmp_path / "lab.pem")
    with open_store(reports=nights):
        pass
    code, lines = said("sign", night, "--key", tmp_path / "lab.pem")
    assert code == 0
    assert not [line for line in lines if "filed" in line]
    said("key", tmp_path / "second.pem")
    store_file = nights / "stepwitness.sqlite"
    code, lines = said("sign", night, "--key", tmp_path / "second.pem", "--store", store_file)
    assert code == 0
    assert f"not filed in {store_file}: it hasn't the document" in lines
    with open_store(reports=nights) as store:
        assert store.documents("signature") == ()


def test_a_store_that_cant_be_reached_costs_no_signature(tmp_path: Path, said: Said) -> None:
    reports = tmp_path / "reports"
    lot = a_document(reports / "lots" / "L-17", "lot.json")
    (reports / "stepwitness.sqlite").write_bytes(b"no database" * 100)
    said("key", tmp_path / "lab.pem")
    code, (path, *lines) = said("sign", lot, "--key", tmp_path / "lab.pem")
    assert code == 0
    assert Path(path).is_file()
    assert any(line.startswith("not in the store yet, 'stepwitness hand-over' files it: ") for line in lines)


def test_a_folder_without_records(tmp_path: Path, said: Said) -> None:
    code, (line,) = said("verify", tmp_path)

    assert code == 2
    assert line == (
        f"{tmp_path}: there is no sealed document here; allowed: a folder with record.json, lot.json, "
        "qualification.json or installation.json, or one above such folders"
    )


def test_a_passphrase_without_a_terminal_is_refused(
    tmp_path: Path, said: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    code, (line,) = said("key", tmp_path / "lab.pem", "--passphrase")

    assert code == 2
    assert "nobody is at a terminal" in line


def test_a_passphrase_that_is_typed_twice_encrypts_the_key(
    night: Path, tmp_path: Path, said: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    typed = iter(["one", "other", "one", "one", "one"])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("getpass.getpass", lambda _prompt: next(typed))
    key = tmp_path / "lab.pem"

    assert said("key", key, "--passphrase") == (2, ["the passphrases are empty or differ"])
    assert said("key", key, "--passphrase")[0] == 0
    assert b"ENCRYPTED" in key.read_bytes()
    assert said("sign", night, "--key", key)[0] == 0
