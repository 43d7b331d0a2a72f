from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from pytest_stepwitness.claims import ABORTED, DONE, Claim, ClaimKey, Claims
from pytest_stepwitness.folders import RecordFolders, Subject
from pytest_stepwitness.identity import RunIdentity
from pytest_stepwitness.locks import bench_id, has_real_parts, lock_of, stop_owners
from stepwitness.bench.lock import BenchInUse, BenchLock, Owner
from stepwitness.bench.model import load_bench
from stepwitness.errors import StepwitnessError

KEY = ClaimKey("doser-rig-1", "nightly.plan.yaml", "doser", "backlash")


@pytest.fixture
def run(tmp_path: Path) -> RunIdentity:
    return RunIdentity.new(tmp_path / "reports", ascii_only=False)


def claimed(run: RunIdentity, key: ClaimKey = KEY, attempt: int = 1) -> Claim:
    folder = Path(run.reports)
    return Claims(run).create(key, attempt=attempt, directory=folder, journal=folder / "j", identities={"drive": "D-1"})


def test_a_claim_is_made_once_whoever_asks(run: RunIdentity) -> None:
    claim = claimed(run)
    with pytest.raises(FileExistsError):
        claimed(replace(run, worker="gw1"))
    assert Claims(run).latest(KEY) == claim
    assert claim.identities == {"drive": "D-1"}
    assert claim.pid == os.getpid()


def test_another_run_has_claims_of_its_own(run: RunIdentity) -> None:
    claimed(run)
    assert Claims(RunIdentity.new(Path(run.reports), ascii_only=False)).latest(KEY) is None


def test_a_claim_outlives_its_process_unended(run: RunIdentity) -> None:
    subprocess.run([sys.executable, "-c", CLAIM, run.id, run.started, run.reports], check=True)
    left = Claims(run).latest(KEY)
    assert left is not None
    assert not left.ended
    assert Claims(run).blocking("doser-rig-1") == left
    assert Claims(run).blocking("doser-rig-2") is None


@pytest.mark.parametrize(
    ("outcome", "stopped", "blocks"), [(DONE, "", False), (ABORTED, "", False), (ABORTED, "x", True)]
)
def test_only_an_axis_that_stopped_blocks_its_bench(run: RunIdentity, outcome: str, stopped: str, blocks: bool) -> None:
    Claims(run).end(claimed(run), outcome, cause="why", stopped=stopped)
    ended = Claims(run).latest(KEY)
    assert ended is not None
    assert (ended.outcome, ended.cause, ended.stopped) == (outcome, "why", stopped)
    assert (Claims(run).blocking("doser-rig-1") is not None) == blocks


def test_the_latest_attempt_counts(run: RunIdentity) -> None:
    Claims(run).end(claimed(run), DONE)
    second = claimed(run, attempt=2)
    assert Claims(run).latest(KEY) == second
    assert [one.attempt for one in Claims(run).all()] == [1, 2]


def test_a_file_system_without_links_is_as_good(run: RunIdentity, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError("no links here")

    monkeypatch.setattr(os, "link", refuse)
    claim = claimed(run)
    assert Claims(run).latest(KEY) == claim
    with pytest.raises(FileExistsError):
        claimed(run)


def test_a_record_folder_is_shared_and_never_one_that_exists(run: RunIdentity) -> None:
    subject = Subject("b.yaml", "doser-rig-1", "name: b", "p.yaml", "nightly", "purpose: nightly", "p.yaml::doser")
    above = Path(run.reports) / "doser-rig-1"
    (above / run.stamp).mkdir(parents=True)
    first = RecordFolders(run).obtain(subject, 1)
    assert first.path == above / f"{run.stamp}-nightly"
    assert RecordFolders(run).obtain(subject, 1) == first
    assert RecordFolders(run).obtain(subject, 2).path == above / f"{run.stamp}-nightly-2"
    with pytest.raises(StepwitnessError, match="changed while the run was under way"):
        RecordFolders(run).obtain(replace(subject, plan_text="purpose: incoming"), 1)


TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"

CLAIM = """
import sys
from pathlib import Path
from pytest_stepwitness.claims import ClaimKey, Claims
from pytest_stepwitness.identity import RunIdentity
run = RunIdentity(sys.argv[1], sys.argv[2], sys.argv[3], False, "gw7")
key = ClaimKey("doser-rig-1", "nightly.plan.yaml", "doser", "backlash")
Claims(run).create(key, attempt=1, directory=Path(run.reports), journal=Path("j"), identities={})
"""

HOLD = """
import sys, time
from pytest_stepwitness.identity import RunIdentity
from pytest_stepwitness.locks import lock_of
run = RunIdentity(sys.argv[1], sys.argv[2], sys.argv[3], False, "gw7")
lock = lock_of("doser-rig-1", run, real=False)
lock.acquire()
print("held", flush=True)
time.sleep(60)
"""


@pytest.fixture
def holder(run: RunIdentity):
    """Another process of the same run that holds the bench."""
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, run.id, run.started, run.reports], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


def test_a_bench_that_another_run_holds_is_refused_with_its_owner(
    run: RunIdentity, holder: subprocess.Popen[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stepwitness.bench.lock.PATIENCE_S", 0.2)
    stranger = Owner.this_process("another", started=run.started)
    lock = BenchLock("doser-rig-1", stranger, run.room)
    with pytest.raises(BenchInUse, match=rf"bench 'doser-rig-1' is in use by worker gw7 \(process {holder.pid}\) on "):
        lock.acquire()


def test_real_parts_are_one_bench_for_the_whole_machine_though_they_are_only_read() -> None:
    in_process = load_bench(TARNBROOK / "doser.bench.yaml")
    real = replace(in_process, stand_in=None)
    found = [
        has_real_parts(description, armed=armed)
        for description, armed in ((in_process, False), (in_process, True), (real, False), (real, True))
    ]
    assert found == [False, True, True, True]
    elsewhere = replace(real, path="another/folder/doser.bench.yaml")
    assert bench_id(real, real=True) == bench_id(elsewhere, real=True) == real.name
    assert bench_id(real, real=False) != bench_id(elsewhere, real=False)


def test_a_worker_waits_for_another_of_its_run_until_that_dies(
    run: RunIdentity, holder: subprocess.Popen[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stepwitness.bench.lock.PATIENCE_S", 0.0)
    lock = lock_of("doser-rig-1", run, real=False)
    ending = threading.Timer(0.5, holder.kill)
    ending.start()
    lock.acquire()
    lock.release()
    ending.join()
    assert holder.wait(30) == -9


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_owners_of_this_run_are_stopped_and_nobody_else(run: RunIdentity, holder: subprocess.Popen[str]) -> None:
    note = run.room / "doser-rig-1.owner"
    written = note.read_text(encoding="utf-8")
    note.write_text(written.replace(run.id, "another"), encoding="utf-8")
    stop_owners(run)
    assert holder.poll() is None
    note.write_text(written, encoding="utf-8")
    stop_owners(run)
    assert holder.wait(30) == -15


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_note_whose_lock_is_free_is_not_believed(run: RunIdentity) -> None:
    bystander = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
    try:
        lock = lock_of("doser-rig-1", run, real=False)
        lock.acquire()
        note = run.room / "doser-rig-1.owner"
        written = note.read_text(encoding="utf-8")
        lock.release()
        note.write_text(written.replace(str(os.getpid()), str(bystander.pid)), encoding="utf-8")
        stop_owners(run)
        time.sleep(0.2)
        assert bystander.poll() is None
    finally:
        bystander.kill()
        bystander.wait()
