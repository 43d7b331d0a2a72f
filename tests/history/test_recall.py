"""What rests on an instrument since it was last good, by certificate, by identity and by role."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from stepwitness.history.recall import Recall, in_role, recall, roles_of
from stepwitness.records.store import Store, open_store

GAUGE = "TB-C-0031"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "history.sqlite") as opened:
        yield opened


def bad(sections: dict[str, Any]) -> None:
    sections["findings"][0]["verdict"] = "FAIL"


def moved(sections: dict[str, Any]) -> None:
    sections["history"] = {
        "characteristics": [{"procedure": "check_standard", "characteristic": "gauge_deviation", "changed": True}]
    }


def another_gauge(sections: dict[str, Any]) -> None:
    sections["bench"]["text"] = sections["bench"]["text"].replace(GAUGE, "TB-C-0099")


def ids(found: Recall) -> list[str]:
    return [one.record.id for one in found.suspects]


Folder = Callable[..., Path]


def test_every_record_since_the_last_good_one_newest_first(store: Store, night_folder: Folder) -> None:
    for number, change in enumerate((None, None, bad, bad)):
        store.file(night_folder(number, **({"change": change} if change else {})))
    found = recall(store, GAUGE)

    assert ids(found) == ["doser-rig-1-3", "doser-rig-1-2"]
    assert found.last_good is not None
    assert found.last_good.id == "doser-rig-1-1"
    assert found.suspects[0].roles == ("gauge",)


def test_a_check_that_moved_was_not_good_though_it_passed(store: Store, night_folder: Folder) -> None:
    store.file(night_folder(0))
    store.file(night_folder(1, change=moved))

    assert ids(recall(store, GAUGE)) == ["doser-rig-1-1"]


def test_the_instrument_is_followed_from_bench_to_bench(store: Store, night_folder: Folder) -> None:
    store.file(night_folder(0))
    store.file(night_folder(1, change=bad))
    store.file(night_folder(2, bench="doser-rig-2", change=bad))
    store.file(night_folder(3, bench="doser-rig-2", change=another_gauge))

    assert ids(recall(store, GAUGE)) == ["doser-rig-2-2", "doser-rig-1-1"]
    assert ids(recall(store, GAUGE, bench="doser-rig-2")) == ["doser-rig-2-2"]


def test_a_role_is_what_the_newest_record_has_there(store: Store, night_folder: Folder) -> None:
    store.file(night_folder(0))
    store.file(night_folder(1, change=another_gauge))

    assert in_role(store, "gauge", bench="doser-rig-1") == "TB-C-0099"
    assert in_role(store, "counter", bench="doser-rig-1").startswith("stepwitness stand-in")
    assert in_role(store, "brake", bench="doser-rig-1") == ""
    assert in_role(store, "gauge", bench="doser-rig-9") == ""


def test_a_good_one_ends_it_at_once(store: Store, night_folder: Folder) -> None:
    store.file(night_folder(0, change=bad))
    store.file(night_folder(1))
    found = recall(store, GAUGE)

    assert found.suspects == ()
    assert found.last_good is not None


def test_a_day_from_outside_goes_before_what_checks_say(store: Store, night_folder: Folder) -> None:
    for number in range(4):
        store.file(night_folder(number))

    assert ids(recall(store, GAUGE, since="2026-09-03")) == ["doser-rig-1-3", "doser-rig-1-2"]


def test_what_no_check_standard_covers_is_listed_whole(store: Store, night_folder: Folder) -> None:
    for number in range(3):
        store.file(night_folder(number))
    found = recall(store, "TB-C-0044")

    assert len(found.suspects) == 3
    assert found.last_good is None


def test_words_are_whole_words() -> None:
    splits = {"calibration": "gauge TB-C-0031, meter TB-C-0044", "firmware": "drive Tarnbrook D1 17 2.0"}

    assert roles_of(splits, "TB-C-0031") == ("gauge",)
    assert roles_of(splits, "TB-C-003") == ()
    assert roles_of(splits, "17") == ("drive",)
    assert roles_of(splits, "gauge") == ()
