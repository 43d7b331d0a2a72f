"""`stepwitness lot` from the command line: what it asks, prints and returns; the demo lot from end to end."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from stepwitness import cli
from stepwitness.bench.model import load_bench
from stepwitness.bench.stand_in import mounted
from stepwitness.conduct import conduct
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.store import hand_over, open_store

DEMO = Path(__file__).parents[2] / "benches" / "incoming"

PLAN = """\
purpose: incoming
bench: doser.bench.yaml
procedures:
  - repeatability:
      targets: 3
      runs: 2
      limits: {mean_reversal: 25 um, count_closure: 3 counts}
"""

LOT = """\
supplier: Fennick Screws
part: FS-2040-B
lot: 2026-117
quantity: 8
serials: FS-1 to FS-8
plan: doser.plan.yaml
sampling: {edition: "ISO 2859-1:1999", level: S-1, aql: 6.5 %}
"""
"""Letter A, and by its arrow the same n = 2, Ac = 0."""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "doser.bench.yaml").write_text((DEMO / "doser.bench.yaml").read_text(encoding="utf-8"), "utf-8")
    (tmp_path / "doser.plan.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / "doser.lot.yaml").write_text(LOT, encoding="utf-8")
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(["lot", *arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


def answers(monkeypatch: pytest.MonkeyPatch, *lines: str) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(f"{line}\n" for line in lines)))


def sample(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The units that seed 1 draws; the operator leaves before the first."""
    answers(monkeypatch, "q")
    run(capsys, "inspect", "doser.lot.yaml", "--seed", "1")
    _, told, _ = run(capsys, "show", "doser.lot.yaml", "--json")
    return list(json.loads(told)["draw"]["serials"])


