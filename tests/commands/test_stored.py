"""The commands that read the store, from outside: what they print, their exit codes, one line for each mistake."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from stepwitness.cli import main
from stepwitness.commands.terminal import WIDTH
from stepwitness.records.manifest import open_record


class Told:
    """What a command said."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err, self.lines = code, out, err, out.splitlines()


@pytest.fixture
def say(project: Path, capsys: pytest.CaptureFixture[str]) -> Any:  # noqa: ARG001 (one stands in it)
    def run(*arguments: str) -> Told:
        code = main(arguments)
        captured = capsys.readouterr()
        assert "\x1b" not in captured.out, "no colour where no terminal is"
        return Told(code, captured.out, captured.err)

    return run


@pytest.fixture
def seals(project: Path) -> list[str]:
    return [open_record(project / "reports" / "doser-rig-1" / f"night-{n}").seal["sha256"] for n in range(3)]


def test_list_is_newest_first_and_says_simulated(say: Any, seals: list[str]) -> None:
    told = say("list")
    assert told.code == 0
    assert [line.split()[0] for line in told.lines[1:4]] == [seal[:10] for seal in reversed(seals)]
    assert [line.rsplit("  ", 1)[1] for line in told.lines[1:4]] == ["FAIL *", "PASS *", "PASS *"]
    assert told.lines[4] == "* SIMULATED"
    assert max(len(line) for line in told.lines) <= WIDTH


def test_list_goes_on_page_by_page(say: Any, seals: list[str]) -> None:
    first = say("list", "--limit", "2")
    assert first.lines[-1] == f"more: --after {seals[1][:10]}"
    rest = say("list", "--limit", "2", "--after", seals[1][:10])
    assert [line.split()[0] for line in rest.lines[1:2]] == [seals[0][:10]]
    assert "more" not in rest.out


def test_list_chooses_and_prints_json(say: Any, seals: list[str]) -> None:
    [only] = json.loads(say("list", "--verdict", "FAIL", "--json").out)
    assert (only["seal"], only["bench"], only["simulated"]) == (seals[2], "doser-rig-1", True)
    assert json.loads(say("list", "--live", "--json").out) == []
    assert say("list", "--bench", "nobody").code == 0


def test_names_that_are_too_long_stay_within_the_width(capsys: pytest.CaptureFixture[str]) -> None:
    from stepwitness.commands.stored import say_table

    say_table([("seal", "bench", "unit"), ("0123456789", "a-bench-with-a-long-name " * 3, "x" * 50)], shrink=(1, 2))
    told = capsys.readouterr().out
    assert max(len(line) for line in told.splitlines()) <= WIDTH
    assert told.count("x") == 50
    assert told.count("long-name") == 3


def test_show_says_the_verdict_first(say: Any, seals: list[str]) -> None:
    told = say("show", seals[2][:10])
    assert told.code == 0
    assert told.lines[0].endswith("SIMULATED")
    assert "FAIL" in told.lines[1]
    assert f"seal {seals[2]}" in told.lines
    assert "folder doser-rig-1/night-2" in told.out
    assert max(len(line) for line in told.lines) <= WIDTH
    assert json.loads(say("show", "doser-rig-1/night-2", "--json").out)["run"]["verdict"] == "FAIL"


def test_compare_says_what_differs_and_exits_by_it(say: Any, seals: list[str]) -> None:
    told = say("compare", seals[0], seals[2])
    assert told.code == 1
    assert any(line.startswith("  + ") and "20.02 mm" in line for line in told.lines)
    assert "PASS → FAIL" in told.out
    assert "apart" in told.out
    assert max(len(line) for line in told.lines) <= WIDTH
    same = say("compare", seals[1], seals[1])
    assert same.code == 0
    assert same.lines[-1] == "nothing differs but for digits within their uncertainty"
    found = json.loads(say("compare", seals[0], seals[2], "--json").out)
    assert found["findings"][0]["change"] == pytest.approx(-20e-6, abs=2e-6)
    assert found["facts"] == {}


