"""The sheet of a lot, a qualification and a proof are signed, verified and drawn as a run's record is."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from stepwitness import cli
from stepwitness.installation import proof
from stepwitness.installation.case import Case, same
from stepwitness.records.kinds import KINDS, RESUMPTION_FILE
from stepwitness.records.sealed import canonical, write_sealed

BENCH = Path(__file__).parents[2] / "benches" / "incoming" / "doser.bench.yaml"

PLAN = """\
purpose: PURPOSE
bench: doser.bench.yaml
procedures:
  - repeatability: {targets: 3, runs: 2, limits: {mean_reversal: 25 um, count_closure: 3 counts}}
"""

LOT = """\
supplier: Fennick Screws
part: FS-2040-B
lot: 2026-117
quantity: 8
serials: FS-1 to FS-8
plan: incoming.plan.yaml
sampling: {edition: "ISO 2859-1:1999", level: S-1, aql: 6.5 %}
"""

QUALIFICATION = """\
number: TB-Q-7
title: doser
revision: {mark: A}
units: U1 to U2
clauses: [{number: 4.1, title: Positioning, plan: qualification.plan.yaml}]
"""

CASE = Case("holds", "own", lambda _: [same("word", "yes", "yes")])

FIELDS = {
    "lot": ("lot", "quantity", 9),
    "qualification": ("end", "verdict", "FAIL"),
    "installation": ("installation", "verdict", "FAIL"),
}
"""What is changed in each kind of document: section, key, and another value."""

RUNS = 4  # two units of the lot's sample, two of the qualification

Said = Callable[..., tuple[int, list[str]]]


@pytest.fixture(scope="session")
def _made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Reports in which one of each kind stands, made by the commands themselves."""
    project = tmp_path_factory.mktemp("documents")
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("STEPWITNESS_STORE", raising=False)
        patch.chdir(project)
        patch.setattr("stepwitness.conduct.rendered", lambda _: (None, []))
        prove = proof.prove
        patch.setattr(proof, "prove", lambda **given: prove([CASE], **given))
        shutil.copy(BENCH, project)
        for purpose in ("incoming", "qualification"):
            Path(f"{purpose}.plan.yaml").write_text(PLAN.replace("PURPOSE", purpose), encoding="utf-8")
        Path("doser.lot.yaml").write_text(LOT, encoding="utf-8")
        Path("doser.qualification.yaml").write_text(QUALIFICATION, encoding="utf-8")
        cli.main(["lot", "inspect", "doser.lot.yaml", "--unattended", "--seed", "1"])
        cli.main(["qualify", "run", "doser.qualification.yaml", "--rehearse", "--seal"])
        cli.main(["prove-installation"])
        cli.main(["key", "lab.pem"])
    return project


