"""The page of an installation's proof: what differs stands first, and nothing is said that the document doesn't say."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from stepwitness.errors import StepwitnessError
from stepwitness.installation.case import Case, near, same
from stepwitness.installation.proof import FILE, SCHEMA, prove
from stepwitness.records.sealed import read_sealed, write_sealed
from stepwitness.records.signature import make_key, sign
from stepwitness_reports.installation import page_of, render

AGREES = Case("sampling <plans>", "a table", lambda _: [same("code letter", "K", "K")])
DIFFERS = Case("power screw", "a handbook", lambda _: [near("torque", "2.0", 2.1), same("locks itself", True, True)])


@pytest.fixture
def proved(tmp_path: Path) -> Any:
    def make(*cases: Case, operator: str = "") -> Path:
        write_sealed(tmp_path / FILE, SCHEMA, prove(cases, operator=operator, told=lambda _case, _checks: None))
        return tmp_path

    return make


def text_of(page: Path) -> str:
    return " ".join(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8").partition("<main>")[2]).split())


def test_what_differs_stands_first_with_its_figures(proved: Any) -> None:
    directory = proved(AGREES, DIFFERS, operator="AB")
    page = page_of(directory)
    assert [(case.name, case.mark.word) for case in page.cases] == [
        ("power screw", "differs"),
        ("sampling <plans>", "agrees"),
    ]
    text = text_of(render(directory))
    assert text.index("1 of 2 cases differ: power screw") < text.index("The known cases")
    assert "power screw: what differs figure expected found must be is torque 2.0 2.1 within 0" in text
    assert "sampling &lt;plans&gt;" in text
    assert "by AB" in text


def test_every_figure_and_version_of_the_document_is_there(proved: Any) -> None:
    directory = proved(AGREES)
    text = text_of(render(directory))
    for told in ("code letter K K the same agrees", "numpy", "SHA-256", "isn't signed"):
        assert told.replace("'", "&#39;") in text, told
    assert "what differs" not in text
    assert page_of(directory).bands == ()


def test_a_proof_that_was_altered_says_so(proved: Any) -> None:
    directory = proved(DIFFERS)
    document = directory / FILE
    document.write_text(document.read_text(encoding="utf-8").replace("a handbook", "my handbook"), encoding="utf-8")
    (band,) = page_of(directory).bands
    assert band.name == "ALTERED"
    assert "ALTERED" in render(directory).read_text(encoding="utf-8")


def test_a_folder_without_a_proof_is_told(tmp_path: Path) -> None:
    with pytest.raises(StepwitnessError, match=r"installation\.json"):
        page_of(tmp_path)


def test_who_signed_stands_on_the_page(proved: Any, tmp_path: Path) -> None:
    directory = proved(AGREES)
    fingerprint = make_key(tmp_path / "lab.pem")
    seal = str(read_sealed(directory / FILE).seal["sha256"])
    sign(directory / FILE, seal, tmp_path / "lab.pem", passphrase=lambda: pytest.fail("it has none"))
    text = text_of(render(directory))
    assert f"with the key whose SHA-256 begins with {fingerprint[:16]}" in text
    assert "isn&#39;t signed" not in text