def test_trend_is_oldest_first_with_a_picture(say: Any) -> None:
    told = say("trend", "check_standard.gauge_deviation")
    assert told.code == 0
    assert told.lines[0].startswith("check_standard.gauge_deviation")
    assert told.lines[0].endswith("SIMULATED")
    points = [line for line in told.lines if line.endswith(("PASS", "FAIL"))]
    assert [line.rsplit(" ", 1)[1] for line in points] == ["PASS", "PASS", "FAIL"]
    assert points[0].index("=") > points[2].index("="), "20 µm less"
    assert "  since here another plan" in told.lines
    assert max(len(line) for line in told.lines) <= WIDTH
    values = json.loads(say("trend", "gauge_deviation", "--json", "--limit", "2").out)
    assert [one["verdict"] for one in values] == ["PASS", "FAIL"]


@pytest.mark.parametrize(
    ("arguments", "code", "line"),
    [
        (["trend", "gauge_deviatoin"], 2, "did you mean 'gauge_deviation'?"),
        (["trend", "gauge_deviation", "--limit", "0"], 2, "found 0; allowed: 1 or more"),
        (["show", "nobody"], 1, "there is no record 'nobody'"),
        (["list", "--since", "yesterday"], 2, "--since: isn't a day or a time; found 'yesterday'"),
        (["list", "--store", "nowhere.sqlite"], 2, "nowhere.sqlite: there is no store here"),
        (["export", "--into", "out.xls"], 2, "allowed: .csv, .json, .parquet, .zip"),
        (["import", "nothing.zip"], 2, "nothing.zip: there is no such file"),
        (["hand-over", "nowhere"], 2, "nowhere: there is no such folder"),
        (["delete", "nobody", "--why", "x"], 1, "there is no record 'nobody'"),
        (["delete", "nobody", "--why", " "], 2, "--why: a record isn't deleted without a reason"),
    ],
)
def test_a_mistake_is_one_line(say: Any, arguments: list[str], code: int, line: str) -> None:
    told = say(*arguments)
    assert told.code == code
    assert line in told.err
    assert len(told.err.splitlines()) == 1
    assert told.out == ""
    assert not Path("nowhere.sqlite").exists()


def test_trend_as_a_picture(say: Any, project: Path) -> None:
    told = say("trend", "gauge_deviation", "--svg", "trend.svg")
    assert (told.code, told.lines[-1]) == (0, "trend.svg")
    drawing = (project / "trend.svg").read_text(encoding="utf-8")
    assert drawing.startswith("<svg ")
    assert [
        words for words in ("limit 6\u2009µm", "FAIL", "SIMULATED", "the plan was revised") if words not in drawing
    ] == []
    as_json = say("trend", "gauge_deviation", "--json", "--svg", "again.svg")
    assert len(json.loads(as_json.out)) == 3
    assert (project / "again.svg").read_text(encoding="utf-8") == drawing


def test_a_picture_that_cant_be_written_is_one_line(say: Any) -> None:
    told = say("trend", "gauge_deviation", "--svg", "nowhere/trend.svg")
    assert (told.code, told.err) == (2, "nowhere/trend.svg: the picture can't be written: No such file or directory\n")


def test_export_is_a_row_a_finding(say: Any, seals: list[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(say("export", seals[2]).out)))
    sealed = open_record(Path("reports/doser-rig-1/night-2")).sections
    assert [row["verdict"] for row in rows][: len(sealed["findings"])] == [one["verdict"] for one in sealed["findings"]]
    assert float(rows[0]["value"]) == sealed["findings"][0]["value"], "to the bit"
    assert {row["seal"] for row in rows} == {seals[2]}
    assert say("export", "--into", "all.csv").code == 0
    assert say("export", "--into", "all.json", "--verdict", "PASS").code == 0
    with open("all.csv", encoding="utf-8", newline="") as file:
        everything = list(csv.DictReader(file))
    passed = json.loads(Path("all.json").read_text(encoding="utf-8"))
    assert {row["seal"] for row in everything} == set(seals)
    assert {row["seal"] for row in passed} == set(seals[:2])
    assert say("export", "--into", "all.csv").code == 2, "nothing is replaced"


def test_export_as_parquet(say: Any) -> None:
    parquet = pytest.importorskip("pyarrow.parquet", reason="pyarrow isn't installed (extra: parquet)")
    assert say("export", "--into", "all.parquet").code == 0
    table = parquet.read_table("all.parquet")
    rows = list(csv.DictReader(io.StringIO(say("export").out)))
    assert table.num_rows == len(rows)
    assert table.column("value").to_pylist() == [float(row["value"]) if row["value"] else None for row in rows]
    assert table.column("simulated").to_pylist() == [True] * len(rows)


