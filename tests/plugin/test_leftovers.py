"""What a killed run left is sealed by the next one: nothing that was committed is lost, nothing is claimed of it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from stepwitness.records.chain import broken_chains
from stepwitness.records.journal import JournalReadings
from stepwitness.records.manifest import FILE, open_record, verify

MOVES = "id: first, label: first, limits: {offset: 25 um}"
WAITS = "id: second, label: second, act: wait, limits: {offset: 25 um, sways: 3}"


def killed(lab, *arguments: str) -> None:
    """A run that is killed while its second procedure has committed a reading and waits."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-p", "no:randomly", "-p", "no:hypothesispytest", *arguments],
        cwd=lab.folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(lab.folder)},
    )
    deadline = time.monotonic() + 60
    while not any(b'"sways"' in path.read_bytes() for path in lab.folder.glob("reports/*/*/second.journal.jsonl")):
        assert process.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.02)
    process.send_signal(signal.SIGKILL)
    process.wait()


def folders(lab) -> list[Path]:
    return sorted(path.parent for path in lab.folder.glob(f"reports/*/*/{FILE}"))


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_the_next_run_seals_what_a_killed_one_left(lab) -> None:
    lab.plan(MOVES, WAITS)
    killed(lab)
    assert folders(lab) == []

    lab.plan(MOVES, file="other.plan.yaml")
    result = lab.run_apart("other.plan.yaml")
    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["sealed what an earlier run left: */reports/doser-rig-1/*"])
    assert result.ret == 0
    (left, own) = sorted(folders(lab), key=lambda folder: open_record(folder).sections["chain"]["number"])
    record = open_record(left)
    run, findings = record.sections["run"], record.sections["findings"]

    assert (run["verdict"], run["partial_reason"]) == ("PARTIAL", "its run ended before it was sealed")
    assert [finding["verdict"] for finding in findings] == ["PASS", "ABORTED", "ABORTED"]
    assert run["started"] <= run["ended"]
    assert len(list(JournalReadings(left / "second.journal.jsonl").rows("sways"))) == 1
    assert [verify(folder) for folder in (left, own)] == [[], []]
    assert broken_chains([left, own]) == []
    assert (left / "report.html").is_file()
    assert not (lab.folder / "reports" / ".runs").exists()


def test_a_run_that_lives_is_left_alone(lab) -> None:
    lab.plan(MOVES, WAITS)
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-p", "no:randomly", "-p", "no:hypothesispytest"],
        cwd=lab.folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(lab.folder)},
    )
    try:
        deadline = time.monotonic() + 60
        while "second" not in lab.motions:
            assert process.poll() is None
            assert time.monotonic() < deadline
            time.sleep(0.02)
        lab.plan(MOVES, file="other.plan.yaml")
        result = lab.run_apart("other.plan.yaml")
        result.assert_outcomes(passed=1)
        result.stdout.no_fnmatch_line("*earlier run*")
        assert len(folders(lab)) == 1
    finally:
        process.kill()
        process.wait()


def test_what_cant_be_sealed_stays_and_is_told_each_time(lab) -> None:
    lab.plan(MOVES)
    lab.run_apart().assert_outcomes(passed=1)
    (whole,) = folders(lab)
    room = lab.folder / "reports" / ".runs" / "dead"
    room.mkdir(parents=True)
    (room / "main.alive").touch()
    (room / "run.json").write_text('{"id":"dead","started":"2026-11-25T02:10:00+00:00","live":false,"over":""}')
    (whole.parent / "left").mkdir()
    subject = (
        '{"bench":"b","bench_name":"doser-rig-1","bench_text":"no bench","plan":"p","plan_name":"p","plan_text":"x",'
        '"node_id":"n"}'
    )
    (room / "x-1.folder").write_text(f'{{"subject":{subject},"attempt":1,"directory":"{whole.parent}/left"}}')

    for _ in range(2):
        result = lab.run_apart()
        result.assert_outcomes(passed=1)
        assert result.ret == 0
        result.stdout.fnmatch_lines([f"no record of what an earlier run left in {whole.parent}/left: b:1*"])
