from __future__ import annotations

import pytest


def test_every_limit_is_a_test_below_plan_axis_and_procedure(lab) -> None:
    lab.plan("id: first, limits: {offset: 25 um, sways: 3}", "id: second, limits: {offset: 25 um}")
    result = lab.run("--collect-only", "-q")
    result.stdout.fnmatch_lines(
        [
            "nightly.plan.yaml::doser::first::offset",
            "nightly.plan.yaml::doser::first::sways",
            "nightly.plan.yaml::doser::second::offset",
        ]
    )
    assert lab.motions == []
    assert not (lab.folder / "reports").exists()


def test_a_folder_is_collected_with_its_plans_and_its_python_tests(lab) -> None:
    lab.plan("limits: {offset: 25 um}", file="rig/a.plan.yaml", bench="../doser.bench.yaml")
    lab.write("rig/test_more.py", "def test_more(): pass")
    lab.run("rig").assert_outcomes(passed=2)
    assert lab.motions == ["sway"]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("purpose: nightly\nbench: doser.bench.yaml\nprocedures:\n  - swey: {limits: {offset: 1 um}}\n",
         "nightly.plan.yaml:4 *'swey'*did you mean 'sway'?"),
        ("purpose: nightly\nbench: doser.bench.yaml\nprocedures:\n  - sway: {limits: {offset: 1 A}}\n",
         "nightly.plan.yaml:4 *found 'A'; allowed: *"),
        ("purpose: nightly\nbench: dozer.bench.yaml\nprocedures:\n  - sway: {limits: {offset: 1 um}}\n",
         "nightly.plan.yaml:2 *did you mean 'doser.bench.yaml'?"),
        ("purpose: nightly\npurpose: nightly\n", "nightly.plan.yaml:2 *stands twice*"),
        ("\tpurpose", "nightly.plan.yaml:1*not YAML*"),
    ],
    ids=["procedure", "unit", "bench", "key", "yaml"],
)  # fmt: skip
def test_a_bad_plan_is_one_line_and_the_rest_of_the_run_goes_on(lab, text: str, told: str) -> None:
    lab.write("nightly.plan.yaml", text)
    lab.plan("limits: {offset: 25 um}", file="good.plan.yaml")
    lab.write("test_more.py", "def test_more(): pass")
    result = lab.run()
    result.assert_outcomes(passed=2, errors=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    shown = result.stdout.str().partition("ERROR collecting nightly.plan.yaml")[2].partition("\n")[2]
    line, _, rest = shown.partition("\n")
    pytest.LineMatcher([line]).fnmatch_lines([told])
    assert rest.startswith(("---", "==="))
    assert "Traceback" not in result.stdout.str()
    assert lab.motions == ["sway"]


def test_a_bad_bench_is_one_line(lab) -> None:
    lab.write("doser.bench.yaml", "nmae: doser-rig-1\n")
    lab.plan("limits: {offset: 25 um}")
    result = lab.run()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["doser.bench.yaml:1 *nmae*"])
    assert result.ret != pytest.ExitCode.OK


def test_a_bad_plan_and_a_bad_python_file_stop_the_run_as_pytest_does(lab) -> None:
    lab.write("nightly.plan.yaml", "\t")
    lab.write("test_broken.py", "import nothing_of_that_name")
    lab.plan("limits: {offset: 25 um}", file="good.plan.yaml")
    assert lab.run().ret == pytest.ExitCode.INTERRUPTED
    assert lab.motions == []


def test_items_carry_a_marker_and_the_place_of_their_limit(lab) -> None:
    lab.plan("limits: {unseen: 25 um}")
    lab.write("test_more.py", "def test_more(): pass")
    lab.run("-m", "not stepwitness").assert_outcomes(passed=1, deselected=1)
    lab.run("-rs", "--strict-markers").stdout.fnmatch_lines(["SKIPPED * nightly.plan.yaml:5: *"])


def test_options_have_twins_in_the_ini_file(lab) -> None:
    lab.write("pytest.ini", "[pytest]\nstepwitness_reports = kept\nstepwitness_over = sideways\n")
    lab.plan("limits: {offset: 25 um}")
    result = lab.run()
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: stepwitness_over: found 'sideways'; allowed: process, tcp, serial, *, hislip"])
    lab.run("--stepwitness-over", "process").assert_outcomes(passed=1)
    assert list(lab.folder.glob("kept/doser-rig-1/*/record.json"))
    lab.run("--stepwitness-over", "process", "--stepwitness-reports", "told").assert_outcomes(passed=1)
    assert list(lab.folder.glob("told/doser-rig-1/*/record.json"))


def test_live_is_told_before_anything_moves_and_a_stand_in_bench_refuses_it(lab) -> None:
    lab.plan("limits: {offset: 25 um, sways: 2}")
    result = lab.run("--live", "doser-rig-1")
    live = "stepwitness: LIVE, real parts of doser-rig-1 may move*"
    result.stdout.fnmatch_lines([live, "sway: ABORTED. *doser.bench.yaml:4 *'--live' with a stand-in*"])
    result.assert_outcomes(errors=2)
    assert lab.motions == []
    assert lab.records == []


def test_live_arms_the_bench_that_it_names_and_no_other(lab) -> None:
    lab.plan("limits: {offset: 25 um}")
    result = lab.run("--live", "doser-rig-2")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(
        ["sway: ABORTED. *doesn't name this bench*found doser-rig-2; allowed: '--live doser-rig-1'*"]
    )
    assert lab.motions == []


def test_live_needs_a_name_and_takes_no_path_for_one(lab) -> None:
    lab.plan("limits: {offset: 25 um}")
    result = lab.run("--live", "nightly.plan.yaml")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["ERROR: --live: found 'nightly.plan.yaml'; allowed: the name of a bench*"])
    assert lab.motions == []


def test_a_plan_on_real_parts_without_live_says_how_they_are_armed(lab) -> None:
    text = lab.bench().read_text(encoding="utf-8")
    text = text.replace("drive: {part: stand-in}", "drive: {part: text-line, port: COM5}")
    lab.write("doser.bench.yaml", text.partition("stand_in:")[0])
    lab.plan("limits: {offset: 25 um}")
    result = lab.run()
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*doser.bench.yaml:4 drive: *is only read; arm it with '--live doser-rig-1'*"])
    assert lab.motions == []
