"""Every way out of a run brings the bench to its safe state and leaves the record of what was done."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable

import pytest

MOVES = "id: first, label: first, limits: {offset: 25 um}"
WAITS = "id: second, label: second, act: wait, limits: {offset: 25 um, sways: 3}"


@pytest.fixture
def watched(lab):
    lab.watch_safe_state()
    return lab


def until(true: Callable[[], bool], *, within_s: float = 30.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it didn't come to that"
        time.sleep(0.02)


def started(lab, *arguments: str) -> subprocess.Popen[str]:
    """pytest under way in a process group of its own, up to where the second procedure moves."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pytest", "-W", "error", "-p", "no:randomly", "-p", "no:hypothesispytest", *arguments],
        cwd=lab.folder,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(lab.folder)},
    )
    until(lambda: "second" in lab.motions or process.poll() is not None)
    return process


def assert_safe_after_the_last_motion(lab) -> None:
    assert lab.noted[-1] == "safe doser-rig-1 enabled=True moving=False"
    last_motion = max(number for number, line in enumerate(lab.noted) if line.startswith("move"))
    assert last_motion < len(lab.noted) - 1


def test_a_run_that_passes_ends_in_the_safe_state(watched) -> None:
    watched.plan(MOVES)
    watched.run_apart().assert_outcomes(passed=1)
    assert_safe_after_the_last_motion(watched)


@pytest.mark.parametrize("act", ["stall", "bug"])
@pytest.mark.parametrize("arguments", [(), ("-x",), ("-n", "1")])
def test_an_exception_inside_a_procedure(watched, act: str, arguments: tuple[str, ...]) -> None:
    watched.plan(f"act: {act}, limits: {{offset: 25 um, sways: 3}}")
    result = watched.run_apart(*arguments)
    assert result.ret == pytest.ExitCode.TESTS_FAILED or "-n" in arguments
    assert_safe_after_the_last_motion(watched)
    assert watched.record["run"]["worst"] == "ABORTED"


def test_ctrl_c_inside_a_procedure(watched) -> None:
    watched.plan(MOVES, "id: second, label: second, act: interrupt, limits: {offset: 25 um, sways: 3}")
    result = watched.run_apart()
    assert result.ret == pytest.ExitCode.INTERRUPTED
    assert_safe_after_the_last_motion(watched)
    assert watched.verdicts() == {"first.offset": "PASS", "second.offset": "ABORTED", "second.sways": "ABORTED"}
    assert watched.record["run"]["partial_reason"] == "Ctrl-C left out 2 of 3 tests"
    result.stdout.fnmatch_lines(["nightly.plan.yaml on doser-rig-1*SIMULATED", "PARTIAL*", "reports/doser-rig-1/*"])


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_inside_a_procedure(watched, name: str) -> None:
    watched.plan(MOVES, WAITS)
    process = started(watched)
    process.send_signal(signal.Signals[name])
    told, _ = process.communicate(timeout=30)
    assert process.returncode == pytest.ExitCode.INTERRUPTED, told
    assert_safe_after_the_last_motion(watched)
    assert watched.verdicts()["second.offset"] == "ABORTED"
    stopped = "Ctrl-C" if name == "SIGINT" else f"stopped by {name}"
    assert watched.record["run"]["partial_reason"].startswith(stopped)
    assert "PARTIAL" in told


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize(("name", "to_all"), [("SIGTERM", False), ("SIGINT", True)], ids=["controller", "ctrl-c"])
def test_a_signal_reaches_the_worker_that_moves(watched, name: str, to_all: bool) -> None:
    pytest.importorskip("xdist")
    watched.plan(MOVES, WAITS)
    process = started(watched, "-n", "2")
    begun = time.monotonic()
    (os.killpg if to_all else os.kill)(process.pid, signal.Signals[name])
    told, _ = process.communicate(timeout=30)
    assert process.returncode == pytest.ExitCode.INTERRUPTED, told
    assert time.monotonic() - begun < 25, "the procedure would have waited for 30 s"
    assert_safe_after_the_last_motion(watched)
    assert watched.verdicts()["second.offset"] == "ABORTED"
    assert watched.record["run"]["verdict"] == "PARTIAL"


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_handlers_stand_only_while_a_bench_is_open(lab) -> None:
    lab.write(
        "test_signals.py",
        "import signal\n"
        "before = signal.getsignal(signal.SIGTERM)\n"
        "def test_before(): assert signal.getsignal(signal.SIGTERM) is before\n"
        "def test_while(bench): assert signal.getsignal(signal.SIGTERM) is not before\n",
    )
    lab.write(
        "conftest.py",
        "import signal\ndef pytest_unconfigure(config):\n    print('after:', repr(signal.getsignal(signal.SIGTERM)))\n",
    )
    result = lab.run_apart("-s")
    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(["after: <Handlers.SIG_DFL: 0>"])