def test_records_reach_another_machine_with_their_seal(say: Any, seals: list[str]) -> None:
    assert say("export", *seals, "--into", "night.zip").lines == ["night.zip: 3 records"]
    told = say("import", "night.zip", "--store", "other.sqlite")
    assert told.code == 0
    assert [line.split()[0] for line in told.lines] == [seal[:10] for seal in seals]
    assert say("list", "--store", "other.sqlite").out == say("list").out
    again = say("import", "night.zip", "--store", "other.sqlite")
    assert again.code == 0
    assert len(say("list", "--store", "other.sqlite").lines) == 5
    say("export", *seals, "--into", "back.zip", "--store", "other.sqlite")
    import zipfile

    zipfile.ZipFile("back.zip").extractall("back")
    for night in range(3):
        for path in Path(f"back/doser-rig-1/night-{night}").iterdir():
            assert path.read_bytes() == (Path("reports/doser-rig-1") / f"night-{night}" / path.name).read_bytes()
    assert say("verify", "back").lines[0].endswith("missing, so records may be missing at its end")


def test_an_import_takes_what_is_whole_and_names_what_isnt(say: Any) -> None:
    journal = next(Path("reports/doser-rig-1/night-1").glob("*.jsonl"))
    journal.write_bytes(journal.read_bytes()[:-1])
    told = say("import", "reports", "--store", "other.sqlite")
    assert told.code == 1
    assert "isn't what was sealed" in told.err
    assert len(told.lines) == 2


@pytest.mark.parametrize(
    "name", ["../record.json", "/record.json", "a/../../record.json", "a/b/run.sh", "a\\..\\record.json"]
)
def test_a_zip_from_elsewhere_writes_nothing_outside(say: Any, name: str) -> None:
    import zipfile

    with zipfile.ZipFile("evil.zip", "w") as archive:
        archive.writestr(name, "{}")
    told = say("import", "evil.zip", "--store", "other.sqlite")
    assert told.code == 2
    assert "no part of a record" in told.err or "there is no record here" in told.err
    Path("no.zip").write_text("no zip", encoding="utf-8")
    assert "isn't a zip of records" in say("import", "no.zip", "--store", "other.sqlite").err


def test_hand_over_files_what_was_left(say: Any, seals: list[str]) -> None:
    told = say("hand-over", "--store", "other.sqlite")
    assert told.code == 0
    assert [line.split()[0] for line in told.lines[:3]] == [seal[:10] for seal in seals]
    assert told.lines[3] == "3 records filed in other.sqlite"
    assert say("hand-over", "--store", "other.sqlite").lines == ["0 records filed in other.sqlite"]


def test_delete_is_a_recorded_act_and_the_chain_stays_whole(say: Any, seals: list[str]) -> None:
    told = say("delete", seals[1], "--why", "asked for by the customer", "--by", "AB", "--yes")
    assert told.code == 0
    assert [path.name for path in Path("reports/doser-rig-1/night-1").iterdir()] == ["deleted.json"]
    assert len(json.loads(say("list", "--json").out)) == 2
    assert "chains of records whole" in say("verify", "reports").out
    note = json.loads(Path("reports/doser-rig-1/night-1/deleted.json").read_bytes())["sections"]
    assert note["record"] == {"seal": seals[1]}
    assert (note["deletion"]["by"], note["deletion"]["why"]) == ("AB", "asked for by the customer")
    assert say("hand-over", "--all").lines == [f"0 records filed in {Path('reports/stepwitness.sqlite')}"]


def test_delete_asks_and_a_pipe_cant_answer(say: Any, seals: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("yes\n"))
    told = say("delete", seals[1], "--why", "a trial")
    assert told.code == 2
    assert "--yes deletes without asking" in told.err
    answer = io.StringIO("no\n")
    answer.isatty = lambda: True  # type: ignore[method-assign]
    monkeypatch.setattr(sys, "stdin", answer)
    assert say("delete", seals[1], "--why", "a trial").lines == ["nothing was deleted"]
    assert len(json.loads(say("list", "--json").out)) == 3


def test_a_reader_that_goes_away_is_no_error(project: Path) -> None:
    command = f"{sys.executable} -m stepwitness.cli export | head -1"
    told = subprocess.run(command, shell=True, capture_output=True, text=True, cwd=project, check=True)
    assert told.stderr == ""
    assert told.stdout.startswith("seal,id,bench")
