"""The same under pytest-xdist: no hang, no test lost, no second motion, in any way of distributing."""

from __future__ import annotations

import pytest

pytest.importorskip("xdist")

TWO = (
    "id: first, label: first, limits: {offset: 25 um, sways: 3}",
    "id: second, label: second, limits: {offset: 25 um, sways: 3, unrecovered: 0}",
)


def two_benches(lab) -> None:
    lab.plan(*TWO)
    lab.bench("doser-rig-2", "other.bench.yaml")
    third = "id: third, label: third, limits: {offset: 25 um, sways: 3}"
    lab.plan(third, file="other.plan.yaml", bench="other.bench.yaml")
    lab.write("test_more.py", "import pytest\n@pytest.mark.parametrize('n', range(8))\ndef test_more(n): pass\n")


@pytest.mark.parametrize("dist", ["load", "loadgroup", "worksteal"])
def test_any_way_of_distributing_moves_each_procedure_once(lab, dist: str) -> None:
    two_benches(lab)
    result = lab.run_apart("-n", "2", "--dist", dist)
    result.assert_outcomes(passed=15)
    assert sorted(lab.motions) == ["first", "second", "third"]
    assert {one["plan"]["name"]: one["run"]["verdict"] for one in lab.records} == {"nightly": "PASS", "other": "PASS"}
    result.stdout.fnmatch_lines(["PASS  5 of 5 limits hold*", "PASS  2 of 2 limits hold*"])


def test_each_worker_running_all_moves_each_procedure_once(lab) -> None:
    lab.plan(*TWO)
    lab.run_apart("--dist", "each", "--tx", "2*popen").assert_outcomes(passed=10)
    assert sorted(lab.motions) == ["first", "second"]


def test_a_plan_stays_on_one_worker_even_when_its_ids_are_interleaved(lab) -> None:
    lab.plan(*TWO)
    lab.bench("doser-rig-2", "other.bench.yaml")
    lab.plan(*TWO, file="other.plan.yaml", bench="other.bench.yaml")
    ids = [f"{plan}.plan.yaml::doser::{item}" for item in
           ("first::offset", "second::sways", "first::sways", "second::offset", "second::unrecovered")
           for plan in ("nightly", "other")]  # fmt: skip
    lab.run_apart("-n", "2", *ids).assert_outcomes(passed=10)
    processes = {line.split()[2] for line in lab.noted}
    assert len(lab.motions) == 4
    assert len(processes) == 2
    assert all(one["run"]["verdict"] == "PASS" for one in lab.records)


def test_without_plans_the_scheduling_is_xdists(lab) -> None:
    lab.write("test_more.py", "import pytest\n@pytest.mark.parametrize('n', range(40))\ndef test_more(n): pass\n")
    lab.run_apart("-n", "2").assert_outcomes(passed=40)
    assert not (lab.folder / "reports").exists()


@pytest.mark.parametrize("dist", ["load", "loadscope"])
def test_a_worker_that_dies_in_an_acquisition_leaves_no_hang_no_lost_test_and_no_second_motion(lab, dist: str) -> None:
    lab.plan(
        "id: first, label: first, limits: {offset: 25 um, sways: 3}",
        "id: second, label: second, act: die, limits: {offset: 25 um, sways: 3}",
        "id: third, label: third, limits: {offset: 25 um}",
    )
    result = lab.run_apart("-n", "2", "--dist", dist)
    # where the procedures of a plan go to different workers, the one that dies may be the first, or the last
    assert set(lab.motions) <= {"first", "second", "third"}
    assert len(lab.motions) == len(set(lab.motions))
    if dist == "load":
        assert lab.motions == ["first", "second"]
    outcomes = result.parseoutcomes()
    # the test that was running is failed by xdist itself; the rest of the plan is told what happened
    passed = 2 * ("first" in lab.motions) + ("third" in lab.motions)
    assert outcomes.get("passed", 0) == passed
    # these give the test that crashed to another worker once more, so that it is told twice
    assert outcomes["failed"] + outcomes["errors"] == 5 - passed + (dist in ("loadscope", "loadfile"))
    result.stdout.fnmatch_lines_random(
        [
            "worker 'gw?' crashed while running *nightly.plan.yaml::doser::second::offset*",
            "second: ABORTED. worker gw? (process *) died while it acquired the readings; the axis wasn't moved again",
        ]
    )
    if "third" not in lab.motions:
        told = "third: ABORTED. the bench wasn't moved again after 'second' was left unfinished by worker gw?*"
        result.stdout.fnmatch_lines([told])
    assert lab.record["run"]["worst"] == "ABORTED"
    verdicts = lab.verdicts()
    assert (verdicts["second.offset"], verdicts["second.sways"]) == ("ABORTED", "ABORTED")
    assert verdicts.get("first.offset", "PASS") == "PASS"


