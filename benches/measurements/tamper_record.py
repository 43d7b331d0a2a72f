"""Every byte of a sample record and of its journals, changed: is it found, and is the place named?

    python benches/measurements/tamper_record.py [changes a byte, default 2]

A record of one procedure on stand-ins is made. Then each byte of record and journal is replaced in turn, by a flipped
bit and by other letters, and `verify` is asked. The answers are counted by how precisely they tell the place: the
field, the column and row of the reading, the section, or the byte, the line or the part of the seal. Exits 1 where a
change isn't found. Records that are reordered, dropped or doubled are in `tests/records/test_chain.py`.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

from stepwitness.conduct import conduct
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.manifest import FILE, SECTIONS, verify

BENCH = Path(__file__).parent.parent / "tarnbrook" / "doser.bench.yaml"
PLAN = """\
purpose: nightly
bench: doser.bench.yaml
decision_rule: guarded
procedures:
  - repeatability: {targets: 5, runs: 2, speed: 20 mm/s, limits: {mean_reversal: 25 um}}
"""
FIELD = re.compile(rf"(?:{'|'.join(SECTIONS)})[.\[][^ ]*(?: line \d+)?(?: \(.*?\))? isn't what was sealed")
READING = re.compile(r" in row \d+")
SECTION = re.compile(r"section '|missing (?:before|at the end of) ")
PLACE = re.compile(r"byte \d+|the seal|the schema|has the schema|has no |jsonl:\d+")
OTHERS = (
    lambda byte: byte ^ 1,
    lambda byte: byte ^ 0x20,
    lambda byte: byte ^ 0x80,
    lambda _: ord("0"),
    lambda _: ord('"'),
)


def how_named(told: list[str]) -> str:
    """How precisely a change is told."""
    if not told:
        return "NOT FOUND"
    text = "\n".join(told)
    for name, pattern in (("field", FIELD), ("reading", READING), ("section", SECTION), ("byte, line or seal", PLACE)):
        if pattern.search(text):
            return name
    return f"found without a place: {told[0]}"


def tampered(directory: Path, path: Path, changes: int) -> Counter[str]:
    """Counts by precision over every byte of one file."""
    data, counts = path.read_bytes(), Counter[str]()
    for at, byte in enumerate(data):
        for other in list(dict.fromkeys(change(byte) for change in OTHERS if change(byte) != byte))[:changes]:
            path.write_bytes(data[:at] + bytes([other]) + data[at + 1 :])
            counts[how_named(verify(directory))] += 1
    path.write_bytes(data)
    return counts


def main() -> int:
    changes = int(sys.argv[1]) if len(sys.argv) > 1 else 2
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(BENCH, folder / BENCH.name)
        (folder / "short.plan.yaml").write_text(PLAN, encoding="utf-8")
        plan, bench = load_plan_and_bench(folder / "short.plan.yaml")
        directory = conduct(plan, bench, folder / "reports" / "night").parent
        failed = False
        for path in (directory / FILE, *sorted(directory.glob("*.jsonl"))):
            counts = tampered(directory, path, changes)
            failed |= any(how.isupper() or how.startswith("found") for how in counts)
            told = ", ".join(f"{count} by {how}" for how, count in counts.most_common())
            print(f"{path.name}: {path.stat().st_size} bytes, {counts.total()} changes: {told}", flush=True)
        assert verify(directory) == []
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
