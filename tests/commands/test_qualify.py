"""`stepwitness qualify` from the command line: what it prints and returns, the demo from end to end, and kills."""

from __future__ import annotations

import io
import json
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from stepwitness import cli
from stepwitness.qualification.document import SCHEMA
from stepwitness.records.ledger import read_events
from stepwitness.records.manifest import verify
from stepwitness.records.sealed import broken_places, open_sealed

DEMO = Path(__file__).parents[2] / "benches" / "qualification"

PLAN = """\
purpose: qualification
bench: doser.bench.yaml
procedures:
  - repeatability:
      targets: 3
      runs: 2
      limits: {mean_reversal: 25 um, count_closure: 3 counts}
"""

QUALIFICATION = """\
number: TB-Q-7
title: doser
revision: {mark: A}
units: U1 to U2
preconditions: [units are run in]
environment:
  - {quantity: temperature, from: 20 °C, to: 26 °C}
clauses:
  - {number: 4.1, title: Positioning, plan: doser.plan.yaml}
  - {number: 4.2, title: Positioning again, plan: doser.plan.yaml}
hold_points:
  - {id: H1, before: 4.2, title: results reviewed}
"""

FILE = "doser.qualification.yaml"
WARM = ("--environment", "temperature=22.4 °C")
FOLDER = Path("reports/qualifications-simulated/TB-Q-7")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "doser.bench.yaml").write_text((DEMO / "doser.bench.yaml").read_text(encoding="utf-8"), "utf-8")
    (tmp_path / "doser.plan.yaml").write_text(PLAN, encoding="utf-8")
    (tmp_path / FILE).write_text(QUALIFICATION, encoding="utf-8")
    return tmp_path


@pytest.fixture(autouse=True)
def no_reports_of_units(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody reads them here; the qualification's own page is drawn."""
    monkeypatch.setattr("stepwitness.conduct.rendered", lambda _: (None, []))


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = cli.main(["qualify", *arguments])
    told = capsys.readouterr()
    return code, told.out, told.err


@pytest.mark.usefixtures("folder")
def test_days_of_work_from_the_first_command_to_the_seal(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "show", FILE)
    assert (code, out) == (1, "")
    assert "wasn't begun on stand-ins" in err
    code, _, err = run(capsys, "run", FILE, *WARM, "--rehearse", "--live", "qualification-rig-1")
    assert code != 0
    assert len(err.splitlines()) == 1
    code, _, err = run(capsys, "run", FILE, "--rehearse")
    assert (code, err) == (
        1,
        "the temperature isn't recorded; give it as read now by --environment 'temperature=VALUE °C'\n",
    )
    assert run(capsys, "confirm", FILE, "2")[0] == 2
    assert run(capsys, "confirm", FILE, "1", "--operator", "AB")[0] == 0
    code, out, _ = run(capsys, "show", FILE)
    assert code == 1
    assert "INCOMPLETE  which sentences nothing. Clauses 4.1 and 4.2 are still open." in " ".join(out.split(" "))
    assert max(len(line) for line in out.splitlines()) <= 80
    code, out, _ = run(capsys, "run", FILE, *WARM, "--rehearse", "--seal", "--operator", "AB")
    assert code == 0
    assert "● PASS  2\u2009clauses met on 2\u2009units." in out
    assert max(len(line) for line in out.splitlines()) <= 80
    assert out.splitlines()[-1] == str(FOLDER / "qualification.html")
    assert broken_places(FOLDER / "qualification.json") == []
    code, out, _ = run(capsys, "show", FILE, "--json")
    told = json.loads(out)
    assert (code, told["sealed"], told["end"]["verdict"]) == (0, True, "PASS")
    code, _, err = run(capsys, "run", FILE, *WARM, "--rehearse")
    assert code == 1
    assert "is sealed" in err


@pytest.mark.usefixtures("folder")
def test_an_operator_at_the_prompts_and_a_hold_point(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    run(capsys, "confirm", FILE, "1")
    lines = [line for unit in ("U1", "U2") for line in ("", unit, "", "clear")]
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines) + "\n"))
    code, out, _ = run(capsys, "run", FILE, *WARM)
    assert code == 1
    assert "hold point H1 before clause 4.2: results reviewed." in " ".join(out.split())
    assert run(capsys, "release", FILE, "H1", "--operator", "CD", "--note", "spread as expected")[0] == 0
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(lines) + "\n"))
    code, out, _ = run(capsys, "run", FILE, *WARM)
    assert code == 0
    assert "released by CD on" in out
    code, out, err = run(capsys, "rerun", FILE, "4.2", "U9", "--why", "study", *WARM)
    assert (code, out) == (2, "")
    assert "found clause 4.2, unit U9" in err
    monkeypatch.setattr(sys, "stdin", io.StringIO("\nU2\n\nclear\n"))
    code, out, _ = run(capsys, "rerun", FILE, "4.2", "U2", "--why", "study", "--note", "at noon", *WARM)
    assert code == 0
    assert "attempt 1 counts: the first record that decided it" in " ".join(out.split())
    code, out, _ = run(capsys, "show", FILE)
    assert "4.2 U2, attempt 2: ● PASS; study: at noon; kept, doesn't count" in " ".join(out.split())


