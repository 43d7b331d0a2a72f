"""`stepwitness readings`: what was read, as CSV, with the reasons of what is missing."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from stepwitness import cli
from stepwitness.records.journal import JournalReadings, JournalWriter, Missing
from stepwitness.records.manifest import SECTIONS, write_record


@pytest.fixture
def night(tmp_path: Path) -> Path:
    with JournalWriter(tmp_path / "play.journal.jsonl", {"id": "play"}) as writer:
        for row, gauge in enumerate([0.001, Missing("gauge reports overrange"), None]):
            writer.write("stops", {"at_m": row / 1000, "up": row == 0, "gauge_m": gauge})
        writer.write("events", {"t_s": 1.5, "event": 'a "quoted", one'})
        writer.end("done")
    batches = list(JournalReadings(writer.path).digests)
    entry = {"id": "play", "journal": writer.path.name, "outcome": "done", "batches": batches}
    write_record(tmp_path, {**{name: {} for name in SECTIONS}, "procedures": [entry]})
    return tmp_path


def test_a_table_comes_out_with_every_digit_and_every_reason(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["readings", str(night), "play", "stops"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out, newline="")))

    assert rows == [
        {"at_m": "0.0", "up": "True", "gauge_m": "0.001"},
        {"at_m": "0.001", "up": "False", "gauge_m": "gauge reports overrange"},
        {"at_m": "0.002", "up": "False", "gauge_m": ""},
    ]


def test_without_a_table_those_that_there_are_are_listed(night: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["readings", str(night)]) == 0

    assert capsys.readouterr().out.splitlines() == ["play stops: at_m, up, gauge_m", "play events: t_s, event"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["pley", "stops"], "no such procedure; found 'pley'; allowed: play; did you mean 'play'?"),
        (["play", "stop"], "no such table; found 'stop'; allowed: stops, events; did you mean 'stops'?"),
    ],
)
def test_what_isnt_there_is_told(
    night: Path, arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["readings", str(night), *arguments]) == 2
    assert said in capsys.readouterr().err
