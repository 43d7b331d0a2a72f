"""What is left when a run is killed: SIGKILL at random instants from its first import of a plan to its last line.

    python benches/measurements/kill_run.py [kills, default 300] [seed, default 1]

Each run is pytest over a plan of two procedures on stand-ins, with a finished night beside it, in a process forked from
one that has everything loaded. The forked process notes each sync of a journal, so that it is known from outside what
was committed when it died. Then the same plan is run again, unharmed. Asked each time: does every journal still hold
what was committed; is any record accepted that isn't whole; did the second run pass, seal what the first one left, keep
the chain of records unbroken and hand all of them to the store once. Prints counts; exits 1 if anything fell short.
POSIX only, Linux for what was committed.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Self

from stepwitness.errors import StepwitnessError
from stepwitness.records.chain import broken_chains
from stepwitness.records.journal import SUFFIX, JournalReadings, batch_in
from stepwitness.records.manifest import FILE, open_record, verify
from stepwitness.records.store import open_store

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability: {targets: 5, runs: 2, speed: 20 mm/s, limits: {mean_reversal: 25 um}}
  - backlash: {drags: [0 N, 30 N], repeats: 2, limits: {reversal_value: 25 um}}
"""
LONG, SHORT = "travel: 1 mm to 59 mm", "travel: 1 mm to 8 mm"
"""Short ways leave more of a run to what is written."""

PYTEST = ("short.plan.yaml", "-q", "-p", "no:randomly", "-p", "no:hypothesispytest", "-p", "no:cacheprovider")


# -- the process that runs, and the one that breeds it ---------------------------------------------------------


def breed() -> None:
    """Fork a run for each folder that is read and say its process id; when asked, wait for it and say its exit code."""
    import pytest

    import stepwitness_reports.html  # noqa: F401 (what is loaded here needn't be loaded again)
    from pytest_stepwitness import filing, leftovers, sealing  # noqa: F401

    for line in sys.stdin:
        folder = Path(line.strip())
        pid = os.fork()
        if not pid:
            os.chdir(folder)
            sink = os.open(os.devnull, os.O_WRONLY)
            os.dup2(sink, 1)
            os.dup2(sink, 2)
            _note_syncs(folder / "synced")
            os._exit(pytest.main(list(PYTEST)))
        print(pid, flush=True)
        sys.stdin.readline()
        _, status = os.waitpid(pid, 0)
        print(os.waitstatus_to_exitcode(status), flush=True)


def _note_syncs(note: Path) -> None:
    """From now on each journal's name and size is noted once it was synced; a kill doesn't undo that."""
    descriptor, sync = os.open(note, os.O_CREAT | os.O_APPEND | os.O_WRONLY), os.fsync

    def noted(file: int) -> None:
        sync(file)
        path = os.readlink(f"/proc/self/fd/{file}")
        if path.endswith(SUFFIX):
            os.write(descriptor, f"{os.fstat(file).st_size}\t{path}\n".encode())

    os.fsync = noted


class Breeder:
    """A process that has everything loaded and forks runs."""

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [sys.executable, __file__, "--breed"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait()
        self._process.stdout.close()

    def run(self, folder: Path, kill_after_s: float | None = None) -> int:
        """One run in `folder`; its exit code, negative where it was killed."""
        pid = self._asked(str(folder))
        if kill_after_s is not None:
            time.sleep(kill_after_s)
            os.kill(pid, signal.SIGKILL)  # nobody has waited for it yet: the number is still its own
        return self._asked("wait")

    def _asked(self, line: str) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{line}\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())


# -- one kill --------------------------------------------------------------------------------------------------


@dataclass
class Tally:
    """What was counted over all kills."""

    kills: int = 0
    committed: int = 0
    lost: int = 0
    torn: int = 0
    resumed: int = 0
    states: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)


def state_of(tonight: list[Path]) -> str:
    """What stood in the run's folder when it died."""
    if not tonight:
        return "nothing yet"
    if (tonight[0] / "report.html").exists():
        return "record and report"
    if (tonight[0] / FILE).exists():
        return "record"
    journals = sorted(tonight[0].glob(f"*{SUFFIX}"))
    return f"{len(journals)} journal{'s' if len(journals) != 1 else ''}"