@pytest.mark.usefixtures("folder")
def test_an_operator_is_led_through_by_piped_answers(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = sample(capsys, monkeypatch)
    answers(monkeypatch, "", "FS-9", first, "", "yes", "clear", "", first, second, "", "clear")
    code, told, _ = run(capsys, "inspect", "doser.lot.yaml", "--operator", "AB")
    assert code == 0
    assert all(len(line) <= 80 for line in told.splitlines())
    lines = [line.strip() for line in told.splitlines()]
    assert lines[0].startswith("lot 2026-117 of FS-2040-B from Fennick Screws")
    assert lines[0].endswith("SIMULATED")
    assert f"unit 1 of 2: {first}" in lines
    assert f"refused: FS-9 isn't a unit of this lot; {first} is due" in lines
    assert "nothing moves without the word 'clear'; 'q' breaks off" in lines
    assert any(line.startswith(f"refused: {first} was tested already (") for line in lines)
    assert any(line.startswith(f"● doser, serial {second}: PASS.") for line in lines)
    assert "ACCEPTED. 0 of 2 units are nonconforming; the plan accepts up to 0." in told.replace("\u2009", " ")
    sheet = Path(lines[-1])
    assert sheet == Path("reports/lots-simulated/Fennick-Screws/FS-2040-B/2026-117/lot.html")
    page = sheet.read_text(encoding="utf-8")
    assert "SIMULATED" in page
    for unit in (first, second):
        assert unit in page
    for link in page.split('href="')[1:]:
        assert (sheet.parent / link.partition('"')[0]).resolve().is_file()


@pytest.mark.usefixtures("folder")
def test_a_break_says_that_the_lot_can_be_carried_on_and_returns_1(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = sample(capsys, monkeypatch)
    answers(monkeypatch, "", first, "", "clear")
    code, _, error = run(capsys, "inspect", "doser.lot.yaml")
    assert (code, error.strip()) == (1, "the input ended; the work can be carried on")
    code, told, _ = run(capsys, "show", "doser.lot.yaml")
    assert code == 1
    assert f"{second}  not tested" in told
    assert "SAMPLE INCOMPLETE" in told
    code, told, _ = run(capsys, "inspect", "doser.lot.yaml", "--unattended")
    assert code == 0
    assert f"unit 2 of 2: {second}" in told
    assert f"unit 1 of 2: {first}" not in told


@pytest.mark.usefixtures("folder")
def test_json_stands_alone_on_the_output(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = sample(capsys, monkeypatch)
    answers(monkeypatch, "", first, "", "clear", "", second, "", "clear")
    code, told, error = run(capsys, "inspect", "doser.lot.yaml", "--json")
    sections = json.loads(told)
    assert code == 0
    assert (sections["sealed"], sections["sentence"]["sentence"]) == (True, "accepted")
    assert "Is the area clear? Type 'clear'" in error
    sheet = Path(sections["folder"]) / "lot.html"
    sheet.unlink()  # as where the process died between the sentence and its sheet
    assert json.loads(run(capsys, "show", "doser.lot.yaml", "--json")[1]) == sections
    assert sheet.is_file()


def test_a_unit_is_tested_again_with_a_reason(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "inspect", "doser.lot.yaml", "--unattended", "--seed", "1")
    unit = json.loads(run(capsys, "show", "doser.lot.yaml", "--json")[1])["units"][0]["serial"]
    code, told, _ = run(
        capsys, "retest", "doser.lot.yaml", unit, "--why", "dispute", "--note", "asked by the supplier", "--unattended"
    )
    assert code == 0
    assert "This record counts for nothing in the lot's sentence; the first one stands." in told
    records = [json.loads(path.read_bytes())["sections"]["run"] for path in folder.glob("reports/*/*/record.json")]
    assert [one["reason"] for one in records if one["attempt"] == 2] == ["dispute: asked by the supplier"]
    code, _, error = run(capsys, "retest", "doser.lot.yaml", "FS-99", "--why", "study", "--unattended")
    assert (code, error.strip()) == (1, "FS-99 isn't one of the 2 units that were drawn")


def test_records_and_the_lots_document_go_to_the_store(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "inspect", "doser.lot.yaml", "--unattended", "--seed", "1", "--operator", "AB")
    with open_store(reports=Path("reports")) as store:
        records = store.records()
        (document,) = store.documents("lot")
    assert len(records) == 2
    assert document.key == "lots-simulated/Fennick-Screws/FS-2040-B/2026-117"
    assert document.data == (folder / "reports" / document.key / "lot.json").read_bytes()
    told = json.loads(next(iter(folder.glob("reports/*/*/record.json"))).read_bytes())["sections"]["report"]
    assert told["operator"] == "AB"
    (sampling,) = (item["told"] for item in told["items"] if item["item"] == "sampling")
    assert sampling.startswith("2 of 8 units drawn at random (seed 1) from lot 2026-117 of FS-2040-B")


@pytest.mark.usefixtures("folder")
def test_a_store_that_cant_be_reached_costs_a_line_and_no_sentence(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("STEPWITNESS_STORE", "/dev/null/store.sqlite")
    code, told, error = run(capsys, "inspect", "doser.lot.yaml", "--unattended", "--seed", "1")
    assert code == 0
    assert "ACCEPTED" in told
    assert error.startswith("not in the store yet: ")


def test_a_unit_that_another_run_tested_says_so_in_its_record(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = sample(capsys, monkeypatch)
    plan, bench = load_plan_and_bench(folder / "doser.plan.yaml")
    conduct(plan, bench, folder / "reports" / "incoming-rig-1" / "2026-11-20T0800", serial=second)
    with open_store(reports=Path("reports")) as store:
        hand_over(store, Path("reports"))
        (before,) = store.records()
    _, told, _ = run(capsys, "inspect", "doser.lot.yaml", "--unattended", "--json")
    units = {unit["serial"]: unit["attempts"][0] for unit in json.loads(told)["units"]}
    assert units[first]["reason"] == ""
    assert units[second]["reason"] == f"was tested before, in record {before.id}: PASS"
    record = json.loads((folder / "reports" / units[second]["folder"] / "record.json").read_bytes())
    assert record["sections"]["run"]["previous"] == before.id


@pytest.mark.usefixtures("folder")
def test_a_lot_is_closed_as_it_stands(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    sample(capsys, monkeypatch)
    code, told, _ = run(capsys, "close", "doser.lot.yaml", "--note", "sent back unopened")
    assert code == 1
    assert "SAMPLE INCOMPLETE" in told
    assert "Closed before the sample was whole: sent back unopened" in told
    code, _, error = run(capsys, "inspect", "doser.lot.yaml", "--unattended")
    assert code == 1
    assert "has its sentence" in error


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        (("inspect", "none.lot.yaml"), 2, "none.lot.yaml: there is no such file; did you mean 'doser.lot.yaml'?"),
        (("show", "doser.lot.yaml"), 1, "wasn't begun on stand-ins"),
        (("inspect", "doser.lot.yaml", "--live", "incoming-rig-1"), 2, "'--live' with a stand-in for the drive"),
        (("inspect", "doser.lot.yaml", "--live", "x", "--unattended"), 2, "'--unattended' with real parts"),
        (("inspect", "doser.lot.yaml", "--operator", "Anna Berg"), 2, "more than initials; found 'Anna Berg'"),
        (("resume", "doser.lot.yaml", "--action", "x"), 2, "there is nothing to resume"),
        (("retest", "doser.lot.yaml", "FS-1", "--why", "luck"), 2, "invalid choice: 'luck'"),
        (("close", "doser.lot.yaml", "--note", "x"), 1, "no sample was drawn yet from lot 2026-117"),
    ],
)
def test_a_mistake_is_one_line(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], code: int, told: str
) -> None:
    found, _, error = run(capsys, *arguments)
    assert found == code
    assert told in error
    assert error.count("\n") == 1
    assert not list(folder.glob("reports/*/*/record.json"))


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("name", ["SIGKILL", "SIGTERM", "SIGINT"])
def test_a_process_that_is_ended_within_a_unit_is_carried_on(
    folder: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    # a shell starts what runs in the background deaf to Ctrl-C, and that is inherited
    code = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "from stepwitness.cli import main; sys.exit(main(sys.argv[1:]))"
    )
    given = ("lot", "inspect", "doser.lot.yaml", "--unattended", "--seed", "1")
    command = [sys.executable, "-c", code, *given]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, start_new_session=True)
    deadline = time.monotonic() + 60
    while not list(folder.glob("reports/*/*/*.journal.jsonl")):
        assert time.monotonic() < deadline
        time.sleep(0.005)
    process.send_signal(signal.Signals[name])
    _, error = process.communicate(timeout=60)
    assert process.returncode != 0, error
    code, _, _ = run(capsys, "inspect", "doser.lot.yaml", "--unattended")
    assert code == 0
    sections = json.loads(run(capsys, "show", "doser.lot.yaml", "--json")[1])
    decided = [unit["decided_by"] for unit in sections["units"]]
    assert all(decided)
    for unit in sections["units"]:
        for attempt in unit["attempts"]:
            assert attempt["verdict"] in ("PASS", "ABORTED", "PARTIAL", None)


def test_the_demo_lot_runs_from_end_to_end_and_its_units_differ(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Of a smaller sample than its own one unit is beyond its limits, and why is the play that its number drew."""
    bench = load_bench(DEMO / "doser.bench.yaml")
    for file in DEMO.iterdir():
        text = file.read_text(encoding="utf-8").replace("level: II", "level: S-3")
        (tmp_path / file.name).write_text(text, encoding="utf-8")
    path = str(tmp_path / "doser.lot.yaml")
    code, told, _ = run(
        capsys, "inspect", path, "--reports", str(tmp_path / "reports"), "--unattended", "--seed", "1", "--json"
    )
    sections = json.loads(told)
    assert (code, sections["sentence"]["sentence"]) == (1, "not accepted")
    assert [unit["outcome"] for unit in sections["units"]] == ["conforming", "conforming", "nonconforming"]
    for unit in sections["units"]:
        physics = mounted(replace(bench, axis_serial=unit["serial"]))
        assert physics is not None
        (clearance,) = (one for one in unit["findings"] if one["characteristic"] == "clearance")
        # the clearance is the screw's play, as on the demo benches of test_demo_benches
        assert clearance["value"] == pytest.approx(physics.screw.backlash_m, abs=2 * clearance["U"])
