from __future__ import annotations

from pathlib import Path

import pytest

from stepwitness.display import limit_text
from stepwitness.records.record import reevaluate


def run_folder(lab) -> Path:
    (record,) = lab.folder.glob("reports/*/*/record.json")
    return record.parent


OWN_BENCH = """
import pytest

@pytest.fixture
def bench():
    return 5

def test_it(bench):
    assert bench == 5
"""


def test_ten_lines_do_a_whole_procedure(lab) -> None:
    lab.write(
        "test_hand.py",
        "def test_sways(bench, sway):\n"
        "    found = sway(value='10 um')\n"
        "    assert found.recovered\n"
        "    assert found.offset <= '25 um'\n"
        "    assert found.offset <= '2 steps'\n"
        "    assert found.sways == 1\n",
    )
    result = lab.run()
    result.assert_outcomes(passed=1)
    assert lab.motions == ["sway"]
    run = lab.record["run"]
    assert (run["verdict"], run["partial_reason"]) == ("PASS", "")
    limits = [(one["characteristic"], one["limit_text"], one["verdict"]) for one in lab.record["findings"]]
    assert limits == [("unrecovered", "0", "PASS"), ("offset", "2 steps", "PASS")], "the strictest of each"
    assert [one["name"] for one in lab.record["procedures"][0]["estimates"]] == [
        "offset",
        "sways",
        "unrecovered",
        "unseen",
    ]
    result.stdout.fnmatch_lines(["test_sways on doser-rig-1*SIMULATED", "*1 sway each way*", "reports/doser-rig-1/*"])


def test_a_comparison_holds_only_with_the_whole_uncertainty_and_says_what_was_found(lab) -> None:
    lab.write(
        "test_hand.py",
        "def test_near(sway):\n"
        "    found = sway(value='10 um', u='1 um')\n"
        "    assert found.offset > '7.9 um' and not found.offset > '8.1 um'\n"
        "    assert not found.offset < '12 um'\n"
        "    assert found.offset.value == 10e-6 and found.offset.U == 2e-6\n"
        "    assert found.offset <= '11 um'\n",
    )
    result = lab.run()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["E*assert <offset at the load O: 10.0?µm ± 2.0?µm> <= '11 um'"])
    result.stdout.fnmatch_lines(["*where *= <what sway found>.offset"])


def test_mistakes_in_a_test_are_one_line_with_the_near_miss(lab) -> None:
    lab.write(
        "test_hand.py",
        "def test_setting(sway):\n    sway(vlaue='10 um')\n"
        "def test_unit(sway):\n    sway(value='10 A')\n"
        "def test_name(sway):\n    sway().ofset\n"
        "def test_equal(sway):\n    assert sway().offset == '10 um'\n",
    )
    result = lab.run()
    result.assert_outcomes(failed=4)
    result.stdout.fnmatch_lines(
        [
            "test_hand.py:2 sway.vlaue: *did you mean 'value'?",
            "test_hand.py:4 sway.value: *found 'A'*",
            "E*AttributeError: 'ofset' isn't a characteristic of sway; did you mean 'offset'?",
            "E*TypeError: <offset*> has an uncertainty and equals nothing; compare it with <= or >=",
        ]
    )
    result.stdout.no_fnmatch_line("*During handling*")


def test_what_no_witness_sees_skips_the_comparison_with_the_reason(lab) -> None:
    lab.write("test_hand.py", "def test_it(sway):\n    assert sway().unseen <= '1 um'\n")
    result = lab.run("-rs")
    result.assert_outcomes(skipped=1)
    result.stdout.fnmatch_lines(["SKIPPED*sway: NOT OBSERVABLE, what nobody sees: no displacement gauge on the load"])


def test_a_part_that_the_bench_lacks_skips(lab) -> None:
    lab.bench(counter=False)
    lab.write(
        "test_hand.py",
        "def test_counter(encoder_counter): pass\n"
        "def test_gauge(gauge): pass\n"
        "def test_meter(meter): pass\n"
        "def test_drive(drive, axis): assert drive.position() == 0 or axis.name\n",
    )
    result = lab.run("-rs")
    result.assert_outcomes(skipped=3, passed=1)
    result.stdout.fnmatch_lines_random(
        [
            f"SKIPPED*bench 'doser-rig-1' has no {part}"
            for part in ("encoder counter", "displacement gauge", "current meter")
        ]
    )


def test_an_aborted_procedure_fails_its_test_and_the_axis_that_stopped_skips_the_others(lab) -> None:
    lab.write(
        "test_hand.py",
        "def test_first(sway): sway(act='stall')\ndef test_second(sway): sway()\ndef test_third(bench): pass\n",
    )
    result = lab.run("-rs")
    result.assert_outcomes(failed=1, skipped=2)
    result.stdout.fnmatch_lines(["sway: ABORTED, the axis stopped following and nobody asked for that"])
    result.stdout.fnmatch_lines(["SKIPPED*the bench wasn't moved again after 'sway' was aborted*"])
    assert lab.motions == ["sway"]