@pytest.fixture
def reports(_made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(_made, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path / "reports"


@pytest.fixture(params=FIELDS)
def document(request: pytest.FixtureRequest, reports: Path) -> Path:
    """The file of each kind in turn."""
    (found,) = reports.rglob(f"{request.param}.json")
    return found


def altered(document: Path) -> str:
    """Change a field of a document, with its seal as it was; the name of the field."""
    section, key, value = FIELDS[document.stem]
    told = json.loads(document.read_bytes())
    assert told["sections"][section][key] != value
    told["sections"][section][key] = value
    document.write_bytes(canonical(told) + b"\n")
    return f"{section}.{key}"


def test_each_kind_has_a_page_that_is_installed() -> None:
    assert {kind.name for kind in KINDS if "html" in entry_points(group=kind.renderers).names} == {"record", *FIELDS}


def test_it_is_signed_and_verified_by_its_folder(reports: Path, document: Path, said: Said) -> None:
    folder = document.parent
    code, lines = said("verify", folder)
    assert (code, lines[0], lines[-1]) == (
        0,
        f"{folder}: whole, as sealed",
        "  not signed: the seal shows accident, not forgery",
    )
    assert said("verify", folder, "--public-key", "lab.pem.pub") == (
        1,
        [
            f"{folder}: whole, as sealed, but not signed with the key of lab.pem.pub",
            *lines[1:],
        ],
    )
    before = document.read_bytes()
    code, (signature, filed) = said("sign", folder, "--key", "lab.pem")
    assert code == 0
    assert Path(signature).parent == folder
    assert filed == f"filed in {reports / 'stepwitness.sqlite'}, too"
    assert document.read_bytes() == before
    for given in (folder, document):
        code, lines = said("verify", given, "--public-key", "lab.pem.pub")
        assert code == 0
        assert lines[-1].endswith("with the key of lab.pem.pub")
    assert said("sign", folder, "--key", "lab.pem")[0] == 1


def test_what_was_altered_is_named_and_not_signed(document: Path, said: Said) -> None:
    field = altered(document)
    for command in (("verify",), ("sign", "--key", "lab.pem")):
        code, lines = said(*command, document.parent)
        assert code == 1
        assert lines[0].startswith(f"{document.name}: {field}")
        assert "isn't what was sealed; now" in lines[0]
    assert not list(document.parent.glob("*.signature.json"))


def test_a_forged_one_is_found_by_its_signature(document: Path, said: Said) -> None:
    said("sign", document.parent, "--key", "lab.pem")
    altered(document)
    told = json.loads(document.read_bytes())
    document.unlink()
    write_sealed(document, told["schema"], told["sections"])
    code, lines = said("verify", document.parent)
    assert code == 1
    assert lines[0].endswith(".signature.json: another document was signed")


def test_its_page_is_drawn_anew_by_who_signs_it_and_by_who_asks(document: Path, said: Said) -> None:
    page = document.with_suffix(".html")
    unsigned = "The seal isn&#39;t signed: it shows accident, not forgery."
    assert unsigned in page.read_text(encoding="utf-8")
    said("sign", document.parent, "--key", "lab.pem")
    text = page.read_text(encoding="utf-8")
    assert unsigned not in text
    assert "with the key whose SHA-256 begins with" in text
    page.unlink()
    for given in (document.parent, document):
        assert said("report", given) == (0, [str(page)])
        assert page.read_text(encoding="utf-8") == text


def test_a_folder_with_many_is_whole_only_where_they_are(reports: Path, document: Path, said: Said) -> None:
    code, lines = said("verify", reports)
    assert code == 0
    assert lines == [
        f"{reports}: {RUNS} records and 3 other documents, all whole, as sealed; chains of records whole",
        f"  {RUNS + 3} not signed: their seals show accident, not forgery",
    ]
    field = altered(document)
    code, lines = said("verify", reports)
    assert code == 1
    assert lines[0] == f"{document}: not what was sealed"
    assert lines[1].startswith(f"  {document.name}: {field}")
    assert f"{RUNS + 2} of {RUNS + 3} whole, as sealed" in lines[-2]


def test_a_key_that_is_demanded_of_many_is_told_where_it_is_missing(reports: Path, said: Said) -> None:
    documents = sorted(reports.rglob("installation.json")) + sorted(reports.rglob("record.json"))
    for signed in documents[:-1]:
        said("sign", signed, "--key", "lab.pem")
    lacking = {
        documents[-1].parent,
        *(path for name in ("lot", "qualification") for path in reports.rglob(f"{name}.json")),
    }
    code, lines = said("verify", reports, "--public-key", "lab.pem.pub")
    assert code == 1
    without = "not signed with the key of lab.pem.pub"
    assert set(lines[:3]) == {f"{path}: whole, as sealed, but {without}" for path in lacking}
    assert lines[3:] == [
        f"{reports}: {RUNS} records and 3 other documents, all whole, as sealed; chains of records whole",
        f"  3 {without}",
    ]


def test_a_lot_and_a_qualification_that_were_altered_arent_shown_as_if_they_werent(reports: Path, said: Said) -> None:
    for command, kind in (("lot", "lot"), ("qualify", "qualification")):
        (file,) = reports.rglob(f"{kind}.json")
        before = said(command, "show", f"doser.{kind}.yaml")
        field = altered(file)
        code, lines = said(command, "show", f"doser.{kind}.yaml")
        assert (before[0], code) == (0, 1)
        assert lines[-1].startswith(f"{file.name}: {field} isn't what was sealed; now "), "on the error stream"


def test_a_folder_without_records_says_nothing_of_their_chains(reports: Path, said: Said) -> None:
    folder = reports / "lots-simulated"
    code, (first, _) = said("verify", folder)
    assert (code, first) == (0, f"{folder}: 1 document, whole, as sealed")


def test_a_note_that_inspection_goes_on_is_verified_among_lots(reports: Path, said: Said) -> None:
    (lot,) = reports.rglob("lot.json")
    folder = lot.parents[1]
    path = folder / RESUMPTION_FILE.format(8)
    write_sealed(path, "stepwitness-resumption/1", {"resumption": {"action": "a new tap"}})
    assert said("sign", path, "--key", "lab.pem")[0] == 0
    code, (first, second) = said("verify", folder)
    assert (code, first) == (0, f"{folder}: 2 documents, all whole, as sealed")
    assert second.startswith("  1 not signed"), "the signature beside it is no document"

    path.write_bytes(path.read_bytes().replace(b"new tap", b"old tap"))
    code, lines = said("verify", folder)
    assert code == 1
    assert lines[:2] == [
        f"{path}: not what was sealed",
        f'  {path.name}: resumption.action isn\'t what was sealed; now "a old tap"',
    ]


def test_a_document_without_a_page_is_told(tmp_path: Path, said: Said) -> None:
    path = write_sealed(tmp_path / "resumption-8.json", "stepwitness-resumption/1", {"resumption": {"action": "x"}})
    code, (line,) = said("report", path)
    assert code == 2
    assert line.startswith(f"{path}: has no page; allowed: record.json, lot.json")
