"""Runs every known case on the software as it is installed, and seals what came of it.

ISO/IEC 17025:2017, 7.11.2 asks that software be validated for its function before it is used.
"""

from __future__ import annotations

import platform
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from stepwitness.display import counted
from stepwitness.installation import figures, physics, runs
from stepwitness.installation.case import Case, Check, ran
from stepwitness.records.kinds import INSTALLATION
from stepwitness.records.rendering import rendered
from stepwitness.records.run_folder import make_run_folder, minute
from stepwitness.records.sealed import write_sealed

SCHEMA = "stepwitness-installation/1"
FILE = INSTALLATION.file

CASES: tuple[Case, ...] = (*figures.CASES, *physics.CASES, *runs.CASES)

_LIBRARIES = ("numpy", "scipy", "pydantic", "pyyaml", "pint", "rfc8785", "sqlalchemy", "pytest", "jinja2")


def prove(
    cases: Sequence[Case] = CASES, *, operator: str = "", told: Callable[[Case, Sequence[Check]], None]
) -> dict[str, Any]:
    """Run the cases; the sections of the document. `told` is given each case with its checks as soon as it ran."""
    started = _now()
    entries = []
    with tempfile.TemporaryDirectory(prefix="stepwitness-proof-") as scratch:
        for number, case in enumerate(cases, start=1):
            folder = Path(scratch) / str(number)
            folder.mkdir()
            checks = ran(case, folder)
            told(case, checks)
            entries.append(_entry(case, checks))
    differing = [entry["name"] for entry in entries if not entry["agrees"]]
    count = sum(len(entry["checks"]) for entry in entries)
    verdict = "FAIL" if differing else "PASS"
    known = counted(len(entries), "known case", gap=" ")
    reason = (
        f"{len(differing)} of {len(entries)} cases differ: {'; '.join(differing)}"
        if differing
        else (f"{known} with {count} figures came out as they must")
    )
    return {
        "installation": {
            "started": started,
            "ended": _now(),
            "operator": operator,
            "verdict": verdict,
            "statement": f"stepwitness {_version('pytest-stepwitness')} on {platform.node()}: {verdict}. {reason}.",
        },
        "cases": entries,
        "software": {
            "stepwitness": _version("pytest-stepwitness"),
            "python": platform.python_version(),
            **{name: _version(name) for name in _LIBRARIES},
        },
        "platform": {
            "system": platform.platform(),
            "machine": platform.machine(),
            "node": platform.node(),
        },
    }


@dataclass(frozen=True)
class Filed:
    """Where a proof stands: document, and page where one was drawn; `troubles` with page or store, in sentences."""

    document: Path
    page: Path | None
    troubles: tuple[str, ...]


def file_proof(sections: dict[str, Any], reports: Path) -> Filed:
    """Seal the sections in a folder of their own below `reports`, draw their page and hand them to the store.

    Raises
    ------
    RecordError : the folder can't be written.
    """
    from stepwitness.records.store import Document, leave

    above = f"{INSTALLATION.name}/{sections['platform']['node']}"
    folder = make_run_folder(reports, bench=above, stamp=minute(sections["installation"]["started"]), plan="proof")
    path = write_sealed(folder / FILE, SCHEMA, sections)
    page, troubles = rendered(folder, INSTALLATION.renderers)
    behind = leave(reports, Document.below(reports, INSTALLATION, path), records=False)
    if behind.trouble:
        troubles.append(f"{path} isn't in the store yet: {behind.trouble}")
    return Filed(path, page, tuple(troubles))


def _entry(case: Case, checks: Sequence[Check]) -> dict[str, Any]:
    return {
        "name": case.name,
        "source": case.source,
        "agrees": all(check.agrees for check in checks),
        "checks": [
            {
                "figure": check.figure,
                "expected": check.expected,
                "found": check.found,
                "tolerance": check.tolerance,
                "agrees": check.agrees,
            }
            for check in checks
        ],
    }


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _version(distribution: str) -> str:
    try:
        return version(distribution)
    except PackageNotFoundError:
        return "absent"
