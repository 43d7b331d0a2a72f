"""Three nights of a check standard on a stand-in bench, in folders and in a store beside them; a command, and what it
said."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from stepwitness import cli
from stepwitness.conduct import conduct
from stepwitness.plan.model import load_plan_and_bench
from stepwitness.records.store import hand_over, open_store

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"

PLAN = """\
purpose: nightly
bench: doser.bench.yaml
procedures:
  - check_standard: {from: 10 mm, to: 30 mm, known: KNOWN, repeats: 2, limits: {gauge_deviation: 6 um}}
"""
KNOWN = ("20 mm", "20 mm", "20.02 mm")


@pytest.fixture(scope="session")
def _nights(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A project in which the third night fails: what is known is 20 µm off."""
    project = tmp_path_factory.mktemp("nights")
    (project / "doser.bench.yaml").write_text((TARNBROOK / "doser.bench.yaml").read_text(encoding="utf-8"))
    for number, known in enumerate(KNOWN):
        (project / "checks.plan.yaml").write_text(PLAN.replace("KNOWN", known))
        plan, bench = load_plan_and_bench(project / "checks.plan.yaml")
        conduct(plan, bench, project / "reports" / "doser-rig-1" / f"night-{number}")
        time.sleep(1.001 - time.time() % 1)  # a record's instant is a whole second, and nights don't share one
    with open_store(reports=project / "reports") as store:
        assert len(hand_over(store, project / "reports").filed) == len(KNOWN)
    return project


@pytest.fixture
def project(_nights: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which a user stands: reports of three nights, with their store."""
    monkeypatch.delenv("STEPWITNESS_STORE", raising=False)
    shutil.copytree(_nights / "reports", tmp_path / "reports")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def said(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, list[str]]]:
    """Runs a command; its exit code and what it printed, line by line."""

    def run(*arguments: object) -> tuple[int, list[str]]:
        capsys.readouterr()
        code = cli.main([str(argument) for argument in arguments])
        captured = capsys.readouterr()
        return code, (captured.out + captured.err).splitlines()

    return run
