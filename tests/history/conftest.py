"""A past that lives in a list, and the limit that most of its tests look at."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from stepwitness.conduct import conduct
from stepwitness.findings import Characteristic, Limit
from stepwitness.history.past import EarlierRun, Point, Subject
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.quantities import Kind
from stepwitness.records.manifest import write_record

FIRST = datetime(2026, 9, 1, 2, 10, tzinfo=UTC)


@dataclass
class ListedPast:
    """Points by procedure and characteristic, whoever asks."""

    by_name: dict[tuple[str, str], Sequence[Point]] = field(default_factory=dict)
    earlier: Sequence[EarlierRun] = ()

    def points(self, subject: Subject, *, procedure: str, characteristic: str, since: str = "") -> Sequence[Point]:  # noqa: ARG002
        return self.by_name.get((procedure, characteristic), ())

    def runs(self, subject: Subject, *, since: str, limit: int | None = None) -> Sequence[EarlierRun]:  # noqa: ARG002
        return [run for run in self.earlier if run.started >= since][-(limit or len(self.earlier)) :]


Night = Callable[..., Point]


@pytest.fixture
def past() -> ListedPast:
    return ListedPast()


@pytest.fixture
def night() -> Night:
    """A point of the night of that number, in metres."""

    def made(number: int, value_m: float, *, u_m: float = 1e-7, splits: Mapping[str, str] | None = None) -> Point:
        started = (FIRST + timedelta(days=number)).isoformat(timespec="seconds")
        return Point(f"seal-{number}", started, value_m, u_m, splits or {"plan": "a"})

    return made


@pytest.fixture
def limit() -> Limit:
    reversal = Characteristic("reversal_value", "reversal value", Kind.TRAVEL, "um", "own definition", "so", "B")
    return Limit(reversal, 25e-6, "um", "25 um")


TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"

PLAN = """\
purpose: nightly
bench: doser.bench.yaml
procedures:
  - check_standard:
      from: 10 mm
      to: 30 mm
      known: 20 mm
      repeats: 2
      limits: {gauge_deviation: 6 um}
"""


@pytest.fixture(scope="session")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a real run whose plan is a check standard of the gauge, and nothing else."""
    folder = tmp_path_factory.mktemp("sealed")
    (folder / "doser.bench.yaml").write_text((TARNBROOK / "doser.bench.yaml").read_text(encoding="utf-8"))
    (folder / "checks.plan.yaml").write_text(PLAN)
    plan, bench = load_plan_and_bench(folder / "checks.plan.yaml")
    return conduct(plan, bench, folder / "run").parent


Told = Callable[[dict[str, Any]], None]


@pytest.fixture
def night_folder(sealed: Path, tmp_path: Path) -> Callable[..., Path]:
    """The same run on another night and bench, sealed anew after `change` had its way with its sections."""

    def made(number: int, *, bench: str = "doser-rig-1", change: Told = lambda _: None) -> Path:
        sections = json.loads((sealed / "record.json").read_bytes())["sections"]
        started = FIRST + timedelta(days=number)
        sections["run"] |= {"id": f"{bench}-{number}", "started": started.isoformat(timespec="seconds")}
        sections["bench"]["name"] = bench
        change(sections)
        folder = tmp_path / "reports" / bench / f"{started:%Y-%m-%dT%H%M}"
        folder.mkdir(parents=True)
        for journal in sealed.glob("*.jsonl"):
            shutil.copy(journal, folder)
        write_record(folder, sections)
        return folder

    return made
