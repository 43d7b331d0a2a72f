"""A few kills; `benches/measurements/kill_run.py` does three hundred and prints what stood there."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benches" / "measurements" / "kill_run.py"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="what was synced is told by /proc")
def test_killed_runs_lose_nothing_that_was_committed() -> None:
    spec = importlib.util.spec_from_file_location("kill_run", SCRIPT)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["kill_run"] = module
    spec.loader.exec_module(module)
    tally = module.study(4, seed=3)

    assert (tally.kills, tally.resumed, tally.lost, tally.torn, tally.wrong) == (4, 4, 0, 0, [])
