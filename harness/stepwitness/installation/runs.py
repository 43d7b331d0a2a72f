"""Known cases from end to end: two axes whose truth is known, the record of a run, and a record that was tampered with.

What the axes are is physics that the stand-ins were given; what must come out follows from it (first principles).
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

from stepwitness.conduct import conduct
from stepwitness.installation.case import Case, Check, near, same
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.manifest import FILE, open_record, verify
from stepwitness.records.record import reevaluate

AXES = Path(__file__).parent / "axes"

_SOUND = {"mean_reversal": "PASS", "count_closure": "PASS", "reversal_value": "PASS", "clearance": "PASS"}
_WORN = {**_SOUND, "mean_reversal": "FAIL", "reversal_value": "FAIL", "clearance": "FAIL"}


def _axis(name: str, folder: Path, *, clearance_um: float, verdicts: dict[str, str]) -> Iterator[Check]:
    plan, bench = load_plan_and_bench(AXES / f"{name}.plan.yaml")
    conduct(plan, bench, folder / name)
    record = open_record(folder / name)
    findings = {one["characteristic"]: one for one in record.sections["findings"]}
    for characteristic, due in verdicts.items():
        found = findings[characteristic]
        yield same(f"{characteristic}, limit {found['limit_text']}", due, found["verdict"])
    clearance = findings["clearance"]
    yield near("clearance / µm", clearance_um, 1e6 * clearance["value"], absolute=round(1e6 * clearance["U"], 3))
    yield same("places where the record isn't what was sealed", [], verify(record.directory))
    yield same("judged again: findings that differ", (), reevaluate(record.directory).differences)


def _tampering(folder: Path) -> Iterator[Check]:
    plan, bench = load_plan_and_bench(AXES / "sound.plan.yaml")
    conduct(plan, bench, folder / "whole")
    for figure, file, pattern, named in (
        ("a verdict in the record", FILE, rb'"verdict":"(PASS)"', "record.json: "),
        ("a digit of a reading", "backlash.journal.jsonl", rb"\d\.\d*(\d)[,\]]", "backlash.journal.jsonl:"),
    ):
        changed = folder / file
        shutil.copytree(folder / "whole", changed)
        path = changed / file
        data = bytearray(path.read_bytes())
        found = re.search(pattern, data)
        assert found is not None, "the record has findings and readings"
        data[found.start(1)] ^= 1
        path.write_bytes(data)
        told = "; ".join(verify(changed))
        yield Check(f"{figure}, one bit changed", f"named, by {named}", told, "", told.startswith(named))
    yield same("the record as it was: places named", [], verify(folder / "whole"))


_TRUTH = "first principles: the clearance that the stand-in was given, seen to within its U"

CASES = (
    Case(
        "a sound axis: run, judged, sealed, judged again",
        _TRUTH,
        lambda folder: _axis("sound", folder, clearance_um=10.0, verdicts=_SOUND),
    ),
    Case(
        "an axis with a worn nut fails where it must, and nowhere else",
        _TRUTH,
        lambda folder: _axis("worn", folder, clearance_um=45.0, verdicts=_WORN),
    ),
    Case("a changed record is found out", "own format: each bit is under a SHA-256", _tampering),
)
