"""What the README shows is true: its files load, its test passes, its pictures and benches are there."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from stepwitness.bench.model import parse_bench
from stepwitness.plan.model import parse_plan, refuse_too_fine
from stepwitness.qualification.model import load_qualification

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def block(language: str, containing: str) -> str:
    """The one code block of `language` that holds `containing`."""
    blocks = re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)
    (found,) = [text for text in blocks if containing in text]
    return str(found)


def test_bench_and_plan_load() -> None:
    bench = parse_bench(block("yaml", "axis:"), "doser.bench.yaml")
    plan = parse_plan(block("yaml", "purpose:"), "nightly.plan.yaml", bench)
    assert bench.stand_in is not None
    assert [planned.id for planned in plan.procedures] == ["repeatability", "backlash", "stall_recovery"]


def test_what_a_nightly_plan_may_add_loads() -> None:
    bench = parse_bench(block("yaml", "axis:"), "doser.bench.yaml")
    text = "purpose: nightly\nbench: doser.bench.yaml\n" + block("yaml", "check_standard:")
    plan = parse_plan(text, "nightly.plan.yaml", bench)
    refuse_too_fine(plan, bench)
    assert [planned.procedure.guards for planned in plan.procedures] == [True, False]


def test_the_qualification_loads(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "benches" / "qualification", tmp_path, dirs_exist_ok=True)
    path = tmp_path / "doser.qualification.yaml"
    path.write_text(block("yaml", "clauses:"), encoding="utf-8")
    told = load_qualification(path)
    assert [clause.number for clause in told.clauses] == ["4.1", "4.2"]
    assert [point.before for point in told.hold_points] == ["4.2"]


def test_the_sites_facts_load() -> None:
    site = block("yaml", "laboratory:")
    bench = parse_bench(block("yaml", "axis:") + site, "doser.bench.yaml")
    assert (bench.site.operator, bench.site.authorised_by) == ("MK", "head of laboratory")


def test_the_hand_written_test_passes(pytester: pytest.Pytester) -> None:
    shutil.copy(ROOT / "benches" / "tarnbrook" / "doser.bench.yaml", pytester.path)
    pytester.makepyfile(block("python", "def test_"))
    pytester.runpytest_subprocess("-p", "no:randomly").assert_outcomes(passed=1)


@pytest.mark.parametrize("path", sorted(set(re.findall(r"benches/[a-z-]+(?:/[a-z_-]+)*(?:\.[a-z.]+[a-z])?", README))))
def test_what_it_names_is_there(path: str) -> None:
    assert (ROOT / path).exists()


def test_each_known_bad_bench_has_its_row() -> None:
    rows = set(re.findall(r"^\| `([a-z-]+)` \|", README, flags=re.MULTILINE))
    assert rows == {folder.name for folder in (ROOT / "benches" / "known-bad").iterdir() if folder.is_dir()}
