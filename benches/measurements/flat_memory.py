"""Peak memory of a short run beside that of one with 100,000 readings; each in a process of its own.

    python benches/measurements/flat_memory.py

Prints readings, size of the journal, peak resident memory and the ratio of the two peaks. POSIX only.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

PLAN = Path(__file__).parent.parent / "tarnbrook" / "doser.plan.yaml"


def one_run(healthy_moves: int, folder: Path) -> dict[str, float]:
    """Acquire and evaluate stall recovery with so many watched moves; figures of this process."""
    import resource

    from stepwitness.bench.assembly import open_bench
    from stepwitness.plan.model import load_plan_and_bench
    from stepwitness.procedures.acquisition import acquire
    from stepwitness.records.journal import JournalReadings, JournalWriter

    plan, description = load_plan_and_bench(PLAN)
    planned = next(item for item in plan.procedures if item.id == "stall_recovery")
    planned = replace(planned, settings=replace(planned.settings, healthy_moves=healthy_moves))
    path = folder / "journal.jsonl"
    with open_bench(description) as bench:
        acquire(bench, planned, JournalWriter(path, {"procedure": planned.id}))
    readings = JournalReadings(path)
    estimates = planned.procedure.evaluate(readings, description, planned.settings)
    rows = sum(len(batch["t_s"]) for table in ("watch", "motion") for batch in readings.batches(table))
    false_alarms = next(item.value for item in estimates if item.name == "false_alarms")
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {
        "readings": rows,
        "journal_mib": path.stat().st_size / 2**20,
        "peak_mib": peak_mib,
        "false_alarms": false_alarms or 0.0,
    }


def measured(healthy_moves: int) -> dict[str, float]:
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, str(healthy_moves), folder]
        answer = subprocess.run(command, check=True, capture_output=True, text=True)
    figures: dict[str, float] = json.loads(answer.stdout)
    return figures


def main() -> None:
    if len(sys.argv) == 3:
        print(json.dumps(one_run(int(sys.argv[1]), Path(sys.argv[2]))))
        return
    short, long = measured(2), measured(70)
    for name, run in (("short", short), ("long", long)):
        print(
            f"{name:5}  {run['readings']:9,.0f} readings  journal {run['journal_mib']:6.1f} MiB  "
            f"peak memory {run['peak_mib']:6.1f} MiB"
        )
    readings, peak = long["readings"] / short["readings"], long["peak_mib"] / short["peak_mib"]
    print(f"ratio  {readings:9.1f}           peak memory {peak:.3f}")


if __name__ == "__main__":
    main()
