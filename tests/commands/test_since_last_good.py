"""`stepwitness since-last-good`, from outside."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stepwitness.cli import main
from stepwitness.conduct import conduct
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.store import open_store

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"

PLAN = """\
purpose: nightly
bench: doser.bench.yaml
procedures:
  - check_standard: {from: 10 mm, to: 30 mm, known: KNOWN, repeats: 2, limits: {gauge_deviation: 6 um}}
"""


@pytest.fixture
def filed(tmp_path: Path) -> Path:
    """A store with a run whose gauge was good, and one whose gauge is 20 µm off what is known."""
    (tmp_path / "doser.bench.yaml").write_text((TARNBROOK / "doser.bench.yaml").read_text(encoding="utf-8"))
    store = tmp_path / "s.sqlite"
    for number, known in enumerate(("20 mm", "20.02 mm")):
        (tmp_path / "checks.plan.yaml").write_text(PLAN.replace("KNOWN", known))
        plan, bench = load_plan_and_bench(tmp_path / "checks.plan.yaml")
        record = conduct(plan, bench, tmp_path / "doser-rig-1" / f"run-{number}")
        with open_store(store) as opened:
            opened.file(record.parent)
    return store


def test_lists_what_rests_on_it_and_says_since_when(filed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["since-last-good", "TB-C-0031", "--store", str(filed)]) == 1
    first, last = capsys.readouterr().out.splitlines()

    assert first.split()[2:] == ["doser-rig-1", "doser", "TB-0417", "FAIL", "doser-rig-1/run-1"]
    assert last.startswith("1 record rests on TB-C-0031 since it was last found good, 20")
    assert last.endswith("UTC (doser-rig-1/run-0)")


def test_as_json(filed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["since-last-good", "TB-C-0031", "--store", str(filed), "--json"])
    told = json.loads(capsys.readouterr().out)

    assert [one["folder"] for one in told["records"]] == ["doser-rig-1/run-1"]
    assert told["last_good"]["folder"] == "doser-rig-1/run-0"
    assert told["records"][0]["parts"] == ["gauge"]


def test_a_slip_of_the_pen_does_not_look_like_nothing_to_recall(
    filed: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["since-last-good", "TB-C-0013", "--store", str(filed)]) == 2
    told = capsys.readouterr().err
    assert "no record names such an instrument; found 'TB-C-0013'" in told
    assert "did you mean 'TB-C-0031'?" in told


def test_a_store_that_is_not_there_is_not_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["since-last-good", "TB-C-0031", "--store", str(tmp_path / "none.sqlite")]) == 2
    assert "there is no store" in capsys.readouterr().err
    assert not (tmp_path / "none.sqlite").exists()


def test_nothing_rests_on_what_was_found_good_last(filed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["since-last-good", "TB-C-0031", "--store", str(filed), "--good", "2100-01-01"]) == 0
    assert capsys.readouterr().out == "no record rests on TB-C-0031 since 2100-01-01\n"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["gauge"], "'gauge' is a part of every bench; allowed: --bench NAME, or a certificate or serial number"),
        (["TB-C-0031", "--good", "yesterday"], "not a day; found 'yesterday'"),
    ],
)
def test_a_mistake_is_one_line(arguments: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["since-last-good", *arguments]) == 2
    assert message in capsys.readouterr().err


def test_summary_says_a_record_in_markdown(filed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = filed.parent / "doser-rig-1" / "run-1"
    assert main(["summary", str(folder)]) == 0
    told = capsys.readouterr().out

    assert told.startswith("### FAIL: doser, serial TB-0417 · checks on doser-rig-1 · SIMULATED\n")
    assert "| **FAIL** | check\\_standard: gauge against the check standard |" in told
    assert len(told.splitlines()) < 40
