"""Kills a qualification of stand-ins at random instants and carries it on each time; prints what was lost.

    python benches/measurements/kill_qualification.py [kills] [seed]

An act is committed once its line is fsynced. Lost is one that stood before a kill and doesn't after it; torn one whose
line is accepted though it isn't whole; unsealed an attempt whose record isn't what the log says.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from stepwitness.qualification.qualification import DOCUMENT_FILE, LOG_FILE, LOG_SCHEMA
from stepwitness.records.ledger import LedgerError, read_events
from stepwitness.records.manifest import open_record, verify
from stepwitness.records.sealed import broken_places

BENCH = Path(__file__).parent.parent / "qualification" / "doser.bench.yaml"
PLAN = """\
purpose: qualification
bench: doser.bench.yaml
procedures:
  - repeatability: {targets: 3, runs: 2, limits: {mean_reversal: 40 um, count_closure: 3 counts}}
"""
QUALIFICATION = """\
number: K-%d
title: doser
revision: {mark: A}
units: U1 to U8
clauses:
  - {number: 1, title: First, plan: doser.plan.yaml}
  - {number: 2, title: Second, plan: doser.plan.yaml}
hold_points: [{id: H1, before: 2, title: reviewed}]
"""
LONGEST_S = 3.0
"""From its first act a process lives this long at most before it is killed."""


def awaited(process: subprocess.Popen[bytes], log: Path) -> None:
    """Wait until the process has written its first act, or has ended."""
    size = log.stat().st_size if log.exists() else 0
    while process.poll() is None and (not log.exists() or log.stat().st_size <= size):
        time.sleep(0.005)


def main(kills: int, seed: int) -> int:
    draw = random.Random(seed)
    folder = Path(tempfile.mkdtemp(prefix="kill-qualification-"))
    shutil.copy(BENCH, folder)
    (folder / "doser.plan.yaml").write_text(PLAN, encoding="utf-8")
    done = lost = torn = unsealed = ended = attempts = 0
    phases: dict[str, int] = {}
    while done < kills:
        ended += 1
        (folder / "q.qualification.yaml").write_text(QUALIFICATION % ended, encoding="utf-8")
        home = folder / "reports" / "qualifications-simulated" / f"K-{ended}"
        command = [sys.executable, "-m", "stepwitness.cli", "qualify", "run", "q.qualification.yaml", "--rehearse"]
        command += ["--seal"]
        before: tuple[dict, ...] = ()
        while not (home / DOCUMENT_FILE).exists():
            process = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            try:
                if done < kills:
                    awaited(process, home / LOG_FILE)
                process.wait(draw.uniform(0.0, LONGEST_S) if done < kills else None)
            except subprocess.TimeoutExpired:
                process.send_signal(signal.SIGKILL)
                process.wait()
                done += 1
            if not (home / LOG_FILE).exists():
                continue
            try:
                after = tuple(dict(event) for event in read_events(home / LOG_FILE, LOG_SCHEMA))
            except LedgerError as error:
                torn += 1
                print(error)
                return 1
            lost += after[: len(before)] != before
            before = after
            phases[after[-1]["event"]] = phases.get(after[-1]["event"], 0) + 1
        events = [event for event in before if event["event"] == "tested"]
        begun = {event["folder"] for event in before if event["event"] == "begun"}
        attempts += len(begun)
        for event in events:
            matching = [
                path
                for path in begun
                if (folder / "reports" / path / "record.json").exists()
                and open_record(folder / "reports" / path).seal["sha256"] == event["seal"]
            ]
            unsealed += len(matching) != 1 or bool(verify(folder / "reports" / matching[0]))
        torn += bool(broken_places(home / DOCUMENT_FILE))
    print(
        f"{done} kills over {ended} qualifications, {attempts} attempts: {lost} acts lost, {torn} torn lines accepted, "
        f"{unsealed} records that aren't what the log says; all carried on to their seal"
    )
    print("last act when killed: " + ", ".join(f"{name} {count}" for name, count in sorted(phases.items())))
    shutil.rmtree(folder)
    return 1 if lost or torn or unsealed else 0


if __name__ == "__main__":
    started = time.monotonic()
    code = main(int(sys.argv[1]) if len(sys.argv) > 1 else 100, int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    print(f"{time.monotonic() - started:.0f} s")
    sys.exit(code)