def test_a_second_signal_doesnt_break_into_the_way_out() -> None:
    from stepwitness.signals import Stopped, StopSignals

    signals = StopSignals()
    before = signal.getsignal(signal.SIGTERM)
    signals.watch()
    try:
        with pytest.raises(Stopped, match="stopped by SIGTERM"):
            signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGTERM)
    finally:
        signals.restore()
    assert signal.getsignal(signal.SIGTERM) is before


def test_a_safe_state_that_cant_be_reached_is_told_and_never_exits_0(lab) -> None:
    lab.write(
        "conftest.py",
        "from stepwitness.bench import live\n"
        "from stepwitness.bench.errors import SafeStateError\n"
        "def lost(bench): raise SafeStateError('the drive no longer answers; the axis may still move')\n"
        "def pytest_runtest_teardown(item): live.to_safe_state = lost\n",
    )
    lab.plan(MOVES)
    result = lab.run_apart()
    result.assert_outcomes(passed=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["*the drive no longer answers; the axis may still move"])


def test_a_bench_that_cant_be_opened_is_an_error_once_told_and_aborts_its_plan(lab) -> None:
    lab.write(
        "conftest.py",
        "import stepwitness.bench.assembly as assembly\n"
        "from stepwitness.devices.errors import LinkLost\n"
        "def lost(*given, **more): raise LinkLost('COM5: there is no such port')\n"
        "assembly.open_bench = lost\n",
    )
    lab.plan(MOVES, WAITS)
    result = lab.run_apart()
    result.assert_outcomes(errors=3)
    result.stdout.fnmatch_lines(["first: ABORTED. COM5: there is no such port"])
    assert lab.motions == []
    assert lab.record["run"]["verdict"] == "ABORTED"


def test_a_part_whose_own_code_fails_is_one_line_and_its_traceback_is_in_the_log(lab) -> None:
    lab.write(
        "conftest.py",
        "import stepwitness.bench.assembly as assembly\n"
        "def broken(*given, **more): raise TypeError('no such argument')\n"
        "assembly.open_bench = broken\n",
    )
    lab.plan(MOVES, WAITS)
    result = lab.run_apart()
    result.assert_outcomes(errors=3)
    told = "bench 'doser-rig-1' can't be opened: TypeError: no such argument"
    result.stdout.fnmatch_lines([f"first: ABORTED. {told}", "*Captured log setup*", "TypeError: no such argument"])
    assert result.stdout.str().count("Traceback") == 1


def test_a_broken_renderer_costs_neither_the_record_nor_the_truth(lab) -> None:
    lab.write(
        "conftest.py", "import stepwitness_reports.html as html\ndef render(directory): 1 / 0\nhtml.render = render\n"
    )
    lab.plan(MOVES)
    result = lab.run_apart()
    result.assert_outcomes(passed=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["the report 'html' of *failed: ZeroDivisionError: division by zero"])
    assert lab.record["run"]["verdict"] == "PASS"
