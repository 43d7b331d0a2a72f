"""A procedure moves at most once a run, however its tests are chosen, ordered or repeated (one process)."""

from __future__ import annotations

import pytest

TWO = (
    "id: first, label: first, limits: {offset: 25 um, sways: 3}",
    "id: second, label: second, limits: {offset: 25 um, sways: 3}",
)


def test_all_limits_of_a_procedure_share_one_acquisition(lab) -> None:
    lab.plan(*TWO)
    lab.run().assert_outcomes(passed=4)
    assert lab.motions == ["first", "second"]
    assert not lab.record["run"]["partial"]


def test_acquisition_belongs_to_the_set_up_of_the_first_item(lab) -> None:
    lab.plan(*TWO)
    result = lab.run("--setup-only", "nightly.plan.yaml::doser::first")
    assert result.ret == pytest.ExitCode.OK
    lab.plan("act: stall, limits: {offset: 25 um}")
    lab.run().stdout.fnmatch_lines(["*ERROR at setup of *offset*"])


@pytest.mark.parametrize("seed", range(4))
def test_a_shuffled_order_moves_nothing_twice(lab, seed: int) -> None:
    lab.plan(*TWO)
    lab.bench("doser-rig-2", "other.bench.yaml")
    lab.plan("label: third, limits: {offset: 25 um, sways: 3}", file="other.plan.yaml", bench="other.bench.yaml")
    shuffled = ("-W", "error", "-p", "no:hypothesispytest", "-p", "randomly", f"--randomly-seed={seed}")
    lab.pytester.runpytest_inprocess(*shuffled).assert_outcomes(passed=6)
    assert sorted(lab.motions) == ["first", "second", "third"]


def test_interleaved_node_ids_move_nothing_twice(lab) -> None:
    lab.plan(*TWO)
    below = "nightly.plan.yaml::doser::"
    result = lab.run(f"{below}first::offset", f"{below}second::offset", f"{below}first::sways", f"{below}second::sways")
    result.assert_outcomes(passed=4)
    assert lab.motions == ["first", "second"]
    assert not lab.record["run"]["partial"], "each limit was named, so nothing was left out"


@pytest.mark.parametrize(
    ("arguments", "moved", "reason"),
    [
        (("-k", "first"), ["first"], "-k left out 2 of 4 tests"),
        (("-k", "offset"), ["first", "second"], "-k left out 2 of 4 tests"),
        (("nightly.plan.yaml::doser::first::offset",), ["first"], "a node id left out 3 of 4 tests"),
        (("nightly.plan.yaml::doser::second",), ["second"], "a node id left out 2 of 4 tests"),
        (("--deselect", "nightly.plan.yaml::doser::first"), ["second"], "--deselect left out 2 of 4 tests"),
    ],
)
def test_a_selection_is_partial_in_record_and_summary(lab, arguments, moved: list[str], reason: str) -> None:
    lab.plan(*TWO)
    result = lab.run(*arguments)
    assert result.ret == pytest.ExitCode.OK
    assert lab.motions == moved
    run = lab.record["run"]
    assert (run["verdict"], run["partial_reason"]) == ("PARTIAL", reason)
    result.stdout.fnmatch_lines([f"PARTIAL, which sentences nothing.*{len(moved) * 2} of 4 limits were judged*"])
    assert len(lab.record["findings"]) == 2 * len(moved), "every limit of an acquired procedure is judged"
    acquired = {one["procedure"] for one in lab.record["not_acquired"]} | set(moved)
    assert acquired == {"first", "second"}


def test_the_last_failures_alone_are_partial(lab) -> None:
    lab.plan("id: first, label: first, value: 46 um, limits: {offset: 25 um, sways: 3}", TWO[1])
    lab.run().assert_outcomes(failed=1, passed=3)
    lab.run("--lf").assert_outcomes(failed=1)
    assert lab.motions == ["first", "second", "first"], "a new run acquires anew, and only what was asked for"
    whole, partial = lab.records
    assert (whole["run"]["verdict"], partial["run"]["verdict"]) == ("FAIL", "PARTIAL")
    assert partial["run"]["partial_reason"] == "--lf left out 3 of 4 tests"


