"""Peak memory while a record of many readings is written, sealed, verified, stored and judged again.

    python benches/measurements/record_memory.py [readings, default 10000,1000000]

Each number of readings in a process of its own; the peak is that of the process so far, so that it grows where a step
needs more than all before it. Prints resident memory and time by step, the size of journal and record, and the ratio of
the peaks. POSIX only.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability: {targets: 10, runs: 5, speed: 20 mm/s, limits: {mean_reversal: 25 um}}
"""
TARGETS = 10


def one_record(readings: int, folder: Path) -> dict[str, float]:
    """Megabytes and seconds by step, for a record of so many stops at targets."""
    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.records.journal import JournalWriter
    from stepwitness.records.manifest import FILE, journal_path, verify
    from stepwitness.records.record import RunFacts, reevaluate, seal_record
    from stepwitness.records.store import open_store

    (folder / BENCH.name).write_text(BENCH.read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "many.plan.yaml").write_text(PLAN, encoding="utf-8")
    plan, bench = load_plan_and_bench(folder / "many.plan.yaml")
    directory = folder / "reports" / bench.name / "night"
    directory.mkdir(parents=True)
    figures = {"loaded": _peak_mib()}
    started_s = time.perf_counter()

    def done(step: str) -> None:
        nonlocal started_s
        figures[step], figures[f"{step}_s"] = _peak_mib(), time.perf_counter() - started_s
        started_s = time.perf_counter()

    draw = random.Random(7)
    with JournalWriter(journal_path(directory, "repeatability"), {"id": "repeatability", "started_s": 0.0}) as journal:
        for number in range(readings):
            run, place = divmod(number, 2 * TARGETS)
            target, up = place // 2, place % 2 == 0
            target_m = 0.003 + 0.006 * target
            read_m = target_m + (4e-6 if up else -4e-6) + draw.gauss(0, 1e-6)
            row = {"target_index": target, "target_m": target_m, "run": run, "up": up, "t_s": 0.5 * number}
            journal.write(
                "positions", {**row, "skew_s": 1e-4, "claim_m": target_m, "counted_m": read_m, "gauge_m": read_m}
            )
        journal.end("done", at_s=0.5 * readings)
    done("written")
    now = "2026-11-25T02:10:00+00:00"
    seal_record(directory, plan, bench, RunFacts("many", now, now, over="process", simulated=True))
    done("sealed")
    assert verify(directory) == []
    done("verified")
    with open_store(None, reports=folder / "reports") as store:
        store.file(directory)
    done("stored")
    again = reevaluate(directory)
    assert again.same
    assert again.findings[0].estimate.value is not None
    done("judged again")
    figures["journal_mib"] = journal_path(directory, "repeatability").stat().st_size / 2**20
    figures["record_mib"] = (directory / FILE).stat().st_size / 2**20
    return figures


def _peak_mib() -> float:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measured(readings: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, "--one", str(readings), folder]
        answer = subprocess.run(command, check=True, capture_output=True, text=True)
    figures: dict[str, float] = json.loads(answer.stdout)
    return figures


def main() -> None:
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(one_record(int(sys.argv[2]), Path(sys.argv[3]))))
        return
    sizes = [int(text) for text in (sys.argv[1] if len(sys.argv) > 1 else "10000,1000000").split(",")]
    found = {size: measured(size) for size in sizes}
    steps = [step for step in found[sizes[0]] if not step.endswith(("_s", "_mib"))]
    for size, figures in found.items():
        print(f"{size:9,} readings: journal {figures['journal_mib']:.1f} MiB, record {figures['record_mib']:.2f} MiB")
        for step in steps:
            print(f"  {step:12}  peak {figures[step]:7.1f} MiB  {figures.get(f'{step}_s', 0.0):7.1f} s")
    least, most = found[sizes[0]], found[sizes[-1]]
    for step in steps:
        print(f"ratio  {step:12}  {most[step] / least[step]:.2f}")


if __name__ == "__main__":
    main()
