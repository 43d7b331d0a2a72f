"""`stepwitness study`: what it prints, as text and as JSON, and its exit codes."""
# ruff: noqa: E501  # the messages are the specification, each in one line

from __future__ import annotations

import json
from pathlib import Path

import pytest

from stepwitness import cli


@pytest.fixture
def crossed(tmp_path: Path) -> Path:
    """Three parts, two benches, two trials; the benches differ by 1."""
    path = tmp_path / "trials.csv"
    rows = [
        f"{part},{bench},{10 * part + (bench == 'rig-2') + trial * 0.2},yes"
        for part in (1, 2, 3)
        for bench in ("rig-1", "rig-2")
        for trial in (0, 1)
    ]
    path.write_text("\n".join(["part,bench,reading,kept", *rows, "9,rig-1,55,no"]) + "\n")
    return path


GAUGE = ["--part", "part", "--appraiser", "bench", "--value", "reading", "--only", "kept=yes"]


def test_a_study_is_a_sentence_and_a_table_that_fits(crossed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["study", "gauge", str(crossed), *GAUGE, "--unit", "µm"]) == 0
    out = capsys.readouterr().out
    # first principles: benches spread by 1/√2, parts by 10
    assert out.startswith("The gauge makes 7.1")
    assert "between appraisers, AV" in out
    assert max(map(len, out.splitlines())) <= 80


def test_json_holds_every_figure(crossed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["study", "gauge", str(crossed), *GAUGE, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["holds"] is None
    assert found["figures"][0]["title"] == "share of the gauge in the spread, %GRR"
    assert found["figures"][0]["interval"]["confidence"] == 0.95


def test_what_is_wanted_and_not_shown_is_exit_1(crossed: Path, capsys: pytest.CaptureFixture[str]) -> None:
    given = ["study", "process", str(crossed), "--value", "reading", "--upper", "40", "--wanted", "1.33"]
    assert cli.main(given) == 1
    assert "1.33 is not shown" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["gauge", "--part", "prat", "--appraiser", "bench", "--value", "reading"], "trials.csv:1: there is no column 'prat'; found part, bench, reading, kept; did you mean 'part'?"),
        (["gauge", *GAUGE[:-1], "kept"], "--only: no column and text; found 'kept'; allowed: COLUMN=TEXT"),
        (["process", "--value", "reading"], "trials.csv: a process without a limit"),
    ],
)  # fmt: skip
def test_a_mistake_is_one_line(crossed: Path, capsys: pytest.CaptureFixture[str], given: list[str], says: str) -> None:
    kind, *rest = given
    assert cli.main(["study", kind, str(crossed), *rest]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1