def test_a_rerun_of_a_test_is_given_the_same_readings(lab) -> None:
    lab.write(
        "test_hand.py",
        "def test_it(sway):\n"
        "    assert sway(label='one').offset <= '25 um'\n"
        "    assert sway(label='two').offset <= '1 um'\n",
    )
    lab.run("--reruns", "2").assert_outcomes(failed=1)
    assert lab.motions == ["one", "two"]
    assert [one["limit_text"] for one in lab.record["findings"]] == ["25 um", "1 um"]
    assert sorted(one["id"] for one in lab.record["procedures"]) == ["sway", "sway-2"]


@pytest.mark.parametrize(
    ("asserted", "verdict", "limit", "ended"),
    [
        ("offset <= '25 um'", "PASS", "≤ 25\u2009µm", "passed"),
        ("offset <= 11e-6", "INCONCLUSIVE", "≤ 11\u2009µm", "failed"),
        ("offset <= '7 um'", "FAIL", "≤ 7\u2009µm", "failed"),
        ("unseen <= '1 um'", "NOT OBSERVABLE", "≤ 1\u2009µm", "skipped"),
    ],
)
def test_its_record_is_judged_and_evaluated_again(lab, asserted: str, verdict: str, limit: str, ended: str) -> None:
    lab.write(
        "test_hand.py",
        f"def test_it(sway):\n    found = sway(value='10 um', u='1 um', label='hard')\n    assert found.{asserted}\n",
    )
    lab.run().assert_outcomes(**{ended: 1})
    assert (lab.record["run"]["verdict"], lab.record["run"]["partial"]) == (verdict, False)
    again = reevaluate(run_folder(lab))
    assert again.same
    assert [(one.verdict.value, limit_text(one.limit)) for one in again.findings] == [(verdict, limit)]


@pytest.mark.parametrize("asserted", ["offset.value < 1", "offset < '25 um'", "offset >= '1 um'", "sways == 1"])
def test_what_no_limit_says_is_the_tests_own_and_the_record_says_so(lab, asserted: str) -> None:
    lab.write("test_hand.py", f"def test_it(sway):\n    assert sway(value='10 um').{asserted}\n")
    lab.run().assert_outcomes(passed=1)
    run = lab.record["run"]
    assert (run["verdict"], lab.record["findings"]) == ("PARTIAL", [])
    assert run["statement"] == (
        "doser: PARTIAL, which sentences nothing. Its test compared no value with a limit: the readings are evaluated, "
        "and none of it is judged."
    )
    assert lab.record["procedures"][0]["estimates"]
    assert reevaluate(run_folder(lab)).same


def test_a_procedure_that_was_aborted_leaves_its_tests_record_partial(lab) -> None:
    lab.write(
        "test_hand.py",
        "def test_it(sway):\n    assert sway().offset <= '25 um'\n    sway(act='stall')\n",
    )
    lab.run().assert_outcomes(failed=1)
    run = lab.record["run"]
    assert (run["verdict"], run["worst"]) == ("PARTIAL", "PASS")
    assert run["partial_reason"] == "aborted before its test could compare a value: sway-2"


def test_what_a_test_asked_for_and_didnt_get_leaves_its_record_partial(lab) -> None:
    lab.write("test_hand.py", "def test_it(sway):\n    assert sway().offset <= '25 um'\n    sway(label='two')\n")
    lab.write(
        "conftest.py",
        "from pytest_stepwitness.registry import Registry\n"
        "from stepwitness.errors import StepwitnessError\n"
        "acquired = Registry.acquired\n"
        "def once(self, key, subject, planned, *given, **more):\n"
        "    if planned.id == 'sway-2': raise StepwitnessError('another process has the bench')\n"
        "    return acquired(self, key, subject, planned, *given, **more)\n"
        "Registry.acquired = once\n",
    )
    lab.run_apart().assert_outcomes(failed=1)
    run = lab.record["run"]
    assert (run["verdict"], run["partial_reason"]) == ("PARTIAL", "not acquired: sway-2")


def test_plans_and_hand_written_tests_share_one_open_bench(lab) -> None:
    lab.write(
        "conftest.py",
        "import os, stepwitness.bench.assembly as assembly, sway_procedure\n"
        "really = assembly.open_bench\n"
        "def noted(*given, **more):\n"
        "    sway_procedure.note('open')\n"
        "    return really(*given, **more)\n"
        "assembly.open_bench = noted\n",
    )
    lab.plan("limits: {offset: 25 um}")
    lab.write("test_hand.py", "def test_a(bench): pass\ndef test_b(sway): sway()\n")
    lab.run_apart().assert_outcomes(passed=3)
    assert lab.noted.count("open") == 1
    assert lab.motions == ["sway", "sway"]


