from __future__ import annotations

import math
import xml.etree.ElementTree as ET

import pytest

PASSING, FAILING, UNSURE = "value: 10 um", "value: 46.2 um", "value: 24.5 um"
LIMIT = "limits: {offset: 25 um}"
UNSEEN = "limits: {unseen: 25 um}"


def test_a_limit_that_holds_passes_and_the_run_exits_0(lab) -> None:
    lab.plan(f"{PASSING}, {LIMIT}")
    result = lab.run()
    result.assert_outcomes(passed=1)
    assert result.ret == pytest.ExitCode.OK
    assert lab.record["run"]["verdict"] == "PASS"


def test_a_failure_says_value_uncertainty_limit_and_what_the_witnesses_saw_without_a_traceback(lab) -> None:
    lab.plan(f"{FAILING}, {LIMIT}")
    result = lab.run()
    result.assert_outcomes(failed=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    thin = "\u2009"
    told = (
        f"sway: FAIL. Offset at the load O is 46.2{thin}µm ± 2.0{thin}µm (k = 2); the limit is 25{thin}µm."
        " The drive and the counter agree to 1 count."
    )
    failure = result.stdout.str().partition("= FAILURES =")[2].partition("= stepwitness =")[0]
    assert [line for line in failure.splitlines() if not line.startswith(("=", "_"))] == [told]


def test_an_inconclusive_finding_fails_unless_the_plan_shows_it(lab) -> None:
    lab.plan(f"{UNSURE}, {LIMIT}")
    result = lab.run()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["sway: INCONCLUSIVE. *24.5*the limit is 25*inside the uncertainty*"])


def test_an_inconclusive_finding_that_the_plan_shows_is_skipped_and_never_passed(lab) -> None:
    lab.plan(f"{UNSURE}, {LIMIT}", inconclusive="show")
    result = lab.run("-rs", "--junit-xml=out.xml")
    result.assert_outcomes(skipped=1)
    assert result.ret == pytest.ExitCode.OK
    result.stdout.fnmatch_lines(["SKIPPED * nightly.plan.yaml:5: sway: INCONCLUSIVE. *"])
    (case,) = ET.parse(lab.folder / "out.xml").iter("testcase")
    (skipped,) = case.findall("skipped")
    assert "INCONCLUSIVE" in str(skipped.get("message"))


def test_what_no_witness_sees_is_skipped_at_night_with_the_missing_witness(lab) -> None:
    lab.plan(UNSEEN)
    result = lab.run("-rs")
    result.assert_outcomes(skipped=1)
    result.stdout.fnmatch_lines(["SKIPPED * nightly.plan.yaml:5: *NOT OBSERVABLE*no displacement gauge on the load*"])
    assert lab.record["run"]["verdict"] == "NOT OBSERVABLE"


@pytest.mark.parametrize("purpose", ["incoming", "qualification"])
@pytest.mark.parametrize(
    ("procedure", "inconclusive", "outcome"),
    [
        (f"{PASSING}, {UNSEEN}", "fail", {"failed": 1}),
        (f"{UNSURE}, {LIMIT}", "show", {"skipped": 1}),
        (f"{FAILING}, {LIMIT}", "fail", {"failed": 1}),
    ],
    ids=["unseen", "shown", "failing"],
)
def test_incoming_and_qualification_exit_0_only_when_all_is_pass(
    lab, purpose: str, procedure: str, inconclusive: str, outcome: dict[str, int]
) -> None:
    lab.plan(procedure, purpose=purpose, inconclusive=inconclusive)
    result = lab.run()
    result.assert_outcomes(**outcome)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    lab.plan(f"{PASSING}, {LIMIT}", purpose=purpose)
    assert lab.run().ret == pytest.ExitCode.OK


