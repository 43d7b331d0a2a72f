"""`stepwitness sample`: sizes before a test is begun, against published plans and closed forms."""

from __future__ import annotations

import json

import pytest

from stepwitness import cli


def figures(capsys: pytest.CaptureFixture[str], *given: str) -> dict[str, float]:
    assert cli.main(["sample", *given, "--json"]) == 0
    found: dict[str, float] = json.loads(capsys.readouterr().out)
    return found


def test_a_lot(capsys: pytest.CaptureFixture[str]) -> None:
    """MIL-STD-105E, table II-A: code letter J at AQL 1.0 % draws 80 and accepts with 2."""
    found = figures(capsys, "lot", "--size", "1000", "--aql", "1.0", "--edition", "MIL-STD-105E")
    assert (found["letter"], found["sample"], found["accept"], found["reject"]) == ("J", 80, 2, 3)


def test_a_demonstration(capsys: pytest.CaptureFixture[str]) -> None:
    """Success run: ln(1 − 0.95)/ln 0.999 = 2994.2, so 2995 units."""
    assert figures(capsys, "demonstration", "--reliability", "0.999")["units"] == 2995


def test_a_life_test(capsys: pytest.CaptureFixture[str]) -> None:
    """First principles: t = (ln(1 − C)/(n ln R))^(1/β), here (ln 0.05/(6 ln 0.95))^(1/2) = 3.1199."""
    given = ["life", "--reliability", "0.95", "--units", "6", "--mission", "1", "--shape", "2"]
    assert figures(capsys, *given)["duration"] == pytest.approx(3.11994, abs=1e-5)


def test_a_lot_that_stands_alone_says_its_risk(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["sample", "isolated", "--size", "200", "--limiting-quality", "5"]) == 0
    out = capsys.readouterr().out
    assert "draw 41 of 200 units; accept with up to 0 nonconforming" in out
    assert "a lot with 10 nonconforming units (5 %) is accepted with a probability of 0.095" in out


def test_a_column_that_does_not_exist_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["sample", "lot", "--size", "1000", "--aql", "1.1"]) == 2
    err = capsys.readouterr().err
    assert err.startswith("stepwitness sample: no column for an AQL of 1.1 %; there are 0.01,")
    assert err.count("\n") == 1
