"""`stepwitness runs`: how many runs, from the plan, the bench's witnesses and a scatter."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from stepwitness import cli

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"
PLAN = str(TARNBROOK / "doser.plan.yaml")


def said(capsys: pytest.CaptureFixture[str], *given: str) -> str:
    assert cli.main(["runs", PLAN, *given]) == 0
    return capsys.readouterr().out


def runs_in(text: str) -> int:
    found = re.search(r": (\d+) runs each way", text)
    assert found
    return int(found[1])


def test_less_scatter_takes_fewer_runs(capsys: pytest.CaptureFixture[str]) -> None:
    much, little = (runs_in(said(capsys, "--within", "1 um", "--scatter", scatter)) for scatter in ("1 um", "0.3 um"))
    assert little < much


def test_the_time_is_that_of_the_plan_with_so_many_runs(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, "--within", "1 um", "--scatter", "0.55 um")
    assert "the plan asks for 5 runs" in text
    assert "on the axis" in text


def test_a_shift(capsys: pytest.CaptureFixture[str]) -> None:
    """Two-sample t test, 5 % two-sided, power 0.9, a shift of one standard deviation: 22.02 a side (a published power
    calculator's, from memory; the normal approximation 2 (1.96 + 1.2816)² gives 21.02), so 23."""
    assert runs_in(said(capsys, "--shift", "1 um", "--scatter", "1 um")) == 23


def test_an_uncertainty_below_what_the_witness_leaves_is_exit_1(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["runs", PLAN, "--within", "0.001 um", "--scatter", "0.1 um"]) == 1
    assert "no number of runs is enough; endless ones would leave" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("given", "says"),
    [
        (["--within", "1 V", "--scatter", "1 um"], "--within: a unit that doesn't measure travel; found 'V'"),
        (["--within", "1 um", "--scatter", "1 um", "--of", "mean_reverse"], "did you mean 'mean_reversal'?"),
        (["--shift", "1 um", "--scatter", "0 um"], "the scatter is 0.0, which isn't a positive number"),
        (["--within", "1 um", "--like", "nowhere"], "nowhere: there is no record here"),
    ],
)
def test_a_mistake_is_one_line(capsys: pytest.CaptureFixture[str], given: list[str], says: str) -> None:
    assert cli.main(["runs", PLAN, *given]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert err.count("\n") == 1
