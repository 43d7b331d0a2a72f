"""A lot whose inspection is killed again and again: whether anything is lost, doubled or left without a record.

    python benches/measurements/kill_lot.py [--kills 30] [--seed 1]

`stepwitness lot inspect --unattended` on the demo's stand-ins is killed (SIGKILL) at random instants after a unit's
first readings, and started again until the lot has its sentence. After each kill the ledger is read; at the end it is
compared, attempt by attempt, with the records on disk: every attempt that moved has a record that is whole, no unit was
decided twice, and the sentence is the one of a lot that was never killed.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from stepwitness.inspection.standing import replayed
from stepwitness.inspection.supply import LEDGER_FILE, LEDGER_SCHEMA
from stepwitness.records.journal import SUFFIX
from stepwitness.records.ledger import read_events
from stepwitness.records.manifest import FILE, verify

DEMO = Path(__file__).parents[1] / "incoming"
SEED = "1"
LATEST_S = 3.0
"""After the first readings of a unit; it takes some two seconds of an idle core."""


def inspecting(reports: Path) -> list[str]:
    lot = str(DEMO / "doser.lot.yaml")
    given = ["lot", "inspect", lot, "--unattended", "--seed", SEED, "--reports", str(reports), "--json"]
    return [sys.executable, "-m", "stepwitness.cli", *given]


def begun(reports: Path, process: subprocess.Popen[str]) -> bool:
    """Wait for a unit's first readings; False where the process ended before."""
    before = len(list(reports.rglob(f"*{SUFFIX}")))
    while process.poll() is None:
        if len(list(reports.rglob(f"*{SUFFIX}"))) > before:
            return True
        time.sleep(0.01)
    return False


def outcomes(sections: dict[str, object]) -> list[tuple[str, str]]:
    units = sections["units"]
    assert isinstance(units, list)
    return [(unit["serial"], unit["outcome"]) for unit in units]


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--kills", type=int, default=30, help="at most")
    parser.add_argument("--seed", type=int, default=1, help="of the instants")
    given = parser.parse_args()
    chance = Random(given.seed)
    with tempfile.TemporaryDirectory() as folder:
        quiet, harried = Path(folder) / "quiet", Path(folder) / "harried"
        told = subprocess.run(inspecting(quiet), capture_output=True, text=True, check=False).stdout
        due = json.loads(told)
        kills, within = 0, 0
        while True:
            process = subprocess.Popen(inspecting(harried), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            if kills < given.kills and begun(harried, process):
                time.sleep(chance.uniform(0.0, LATEST_S))
                process.kill()
            told, error = process.communicate()
            if process.returncode >= 0:
                break
            kills += 1
            (ledger,) = harried.rglob(LEDGER_FILE)
            within += replayed(read_events(ledger, LEDGER_SCHEMA)).unfinished is not None
        if not told:
            sys.exit(f"the lot came to no end:\n{error}")
        found = json.loads(told)
        (ledger,) = harried.rglob(LEDGER_FILE)
        attempts = replayed(read_events(ledger, LEDGER_SCHEMA)).attempts
        recorded = [one for one in attempts if one.outcomes is not None]
        on_disk = {path.parent for path in harried.glob(f"*/*/{FILE}")}
        print(f"{kills} kills, {within} of them within a unit; {len(attempts)} attempts at {len(found['units'])} units")
        print(f"  attempts without a record, as nothing had moved: {len(attempts) - len(recorded)}")
        print(f"  records: {len(on_disk)}, named in the ledger: {len(recorded)}")
        print(f"  records that aren't whole: {sum(bool(verify(path)) for path in on_disk)}")
        print(f"  units decided: {len([unit for unit in found['units'] if unit['decided_by']])}")
        same = outcomes(found) == outcomes(due) and found["sentence"]["sentence"] == due["sentence"]["sentence"]
        print(f"  sentence and outcomes {'as' if same else 'NOT as'} without kills: {found['sentence']['sentence']}")


if __name__ == "__main__":
    main()