def test_stopping_at_the_first_failure_is_partial_and_leaves_a_record(lab) -> None:
    lab.plan("id: first, label: first, value: 46 um, limits: {offset: 25 um, sways: 3}", TWO[1])
    result = lab.run("-x")
    result.assert_outcomes(failed=1)
    assert lab.motions == ["first"]
    assert lab.record["run"]["verdict"] == "PARTIAL"
    assert "stopping after 1 failures left out 3 of 4 tests" in lab.record["run"]["partial_reason"]
    assert lab.verdicts() == {"first.offset": "FAIL", "first.sways": "PASS"}


def test_a_rerun_judges_again_and_moves_nothing(lab) -> None:
    lab.plan("value: 46 um, limits: {offset: 25 um, sways: 3}")
    result = lab.run("--reruns", "2")
    result.assert_outcomes(failed=1, passed=1)
    result.stdout.fnmatch_lines(["*2 rerun*"])
    assert lab.motions == ["sway"]
    assert lab.record["run"]["attempt"] == 1


def test_a_rerun_of_an_aborted_procedure_moves_nothing(lab) -> None:
    lab.plan("act: stall, limits: {offset: 25 um, sways: 3}")
    lab.run("--reruns", "2").assert_outcomes(errors=2)
    lab.run("--reruns", "2", "--stepwitness-new-attempt").assert_outcomes(errors=2)
    assert lab.motions == ["sway", "sway"], "once in each of the two runs, even where new attempts were asked for"


def test_only_our_option_makes_new_attempts_each_with_its_record_linked_to_the_one_before(lab) -> None:
    lab.plan("value: 46 um, limits: {offset: 25 um, sways: 3}")
    lab.run("--reruns", "1", "--stepwitness-new-attempt").assert_outcomes(failed=1, passed=1)
    assert lab.motions == ["sway", "sway"]
    first, second = sorted((one["run"] for one in lab.records), key=lambda run: run["attempt"])
    assert (first["attempt"], first["previous"]) == (1, None)
    assert (second["attempt"], second["previous"]) == (2, first["id"])


def test_a_new_attempt_follows_the_record_of_an_earlier_run(lab) -> None:
    lab.plan("limits: {offset: 25 um}")
    lab.run()
    lab.run("--stepwitness-new-attempt").stdout.fnmatch_lines(["nightly.plan.yaml on doser-rig-1*attempt 2*SIMULATED"])
    lab.run()
    first, second, third = (one["run"] for one in lab.records)
    assert [run["attempt"] for run in (first, second, third)] == [1, 2, 1]
    assert [run["previous"] for run in (first, second, third)] == [None, first["id"], None]


def test_runs_of_the_same_minute_overwrite_nothing(lab) -> None:
    lab.plan("limits: {offset: 25 um}")
    for _ in range(3):
        lab.run().assert_outcomes(passed=1)
    assert len(lab.records) == 3
    assert len({one["run"]["id"] for one in lab.records}) == 3


def test_two_plans_on_one_bench_have_a_record_each(lab) -> None:
    lab.plan(*TWO)
    lab.plan("label: third, limits: {offset: 25 um}", file="weekly.plan.yaml")
    lab.run().assert_outcomes(passed=5)
    assert sorted(one["plan"]["name"] for one in lab.records) == ["nightly", "weekly"]
    assert all(one["run"]["verdict"] == "PASS" for one in lab.records)


def test_nothing_but_records_and_reports_is_left_behind(lab) -> None:
    lab.plan("limits: {offset: 25 um}")
    lab.run()
    (folder,) = (path for path in lab.folder.glob("reports/doser-rig-1/*") if path.is_dir())
    assert sorted(path.name for path in folder.iterdir()) == ["record.json", "report.html", "sway.journal.jsonl"]
    left = sorted(path.name for path in (lab.folder / "reports").iterdir())
    assert left == [".handed-over", "doser-rig-1", "stepwitness.sqlite"]
