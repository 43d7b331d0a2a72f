"""What begins a new history, and what doesn't."""

from __future__ import annotations

from pathlib import Path

import pytest

from stepwitness.bench.model import parse_bench
from stepwitness.records.splits import splits_of

TARNBROOK = Path(__file__).parents[2] / "benches" / "tarnbrook"
BENCH = (TARNBROOK / "doser.bench.yaml").read_text(encoding="utf-8")
PLAN = (TARNBROOK / "doser.plan.yaml").read_text(encoding="utf-8")


def differing(*, bench: str = BENCH, plan: str = PLAN, drive: str = "D1 2.0") -> set[str]:
    """The names of what differs from the demo's own, with a drive of version 2.0."""
    first, other = (
        splits_of(bench=parse_bench(text, "doser.bench.yaml"), plan_text=said, identities={"drive": told})
        for text, said, told in ((BENCH, PLAN, "D1 2.0"), (bench, plan, drive))
    )
    return {name for name, value in first.items() if value != other[name]}


@pytest.mark.parametrize(
    "plan",
    [
        PLAN + "# a remark\n",
        "history: {on_drift: fail}\n" + PLAN,
        PLAN.replace("purpose: nightly\nbench: doser.bench.yaml\n", "bench: doser.bench.yaml\npurpose: nightly\n"),
    ],
)
def test_how_a_plan_is_written_and_what_it_makes_of_changes_split_nothing(plan: str) -> None:
    assert plan != PLAN
    assert differing(plan=plan) == set()


def test_each_change_has_its_own_name() -> None:
    assert differing(plan=PLAN.replace("targets: 11", "targets: 7")) == {"plan"}
    assert differing(bench=BENCH.replace("guide_friction: 4 N", "guide_friction: 5 N")) == {"bench"}
    assert differing(bench=BENCH.replace("TB-C-0031", "TB-C-0077")) == {"calibration"}
    assert differing(bench=BENCH.replace("U: 1.2 um", "U: 0.8 um")) == {"bench"}
    assert differing(drive="D1 2.1") == {"firmware"}


def test_a_text_that_is_no_file_counts_as_it_stands() -> None:
    told = "# no plan: asked for by the test\n\t- x"
    one, same, other = (
        splits_of(bench=parse_bench(BENCH, "b"), plan_text=text, identities={})["plan"]
        for text in (told, told, told + "y")
    )
    assert one == same != other
