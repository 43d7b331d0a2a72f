"""The proof of an installation: it passes as it stands, and it can fail."""

from __future__ import annotations

import json
from functools import reduce
from operator import getitem
from pathlib import Path
from typing import Any

import pytest

from stepwitness import cli
from stepwitness.installation import figures, proof, reference_data
from stepwitness.installation.case import Case, Check, near, ran, same
from stepwitness.installation.proof import CASES, SCHEMA, file_proof, prove
from stepwitness.records.sealed import broken_places, open_sealed
from stepwitness.records.store import open_store

HOLDS = Case("holds", "own", lambda _: [same("word", "yes", "yes"), near("number", "2.0", 2.0 + 1e-13, relative=1e-12)])
DIFFERS = Case("differs", "own", lambda _: [near("number", "2.0", 2.1, absolute=0.05), same("word", "yes", "yes")])


def broken(_: Path) -> list[Check]:
    raise ModuleNotFoundError("No module named 'scipy'")


BROKEN = Case("broken", "own", broken)
EMPTY = Case("empty", "own", lambda _: [])


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """The command, in a folder of its own and with the cases given."""
    monkeypatch.chdir(tmp_path)

    def run(*cases: Case, arguments: tuple[str, ...] = ()) -> int:
        monkeypatch.setattr(proof, "prove", lambda **given: prove(cases, **given))
        return cli.main(["prove-installation", *arguments])

    return run


# -- the cases themselves --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name.split(":")[0])
def test_every_case_agrees(case: Case, tmp_path: Path) -> None:
    checks = ran(case, tmp_path)
    assert [check for check in checks if not check.agrees] == []
    assert case.source


def test_names_are_unique_and_there_are_cases_of_each_kind() -> None:
    assert len({case.name for case in CASES}) == len(CASES)
    told = " ".join(case.name for case in CASES)
    for word in ("positioning", "standard deviation", "end-gauge", "sampling", "screw", "stepper", "axis", "changed"):
        assert word in told


@pytest.mark.parametrize(
    ("name", "file", "path", "value"),
    [
        ("positioning, case 1", "iso-230-2/case1-results.json", ("axis", "R"), "6.2"),
        ("mean and standard", "nist-strd/certified.json", ("univariate", "Lew", "sd"), "277.33217"),
        ("end-gauge", "gum/h1-end-gauge.json", ("published", "U99_nm"), 94),
        ("crossed", "gauge-study/crossed-10x3x3-results.json", ("published_components_pooled", "ndc"), 6),
        ("ball-bearing", "life/weibull-kaplan-meier.json", ("weibull_complete", "published", "shape"), 2.2),
    ],
)
def test_another_expected_value_is_found_to_differ(
    name: str, file: str, path: tuple[str, ...], value: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def other(asked: str) -> Any:
        told = reference_data.case(asked)
        if asked == file:
            *above, last = path
            reduce(getitem, above, told)[last] = value
        return told

    monkeypatch.setattr(figures, "case", other)
    (case,) = [case for case in CASES if case.name.startswith(name)]
    assert [check.agrees for check in ran(case, tmp_path)].count(False) == 1


# -- what is made of them --------------------------------------------------------------------------------------------


def test_what_cant_be_run_or_says_nothing_differs(tmp_path: Path) -> None:
    (check,) = ran(BROKEN, tmp_path)
    assert (check.agrees, check.found) == (False, "ModuleNotFoundError: No module named 'scipy'")
    (check,) = ran(EMPTY, tmp_path)
    assert (check.agrees, check.found) == (False, "none")


def test_tolerances_are_in_words() -> None:
    assert near("x", "2", 2.0, relative=1e-9, absolute=0.5).tolerance == "within 1e-09 of it or 0.5"
    assert near("x", "2", float("nan"), absolute=1.0).agrees is False


def test_the_document_says_all_and_is_sealed_and_filed(tmp_path: Path) -> None:
    heard: list[str] = []
    sections = prove([HOLDS, DIFFERS], operator="AB", told=lambda case, _: heard.append(case.name))
    filed = file_proof(sections, tmp_path / "reports")
    path, again = filed.document, file_proof(sections, tmp_path / "reports").document
    assert (heard, filed.troubles) == (["holds", "differs"], ())
    assert filed.page == path.with_suffix(".html")
    assert path != again
    assert broken_places(path) == []
    told = open_sealed(path, (SCHEMA,)).sections
    assert told["installation"]["verdict"] == "FAIL"
    assert told["installation"]["statement"].endswith("FAIL. 1 of 2 cases differ: differs.")
    assert told["installation"]["operator"] == "AB"
    assert told["software"]["numpy"]
    assert told["platform"]["system"]
    assert told["cases"][1]["checks"][0] == {
        "figure": "number",
        "expected": "2.0",
        "found": "2.1",
        "tolerance": "within 0.05",
        "agrees": False,
    }
    with open_store(reports=tmp_path / "reports") as store:
        assert {one.key.rpartition("/")[2] for one in store.documents("installation")} == {
            path.parent.name,
            again.parent.name,
        }


def test_the_command_says_what_differs_and_exits_by_it(quick, capsys: pytest.CaptureFixture[str]) -> None:
    assert quick(HOLDS) == 0
    out = capsys.readouterr().out
    assert "● agrees   holds (2 figures)" in out
    assert "PASS. 1 known case with 2 figures came out as they must." in " ".join(out.split())
    assert quick(HOLDS, DIFFERS, BROKEN) == 1
    out = capsys.readouterr().out
    assert "✕ number: expected 2.0, found 2.1 (within 0.05)" in out
    assert "No module named 'scipy'" in " ".join(out.split())
    assert max(len(line) for line in out.splitlines()[:-1]) <= 80
    assert out.splitlines()[-1].endswith("installation.html")
    assert quick(DIFFERS, arguments=("--json",)) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["cases"][0]["agrees"] is False
    assert Path(told["document"]).is_file()