def test_a_selection_of_an_incoming_plan_never_exits_0(lab) -> None:
    lab.plan("limits: {offset: 25 um, sways: 3}", purpose="incoming")
    result = lab.run("-k", "offset")
    result.assert_outcomes(passed=1, deselected=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    assert lab.record["run"]["verdict"] == "PARTIAL"


@pytest.mark.parametrize(
    ("act", "cause"),
    [("stall", "the axis stopped following and nobody asked for that"), ("bug", "a mistake in a procedure")],
)
def test_an_aborted_procedure_is_an_error_of_each_limit_with_its_cause(lab, act: str, cause: str) -> None:
    lab.plan(f"act: {act}, limits: {{offset: 25 um, sways: 3}}")
    result = lab.run()
    result.assert_outcomes(errors=2)
    result.stdout.fnmatch_lines(["*ERROR at setup of doser::sway::offset*", f"sway: ABORTED. *{cause}*"])
    result.stdout.no_fnmatch_line("*Traceback*")
    result.stdout.no_fnmatch_line("*collection.py*")
    assert lab.record["run"]["verdict"] == "ABORTED"
    assert lab.record["procedures"][0]["cause"].endswith(cause)
    assert lab.motions == ["sway"]


def test_a_procedure_that_fails_by_itself_doesnt_keep_the_others_from_moving(lab) -> None:
    lab.plan("id: first, label: first, act: bug, limits: {offset: 25 um}", "id: second, limits: {offset: 25 um}")
    lab.run().assert_outcomes(errors=1, passed=1)
    assert lab.motions == ["first", "sway"]
    assert lab.record["run"]["verdict"] == "ABORTED"


def test_a_bench_whose_axis_stopped_is_not_moved_again(lab) -> None:
    lab.plan(
        "id: first, label: first, act: stall, limits: {offset: 25 um}",
        "id: second, label: second, limits: {offset: 25 um}",
    )
    lab.bench("doser-rig-2", "other.bench.yaml")
    lab.plan("label: third, limits: {offset: 25 um}", file="other.plan.yaml", bench="other.bench.yaml")
    result = lab.run()
    result.assert_outcomes(errors=2, passed=1)
    result.stdout.fnmatch_lines(
        ["second: ABORTED. *the bench wasn't moved again after 'first' was aborted: the axis stopped*"]
    )
    assert lab.motions == ["first", "third"]
    first = next(one for one in lab.records if one["plan"]["name"] == "nightly")
    assert first["run"]["verdict"] == "PARTIAL"
    assert first["run"]["worst"] == "ABORTED"
    assert first["not_acquired"] == [{"procedure": "second", "characteristic": "offset"}]


def test_the_verdict_of_a_run_is_the_worst_of_its_findings(lab) -> None:
    lab.plan(f"id: a, {PASSING}, {LIMIT}", f"id: b, {UNSEEN}", f"id: c, {FAILING}, {LIMIT}")
    lab.run().assert_outcomes(passed=1, skipped=1, failed=1)
    assert lab.record["run"]["verdict"] == "FAIL"
    assert lab.verdicts() == {"a.offset": "PASS", "b.unseen": "NOT OBSERVABLE", "c.offset": "FAIL"}


def test_user_properties_are_strings_and_stand_in_junit(lab) -> None:
    lab.plan(f"{FAILING}, {LIMIT}")
    lab.write(
        "conftest.py",
        "def pytest_runtest_logreport(report):\n"
        "    assert all(isinstance(part, str) for pair in report.user_properties for part in pair)\n",
    )
    lab.run("--junit-xml=out.xml").assert_outcomes(failed=1)
    (case,) = ET.parse(lab.folder / "out.xml").iter("testcase")
    told = {one.get("name"): one.get("value") for one in case.iter("property")}
    (record,) = lab.folder.glob("reports/doser-rig-1/*/record.json")
    # 46.2 µm with u = 1 µm against 25 µm: P(conform) is what a normal distribution has below −21.2
    probability = told.pop("probability_of_conformity")
    assert float(probability) == pytest.approx(math.erfc(21.2 / math.sqrt(2)) / 2, rel=1e-3)
    assert told.pop("specific_producer_risk") == probability
    assert told.pop("specific_consumer_risk") == "1"
    assert told == {
        "plan": "nightly",
        "bench": "doser-rig-1",
        "axis": "doser",
        "procedure": "sway",
        "characteristic": "offset",
        "value": "46.2",
        "U": "2.0",
        "k": "2",
        "interval": "",
        "interval_coverage": "",
        "unit": "µm",
        "limit": "≤ 25\u2009µm",
        "verdict": "FAIL",
        "rule": "guarded",
        "simulated": "SIMULATED",
        "attempt": "1",
        "record": str(record),
        "history": "new",
        "history_says": "new, run 1",
        "check_standard": "",
    }
