"""A disk that fills up, or turns read-only, at each write of a run: what is told, how the axis ends, what stays whole.

    python benches/measurements/write_faults.py [every n-th write, default 1]

Every call that writes below the folder of reports is counted in a run without faults: opening for writing, writing,
truncating, syncing, linking, renaming, removing, making and removing folders. Then the run is repeated once for each of
them and each kind of fault: from that call on, nothing is written any more. Each time it is asked whether what was told
is one line and names a file; whether the axis stands in its safe state; whether the night before is whole, and whatever
was committed can be read; and whether the next night goes on as if nothing had been, in an unbroken chain. Prints the
calls by kind and what fell short; exits 1 if anything did.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from unittest import mock

from stepwitness.bench import live
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.guard import GuardedDrive
from stepwitness.conduct import conduct
from stepwitness.errors import StepwitnessError
from stepwitness.plan.description import Plan
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.chain import broken_chains
from stepwitness.records.journal import SUFFIX, JournalReadings
from stepwitness.records.manifest import FILE, verify

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability: {targets: 5, runs: 2, speed: 20 mm/s, limits: {mean_reversal: 25 um}}
"""

FULL = {"errno": errno.ENOSPC, "spared": {"truncate", "replace", "unlink", "rmdir"}}
READ_ONLY = {"errno": errno.EROFS, "spared": set()}
FAULTS: dict[str, dict[str, Any]] = {"disk full": FULL, "read-only": READ_ONLY}


# -- the disk --------------------------------------------------------------------------------------------------


class Disk:
    """Counts every write below `root`; from the `at`-th on, each fails with the fault's error.

    Attributes
    ----------
    calls : kind and file of each. synced : size of each file, by its number, when it was last synced.
    """

    def __init__(self, root: Path, fault: dict[str, Any] | None = None, at: int = 0) -> None:
        self.root, self._fault, self._at = str(root), fault, at
        self.calls: list[tuple[str, str]] = []
        self.synced: dict[tuple[int, int], int] = {}
        self._real = {
            name: getattr(os, name) for name in ("open", "fsync", "replace", "link", "mkdir", "unlink", "rmdir")
        }
        self._open = builtins.open

    def check(self, kind: str, path: Any) -> None:
        """Count a call; raise where it fails."""
        if not str(path).startswith(self.root):
            return
        self.calls.append((kind, Path(str(path)).name))
        if self._fault and len(self.calls) >= self._at and kind not in self._fault["spared"]:
            raise OSError(self._fault["errno"], os.strerror(self._fault["errno"]), str(path))

    @contextmanager
    def watched(self) -> Iterator[Self]:
        with ExitStack() as patches:
            for module, name, function in (
                (builtins, "open", self._watched_open),
                (io, "open", self._watched_open),
                (os, "open", self._watched_os_open),
                (os, "fsync", self._watched_fsync),
                *((os, name, self._checked(name)) for name in ("replace", "link", "mkdir", "unlink", "rmdir")),
            ):
                patches.enter_context(mock.patch.object(module, name, function))
            yield self

    def _checked(self, name: str) -> Callable[..., Any]:
        def call(path: Any, *more: Any, **named: Any) -> Any:
            self.check(name, path)
            return self._real[name](path, *more, **named)

        return call

    def _watched_open(self, file: Any, mode: str = "r", *more: Any, **named: Any) -> Any:
        if not set(mode) & set("wxa+"):
            return self._open(file, mode, *more, **named)
        self.check("open", file)
        return _Written(self._open(file, mode, *more, **named), self, file)

    def _watched_os_open(self, path: Any, flags: int, *more: Any, **named: Any) -> int:
        if flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            self.check("open", path)
        descriptor: int = self._real["open"](path, flags, *more, **named)
        return descriptor

    def _watched_fsync(self, descriptor: int) -> None:
        told = os.fstat(descriptor)
        self.check("sync", f"{self.root}/{told.st_ino}")
        self._real["fsync"](descriptor)
        self.synced[told.st_dev, told.st_ino] = os.fstat(descriptor).st_size


