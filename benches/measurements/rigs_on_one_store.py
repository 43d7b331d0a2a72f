"""Rigs that share one PostgreSQL store over a network that is cut again and again: nothing lost, nothing doubled.

    python benches/measurements/rigs_on_one_store.py [--rigs 8] [--records 500]

Each rig is a process that seals records in its own folder and hands them over as it goes; a relay between rigs and
server drops every connection at random instants. At the end the cable is whole and each rig hands over what is left.
Then every record on disk is in the store once, in the order of its bench's chain, with every file equal to the byte.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import text

from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.journal import JournalWriter
from stepwitness.records.manifest import journal_path, open_record
from stepwitness.records.record import RunFacts, seal_record
from stepwitness.records.store import Store, StoreUnreachable, hand_over, open_store
from stepwitness.records.store.engine import reading

sys.path.insert(0, str(Path(__file__).parent))
import postgres_server
import tcp_relay

BENCH = Path(__file__).parents[1] / "tarnbrook" / "doser.bench.yaml"
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
procedures:
  - backlash: {limits: {reversal_value: 25 um, lost_motion: 2 steps}}
"""
FIRST = datetime(2026, 1, 1, tzinfo=UTC)
BETWEEN_HAND_OVERS = 5
WHOLE_S, CUT_S = (0.3, 2.0), (0.1, 0.6)
"""How long the cable is whole, and how long it is out: drawn between these."""


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--rigs", type=int, default=8)
    parser.add_argument("--records", type=int, default=500)
    parser.add_argument("--seed", type=int, default=417)
    parser.add_argument("--rig", type=int, help=argparse.SUPPRESS)
    parser.add_argument("--reports", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--store", help=argparse.SUPPRESS)
    given = parser.parse_args(arguments)
    if given.rig is not None:
        print(work(given.rig, given.records, given.reports, given.store))
        return 0
    with tempfile.TemporaryDirectory() as room:
        return study(Path(room), rigs=given.rigs, records=given.records, seed=given.seed)


def study(room: Path, *, rigs: int, records: int, seed: int) -> int:
    """The whole of it; 0 where nothing was lost or doubled."""
    folders = [room / f"rig-{number}" / "reports" for number in range(rigs)]
    began = time.perf_counter()
    with (
        postgres_server.running_server(room / "postgres") as server,
        tcp_relay.TcpRelay(server.port) as relay,
    ):
        open_store(server.url()).close()
        processes = [
            _started(number, records, folder, server.url(port=relay.port)) for number, folder in enumerate(folders)
        ]
        _cut_until_done(relay, processes, random.Random(seed))
        lost_ways = sum(int(process.communicate()[0] or 0) for process in processes)
        failed = [process.returncode for process in processes if process.returncode]
        with open_store(server.url()) as store:
            for folder in folders:
                hand_over(store, folder)
            wrong = [*(f"a rig ended with {code}" for code in failed), *differences(store, folders, rigs * records)]
    took = time.perf_counter() - began
    print(f"{rigs} rigs, {records} records each, {relay.cuts} cuts, {lost_ways} hand-overs broken off, {took:.0f} s")
    for one in wrong:
        print(f"  {one}")
    print("  every record once, in order, every file equal" if not wrong else f"  {len(wrong)} WRONG")
    return 1 if wrong else 0


def _started(number: int, records: int, folder: Path, store: str) -> subprocess.Popen[str]:
    command = [sys.executable, __file__, "--rig", str(number), "--records", str(records)]
    return subprocess.Popen([*command, "--reports", str(folder), "--store", store], stdout=subprocess.PIPE, text=True)


def _cut_until_done(relay: tcp_relay.TcpRelay, processes: Sequence[subprocess.Popen[str]], draw: random.Random) -> None:
    while any(process.poll() is None for process in processes):
        time.sleep(draw.uniform(*WHOLE_S))
        relay.cut()
        time.sleep(draw.uniform(*CUT_S))
        relay.mend()


# -- one rig -------------------------------------------------------------------------------------------------


def work(rig: int, records: int, reports: Path, where: str) -> int:
    """Seal records and hand them over now and then; how often the way was lost."""
    reports.mkdir(parents=True)
    (reports.parent / "doser.bench.yaml").write_text(BENCH.read_text(encoding="utf-8"), encoding="utf-8")
    (reports.parent / "nightly.plan.yaml").write_text(PLAN, encoding="utf-8")
    plan, bench = load_plan_and_bench(reports.parent / "nightly.plan.yaml")
    bench = replace(bench, name=f"doser-rig-{rig}", axis_serial=f"TB-{rig:04d}")
    broken_off = 0
    for number in range(records):
        began = FIRST + timedelta(hours=number)
        directory = reports / bench.name / began.strftime("%Y-%m-%dT%H%M")
        directory.mkdir(parents=True)
        _journal(directory, number)
        facts = RunFacts(
            id=f"{rig}-{number}",
            started=began.isoformat(timespec="seconds"),
            ended=began.isoformat(timespec="seconds"),
            over="process",
            simulated=True,
        )
        seal_record(directory, plan, bench, facts)
        if number % BETWEEN_HAND_OVERS == 0:
            try:
                with open_store(where) as store:
                    hand_over(store, reports)
            except StoreUnreachable:
                broken_off += 1
    return broken_off


def _journal(directory: Path, number: int) -> None:
    with JournalWriter(journal_path(directory, "backlash"), {"procedure": "backlash", "started_s": 0.0}) as journal:
        for place in range(3):
            for repeat in range(5):
                for up in (True, False):
                    at_m = 0.01 * (place + 1)
                    short_m = (10e-6 + 1e-9 * number + 1e-7 * (repeat % 3)) if up else 0.0
                    journal.write(
                        "reversals",
                        {
                            "place_index": place,
                            "place_m": at_m,
                            "drag_n": 0.0,
                            "repeat": repeat,
                            "up": up,
                            "claim_m": at_m,
                            "counted_m": at_m - (0.5e-6 if up else 0.0),
                            "gauge_m": at_m - short_m,
                            "t_s": 1.0,
                        },
                    )
        journal.end("done", at_s=1.0)


# -- judging -------------------------------------------------------------------------------------------------


def differences(store: Store, folders: Sequence[Path], due: int) -> list[str]:
    """Each way in which the store isn't what stands on disk, in a sentence."""
    wrong = list(store.broken_chains())
    with reading(store._engine, store.address) as connection:
        filed = connection.execute(
            text(
                "SELECT record.seal, subject.bench, record.number FROM record"
                " JOIN subject ON record.subject_id = subject.id ORDER BY record.id"
            )
        ).all()
    on_disk = {
        str(open_record(path.parent).seal["sha256"]): path.parent
        for folder in folders
        for path in folder.rglob("record.json")
    }
    if not len(filed) == len(on_disk) == due:
        wrong.append(f"{due} records are due, {len(on_disk)} on disk, {len(filed)} in the store")
    for bench in {row.bench for row in filed}:
        numbers = [row.number for row in filed if row.bench == bench]
        if numbers != sorted(numbers):
            wrong.append(f"{bench}: not filed in the order of its chain")
    for row in filed:
        directory = on_disk.get(row.seal)
        if directory is None:
            wrong.append(f"{row.seal}: in the store and not on disk")
            continue
        for name in store.file_names(row.seal):
            held = hashlib.sha256()
            for piece in store.pieces(row.seal, name):
                held.update(piece)
            if held.digest() != hashlib.sha256((directory / name).read_bytes()).digest():
                wrong.append(f"{directory / name}: the store holds something else")
    return wrong


if __name__ == "__main__":
    with contextlib.suppress(KeyboardInterrupt):
        sys.exit(main())