@pytest.mark.parametrize(
    ("arguments", "ini", "extra"),
    [
        (("--bench", "rigs/two.bench.yaml"), "", ""),
        ((), "stepwitness_bench = rigs/two.bench.yaml", ""),
        ((), "", "import pytest\n@pytest.fixture\ndef bench_file(): return 'rigs/two.bench.yaml'\n"),
    ],
    ids=["option", "ini", "fixture"],
)
def test_the_bench_file_is_told_by_option_ini_or_fixture(lab, arguments: tuple[str, ...], ini: str, extra: str) -> None:
    lab.bench("doser-rig-2", "rigs/two.bench.yaml")
    lab.write("pytest.ini", f"[pytest]\n{ini}\n")
    lab.write("test_hand.py", extra + "def test_it(bench): assert bench.description.name == 'doser-rig-2'\n")
    lab.run(*arguments).assert_outcomes(passed=1)


def test_no_bench_file_or_several_is_one_line(lab) -> None:
    lab.bench(file="second.bench.yaml")
    lab.write("test_hand.py", "def test_it(bench): pass\n")
    lab.write("empty/test_hand2.py", "def test_it(bench): pass\n")
    result = lab.run()
    result.assert_outcomes(errors=2)
    result.stdout.fnmatch_lines_random(
        [
            "2 bench files in *; name one with --bench FILE, or override 'bench_file'",
            "no [*].bench.yaml in *empty; name one with --bench FILE, or override 'bench_file'",
        ]
    )


def test_a_bad_bench_file_fails_once_and_skips_the_rest(lab) -> None:
    lab.write("doser.bench.yaml", "nmae: doser-rig-1\n")
    lab.write("test_hand.py", "def test_a(bench): pass\ndef test_b(bench): pass\ndef test_c(axis): pass\n")
    result = lab.run("-rs")
    result.assert_outcomes(errors=1, skipped=2)
    result.stdout.fnmatch_lines(["doser.bench.yaml:1 *nmae*"])


def test_real_parts_that_arent_armed_are_read_and_refuse_to_move(lab) -> None:
    text = lab.bench(counter=False).read_text(encoding="utf-8").replace("inputs: {part: stand-in}\n", "")
    text = text.replace("by: limit switch, side: low, at: 0 mm, speed: 5 mm/s", "by: datum, at: 30 mm")
    text = text.replace("drive: {part: stand-in}", "drive: {part: my-drive}")
    lab.write("doser.bench.yaml", text.partition("stand_in:")[0])
    lab.write(
        "my_drive.py",
        "from stepwitness.devices.interfaces import DriveStatus, Identity\n"
        "class Mine:\n"
        "    def identity(self): return Identity(model='mine')\n"
        "    def status(self): return DriveStatus(enabled=False, moving=False)\n"
        "    def position(self): return 3200\n"
        "    def start_move_by(self, microsteps): raise AssertionError\n",
    )
    lab.write(
        "conftest.py",
        "import my_drive\nfrom stepwitness.devices import catalog\ncatalog.build = lambda *given: my_drive.Mine()\n",
    )
    lab.write(
        "test_hand.py",
        "import pytest\n"
        "from stepwitness.bench.errors import NotArmed\n"
        "def test_reads(bench): assert bench.sweep().claim_m == pytest.approx(0.002)\n"
        "def test_moves(drive):\n"
        "    with pytest.raises(NotArmed, match='--live doser-rig-1'): drive.start_move_by(10)\n"
        "def test_procedure(sway): sway()\n",
    )
    result = lab.run_apart()  # its conftest puts a part of its own into the catalog, for good
    result.assert_outcomes(passed=2, failed=1)
    result.stdout.fnmatch_lines(["*is only read; arm it with '--live doser-rig-1'*"])
    assert lab.motions == []


def test_fixtures_can_be_renamed_or_switched_off(lab) -> None:
    lab.write("pytest.ini", "[pytest]\nstepwitness_fixture_prefix = sw_\n")
    lab.write("test_hand.py", "def test_it(sw_bench, sw_sway, sw_drive): assert sw_sway().sways == 1\n")
    lab.run().assert_outcomes(passed=1)
    lab.write("pytest.ini", "[pytest]\nstepwitness_fixtures = no\n")
    lab.write(
        "test_hand.py", "import pytest\n@pytest.fixture\ndef bench(): return 5\ndef test_it(bench): assert bench == 5\n"
    )
    lab.run().assert_outcomes(passed=1)
    lab.write("test_hand.py", "def test_it(gauge): pass\n")
    lab.run().stdout.fnmatch_lines(["E*fixture 'gauge' not found"])


def test_a_projects_own_fixture_of_the_same_name_wins(lab) -> None:
    lab.write(
        "test_hand.py", "import pytest\n@pytest.fixture\ndef bench(): return 5\ndef test_it(bench): assert bench == 5\n"
    )
    lab.run().assert_outcomes(passed=1)


def test_the_same_with_workers(lab) -> None:
    pytest.importorskip("xdist")
    lab.write("test_hand.py", "".join(f"def test_{n}(bench, sway): assert sway().sways == 1\n" for n in range(4)))
    lab.run_apart("-n", "2", "--dist", "worksteal").assert_outcomes(passed=4)
    assert len(lab.motions) == 4
    assert len(lab.records) == 4