@pytest.mark.parametrize("arguments", [("-n", "1"), ("-n", "3"), ("-n", "2", "--max-worker-restart", "0")])
def test_workers_that_die_on_two_benches(lab, arguments: tuple[str, ...]) -> None:
    for number in (1, 2):
        lab.bench(f"doser-rig-{number}", f"{number}.bench.yaml")
        lab.plan(
            f"id: first, label: first-{number}, limits: {{offset: 25 um}}",
            f"id: second, label: second-{number}, act: die, limits: {{offset: 25 um}}",
            file=f"{number}.plan.yaml",
            bench=f"{number}.bench.yaml",
        )
    result = lab.run_apart(*arguments)
    assert result.ret != pytest.ExitCode.OK
    assert len(lab.motions) == len(set(lab.motions))
    if "--max-worker-restart" not in arguments:
        assert result.parseoutcomes() == {"passed": 2, "failed": 2}
        assert [one["run"]["verdict"] for one in lab.records] == ["ABORTED", "ABORTED"]


@pytest.mark.parametrize(("reruns", "failed"), [((), 1), (("--reruns", "1"), 0)])
def test_a_worker_that_dies_after_the_acquisition_costs_no_reading(lab, reruns: tuple[str, ...], failed: int) -> None:
    lab.write(
        "conftest.py",
        "import os, pathlib\n"
        "def pytest_runtest_call(item):\n"
        "    flag = pathlib.Path(os.environ['SWAY_LOG']).with_suffix('.flag')\n"
        "    if item.name == 'sways' and not flag.exists():\n"
        "        flag.touch()\n"
        "        os._exit(5)\n",
    )
    lab.plan(*TWO)
    outcomes = lab.run_apart("-n", "2", *reruns).parseoutcomes()
    assert (outcomes["passed"], outcomes.get("failed", 0)) == (5 - failed, failed)
    assert sorted(lab.motions) == ["first", "second"]
    assert lab.record["run"]["verdict"] == "PASS"


def test_a_worker_that_dies_under_a_rerun_plugin_moves_nothing_again(lab) -> None:
    lab.plan("act: die, limits: {offset: 25 um, sways: 3}")
    lab.write("test_more.py", "import pytest\n@pytest.mark.parametrize('n', range(4))\ndef test_more(n): pass\n")
    result = lab.run_apart("-n", "2", "--reruns", "2", "--stepwitness-new-attempt")
    assert lab.motions == ["sway"]
    outcomes = result.parseoutcomes()
    assert outcomes["passed"] == 4
    assert outcomes["errors"] == 2


def test_a_worker_that_dies_in_another_test_of_its_own_doesnt_disturb_a_plan(lab) -> None:
    lab.plan(*TWO)
    lab.write("test_more.py", "import os\ndef test_dies(): os._exit(3)\ndef test_more(): pass\n")
    result = lab.run_apart("-n", "2")
    outcomes = result.parseoutcomes()
    assert (outcomes["passed"], outcomes["failed"]) == (6, 1)
    assert sorted(lab.motions) == ["first", "second"]
    assert lab.record["run"]["verdict"] == "PASS"


def test_stopping_at_the_first_failure_leaves_a_partial_record(lab) -> None:
    lab.plan("id: first, label: first, value: 46 um, limits: {offset: 25 um, sways: 3}", TWO[1])
    result = lab.run_apart("-n", "2", "-x")
    assert result.ret != pytest.ExitCode.OK
    assert lab.record["run"]["verdict"] in ("PARTIAL", "FAIL")
    assert lab.verdicts()["first.offset"] == "FAIL"
    assert len(lab.motions) == len(set(lab.motions))


@pytest.mark.parametrize(
    "arguments", [("-k", "offset"), ("-p", "randomly", "-p", "no:cacheprovider"), ("--collect-only",)]
)
def test_selections_and_shuffling_work_as_without_workers(lab, arguments: tuple[str, ...]) -> None:
    lab.plan(*TWO)
    result = lab.run_apart("-n", "2", *arguments)
    assert result.ret == pytest.ExitCode.OK
    assert sorted(lab.motions) == ([] if "--collect-only" in arguments else ["first", "second"])
    if "-k" in arguments:
        assert lab.record["run"]["partial_reason"] == "-k left out 3 of 5 tests"


def test_last_failures_with_workers(lab) -> None:
    lab.plan("id: first, label: first, value: 46 um, limits: {offset: 25 um, sways: 3}", TWO[1])
    lab.run_apart("-n", "2").assert_outcomes(failed=1, passed=4)
    lab.run_apart("-n", "2", "--lf").assert_outcomes(failed=1)
    assert sorted(lab.motions) == ["first", "first", "second"]


def test_a_bad_plan_is_one_line_with_workers_too(lab) -> None:
    lab.write("bad.plan.yaml", "\t")
    lab.plan(*TWO)
    result = lab.run_apart("-n", "2")
    result.assert_outcomes(passed=5, errors=1)
    result.stdout.fnmatch_lines(["bad.plan.yaml:1*not YAML*"])
    assert result.ret == pytest.ExitCode.TESTS_FAILED