def one_kill(breeder: Breeder, folder: Path, after_s: float, tally: Tally) -> float:
    """Kill one run and resume it; how long the run took that was left alone."""
    reports = folder / "reports"
    (folder / "synced").unlink(missing_ok=True)
    nights = set(reports.glob("[!.]*/[0-9]*"))
    code = breeder.run(folder, after_s)
    if code >= 0:
        return after_s / 2  # it was done already: the machine is less busy than it was
    tally.kills += 1
    tally.states[state_of([path for path in reports.glob("[!.]*/[0-9]*") if path not in nights])] += 1
    torn = [str(path) for path in reports.glob(f"*/*/{FILE}") if verify(path.parent)]
    tally.torn += len(torn)
    tally.wrong += [f"accepted, though torn: {path}" for path in torn]
    started_s = time.monotonic()
    again = breeder.run(folder)
    took_s = time.monotonic() - started_s
    wrong = [] if again == 0 else [f"the next run exited with {again}"]
    wrong += _lost(folder, tally)
    directories = [path.parent for path in reports.glob(f"*/*/{FILE}")]
    wrong += [place for directory in directories for place in verify(directory)]
    wrong += broken_chains(directories)
    wrong += [f"not sealed: {path}" for path in reports.glob(f"*/*/*{SUFFIX}") if not (path.parent / FILE).exists()]
    with open_store(None, reports=reports) as store:
        held = sorted(record.seal for record in store.records(limit=100))
    due = sorted(str(open_record(directory).seal["sha256"]) for directory in directories)
    wrong += [] if held == due else [f"the store holds {len(held)} records, {len(due)} were sealed"]
    tally.resumed += not wrong
    tally.wrong += [f"killed after {after_s * 1e3:.0f} ms: {text}" for text in wrong]
    return took_s


def _lost(folder: Path, tally: Tally) -> list[str]:
    """Readings that were committed when the first run died and that its journals don't give now."""
    sizes: dict[str, int] = {}
    for line in (folder / "synced").read_text().splitlines():
        size, _, path = line.partition("\t")
        sizes.setdefault(path, 0)
        sizes[path] = max(sizes[path], int(size))
    wrong = []
    for path, size in sizes.items():
        try:
            good = Path(path).read_bytes().splitlines(keepends=True)[: len(JournalReadings(Path(path)).digests)]
        except StepwitnessError as error:
            tally.lost += 1
            wrong.append(str(error))
            continue
        rows, end = 0, 0
        for line in good:
            rows, end = rows + batch_in(line)[1], end + len(line)
        tally.committed += rows
        if end < size:
            tally.lost += 1
            wrong.append(f"{path}: {size} bytes were committed, {end} can be read")
    return wrong


def study(kills: int, seed: int = 1, told: Callable[[Tally], None] = lambda _: None) -> Tally:
    """Kill so many runs; what was counted. `told` is given what was counted so far, now and then."""
    dice, tally = random.Random(seed), Tally()
    with tempfile.TemporaryDirectory() as name, Breeder() as breeder:
        before = Path(name) / "before"
        before.mkdir()
        bench = BENCH.read_text(encoding="utf-8")
        assert LONG in bench
        (before / BENCH.name).write_text(bench.replace(LONG, SHORT), encoding="utf-8")
        (before / "short.plan.yaml").write_text(PLAN, encoding="utf-8")
        (before / "conftest.py").write_text("", encoding="utf-8")
        took_s = 0.0
        for _ in range(2):
            started_s = time.monotonic()
            if breeder.run(before) != 0:
                raise SystemExit("the plan doesn't pass unharmed")
            took_s = time.monotonic() - started_s
        while tally.kills < kills:
            folder = Path(name) / "tried"
            shutil.copytree(before, folder)
            took_s = one_kill(breeder, folder, dice.uniform(0.0, 1.05 * took_s), tally)
            shutil.rmtree(folder)
            if tally.kills and tally.kills % 25 == 0:
                told(tally)
    return tally


def main() -> int:
    if sys.argv[1:] == ["--breed"]:
        breed()
        return 0
    kills, seed = (int(text) for text in (*sys.argv[1:3], *("300", "1")[len(sys.argv) - 1 :]))
    tally = study(kills, seed, lambda so_far: print(so_far, file=sys.stderr, flush=True))
    states = ", ".join(f"{count} {state}" for state, count in sorted(tally.states.items()))
    print(f"{tally.kills} kills; what stood there: {states}")
    print(
        f"{tally.committed} readings committed in their journals, {tally.lost} lost; torn records accepted {tally.torn}"
    )
    print(f"resumed {tally.resumed} of {tally.kills}")
    for text in tally.wrong[:20]:
        print(f"  {text}")
    return 1 if tally.wrong or tally.lost or tally.torn else 0


if __name__ == "__main__":
    sys.exit(main())