class _Written:
    """A file that is open for writing; a write that fails leaves half of it behind, as a disk that fills up does."""

    def __init__(self, file: Any, disk: Disk, path: Any) -> None:
        self._file, self._disk, self._path = file, disk, path

    def write(self, data: Any) -> Any:
        try:
            self._disk.check("write", self._path)
        except OSError:
            self._file.write(data[: len(data) // 2])
            raise
        return self._file.write(data)

    def truncate(self, *size: int) -> Any:
        self._disk.check("truncate", self._path)
        return self._file.truncate(*size)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()


# -- the axis --------------------------------------------------------------------------------------------------


_UNMOVED = "safe enabled=False moving=False"


@dataclass
class Axis:
    """What happened to the axis, in order: moves, and how it stood whenever its safe state was reached."""

    seen: list[str] = field(default_factory=list)

    @contextmanager
    def watched(self) -> Iterator[Self]:
        reach = live.to_safe_state

        def reached(bench: Any) -> None:
            reach(bench)
            status = bench.drive.status()
            self.seen.append(f"safe enabled={status.enabled} moving={status.moving}")

        with ExitStack() as patches:
            patches.enter_context(mock.patch.object(live, "to_safe_state", reached))
            for name in ("start_move_to", "start_move_by", "start_velocity"):
                if hasattr(GuardedDrive, name):
                    patches.enter_context(mock.patch.object(GuardedDrive, name, self._moving(name)))
            yield self

    def _moving(self, name: str) -> Callable[..., Any]:
        real = getattr(GuardedDrive, name)

        def move(drive: Any, *given: Any, **named: Any) -> Any:
            self.seen.append("move")
            return real(drive, *given, **named)

        return move

    @property
    def safe(self) -> bool:
        """Whether it stands halted, and energised if it was moved, since its last move."""
        moved = "move" in self.seen
        return not self.seen or self.seen[-1] in ("safe enabled=True moving=False", *([] if moved else [_UNMOVED]))


# -- one night -------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Night:
    """A run on a disk that fails: what it said, and what was wrong with that, or with what it left."""

    told: str
    wrong: tuple[str, ...]
    calls: list[tuple[str, str]]


def a_plan(folder: Path) -> tuple[Plan, BenchDescription]:
    shutil.copy(BENCH, folder / BENCH.name)
    (folder / "short.plan.yaml").write_text(PLAN, encoding="utf-8")
    return load_plan_and_bench(folder / "short.plan.yaml")


def night(
    plan: Plan, bench: BenchDescription, reports: Path, fault: dict[str, Any] | None = None, at: int = 0
) -> Night:
    """One run beside the nights that stand in `reports`, and what came of it and of the next one."""
    above = reports / bench.name
    disk, axis = Disk(reports, fault, at), Axis()
    told, wrong, said = "", [], []
    with disk.watched(), axis.watched():
        try:
            conduct(plan, bench, above / "tonight", told=said.append)
        except StepwitnessError as error:
            told = str(error)
        except BaseException as error:
            wrong.append(f"{type(error).__name__}: {error}")
    troubles = [line for line in said if "can't be written" in line]
    told = told or "; ".join(troubles)
    if fault and "\n" in told:
        wrong.append(f"more than a line was told: {told}")
    if fault and not told and not wrong and len(disk.calls) >= at and disk.calls[at - 1][0] not in fault["spared"]:
        sealed = (above / "tonight" / FILE).exists() and (above / "tonight" / "report.html").exists()
        if not sealed:
            wrong.append("nothing was told, and the record or its report is missing")
    if not axis.safe:
        wrong.append(f"the axis ended as {axis.seen[-1]}")
    wrong += lost(disk, above / "tonight")
    wrong += broken(above)
    if fault:
        try:
            conduct(plan, bench, above / "tomorrow")
        except StepwitnessError as error:
            wrong.append(f"the next night: {error}")
        wrong += broken(above)
    return Night(told, tuple(wrong), disk.calls)


def lost(disk: Disk, directory: Path) -> list[str]:
    """Journals that hold less than was synced."""
    found = []
    for path in directory.glob(f"*{SUFFIX}"):
        told = path.stat()
        due = disk.synced.get((told.st_dev, told.st_ino), 0)
        if not due:
            continue
        try:
            held = len(b"".join(path.read_bytes().splitlines(keepends=True)[: len(JournalReadings(path).digests)]))
        except StepwitnessError as error:
            found.append(f"{path.name}: {error}")
            continue
        if held < due:
            found.append(f"{path.name}: {due} bytes were committed, {held} can be read")
    return found


def broken(above: Path) -> list[str]:
    """What isn't whole among the records of a bench."""
    directories = [path.parent for path in above.glob(f"*/{FILE}")]
    return [*(place for directory in directories for place in verify(directory)), *broken_chains(directories)]


def study(every: int = 1, told: Callable[[str], None] = print) -> list[str]:
    """Every fault at every `every`-th write; what fell short."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan, bench = a_plan(folder)
        before = folder / "before"
        conduct(plan, bench, before / bench.name / "yesterday")
        shutil.copytree(before, folder / "counted")
        calls = night(plan, bench, folder / "counted").calls
        kinds = Counter(kind for kind, _ in calls)
        told(f"{len(calls)} writes: {', '.join(f'{count} {kind}' for kind, count in sorted(kinds.items()))}")
        short, runs = [], 0
        for fault_name, fault in FAULTS.items():
            sayings: Counter[str] = Counter()
            for at in range(1, len(calls) + 1, every):
                reports = folder / "tried"
                shutil.copytree(before, reports)
                found = night(plan, bench, reports, fault, at)
                shutil.rmtree(reports)
                runs += 1
                sayings[
                    " ".join(found.told.replace(str(reports), "").split()) or "(nothing: spared, or recovered)"
                ] += 1
                kind, file = calls[at - 1]
                short += [f"{fault_name} at write {at} ({kind} {file}): {text}" for text in found.wrong]
            for saying, count in sayings.most_common():
                told(f"  {fault_name:9}  {count:4}  {saying[:150]}")
        told(f"{runs} runs, {len(short)} fell short")
    return short


def main() -> int:
    short = study(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
    for text in short:
        print(text)
    return 1 if short else 0


if __name__ == "__main__":
    sys.exit(main())