def test_a_changed_plan_is_told_in_one_line_and_its_cure_works(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run(capsys, "run", FILE, *WARM, "--rehearse")
    (folder / "doser.plan.yaml").write_text(PLAN.replace("25 um", "24 um"), encoding="utf-8")
    code, _, err = run(capsys, "run", FILE, *WARM, "--rehearse")
    assert (code, err.count("\n")) == (1, 1)
    assert "doser.plan.yaml changed in mid-course" in err
    code, out, _ = run(capsys, "deviation", FILE, "the drawing says 24 µm")
    assert (code, out) == (0, "The deviation is written down, with the change of doser.plan.yaml.\n")
    code, out, _ = run(capsys, "run", FILE, *WARM, "--rehearse")
    assert code == 0
    assert "by an earlier plan" in out


def test_the_demo_passes_as_it_stands_in_the_readme(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(
        capsys,
        *("run", str(DEMO / FILE), "--rehearse", "--seal", *WARM, "--reports", str(tmp_path)),
    )
    assert code == 0, out
    assert "4.3 A stall is seen and mended: ● PASS." in out


KILLS = 5


def test_killed_at_random_instants_nothing_is_lost_and_it_ends_as_if_undisturbed(folder: Path) -> None:
    """Kill −9 at instants drawn by a seed; each time it is carried on."""
    (folder / FILE).write_text(
        QUALIFICATION.replace("environment:\n", "").replace(
            "  - {quantity: temperature, from: 20 °C, to: 26 °C}\n", ""
        ),
        encoding="utf-8",
    )
    draw = random.Random(7)
    log = FOLDER / "acts.ledger.jsonl"
    command = [sys.executable, "-m", "stepwitness.cli", "qualify", "run", FILE, "--rehearse"]
    before: tuple[dict, ...] = ()
    kills = 0
    for _ in range(KILLS):
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        started = time.monotonic()
        while not log.exists() or len(log.read_bytes().splitlines()) <= len(before) + 1:
            if process.poll() is not None or time.monotonic() - started > 60:
                break
            time.sleep(0.01)
        time.sleep(draw.uniform(0.0, 0.4))
        if process.poll() is None:
            process.send_signal(signal.SIGKILL)
            kills += 1
        process.wait()
        after = tuple(dict(event) for event in read_events(log, "stepwitness-qualification-log/1"))
        assert after[: len(before)] == before
        before = after
    assert kills >= KILLS // 2
    done = subprocess.run([*command, "--seal"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    sections = open_sealed(FOLDER / "qualification.json", (SCHEMA,)).sections
    assert sections["end"]["verdict"] == "PASS"
    attempts = [one for cell in sections["matrix"] for one in cell["attempts"]]
    assert {one["record"] is not None or one["statement"] != "" for one in attempts} == {True}
    for one in attempts:
        if one["record"]:
            assert verify(Path("reports") / one["folder"]) == []
    shutil.rmtree(FOLDER)
