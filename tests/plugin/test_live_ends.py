"""Real parts under the plugin: whatever ends the process that moves them, the axis comes to rest and stays energised.

The parts are stand-ins that this process serves on the wire, so that the physics' own truth judges.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from stepwitness.bench.model import load_bench
from stepwitness.bench.ownership import files_of, left_unsafe
from stepwitness.standin.served import ServedRig, as_real, serve_rig

pytestmark = pytest.mark.skipif(os.name != "posix", reason="processes are ended as POSIX has it")

DOSER = Path(__file__).parents[2] / "benches" / "tarnbrook" / "doser.bench.yaml"
ROLES = ("drive", "counter", "gauge", "inputs")
NAME = f"live-ends-{os.getpid()}"

MOVES = """\
import os, signal, threading, time

def test_moves(bench):
    bench.make_ready()
    bench.set_datum(0.03)
    bench.set_speed(0.002)
    bench.set_acceleration(0.2)
    start = bench.drive.position()
    bench.drive.start_move_by(32000)  # for 10 s
    while bench.drive.position() == start:
        time.sleep(0.001)
    {ends}
    while bench.drive.status().moving:
        time.sleep(0.01)
"""

ENDS = {
    "a failing test": "assert False",
    "a crash of the process": "os._exit(3)",
    "a fatal signal": "os.kill(os.getpid(), signal.SIGSEGV)",
    # As time-out plugins do where no signal can interrupt the test: another thread ends the process.
    "a time-out that ends the process": "threading.Timer(0.2, os._exit, (1,)).start(); time.sleep(20)",
    # And as they do where one can.
    "a time-out that raises": "signal.signal(signal.SIGALRM, lambda *_: 1 / 0); signal.alarm(1)",
}


@pytest.fixture
def served(pytester: pytest.Pytester) -> Iterator[ServedRig]:
    described = load_bench(DOSER)
    assert described.stand_in is not None
    text = "\n".join(
        line for line in DOSER.read_text(encoding="utf-8").splitlines() if not line.startswith(("meter", "drag"))
    )
    with serve_rig(described.axis, described.stand_in, {role: {} for role in ROLES}, over="tcp") as rig:
        (pytester.path / "doser.bench.yaml").write_text(as_real(text, rig.parts, name=NAME), encoding="utf-8")
        yield rig
    for left in files_of(NAME):
        left.unlink(missing_ok=True)


def started(pytester: pytest.Pytester, *arguments: str, ends: str = "") -> subprocess.Popen[str]:
    (pytester.path / "test_moves.py").write_text(MOVES.format(ends=ends or "pass"), encoding="utf-8")
    return subprocess.Popen(
        [sys.executable, "-m", "pytest", "-p", "no:randomly", "--live", NAME, *arguments],
        cwd=pytester.path,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def moving(served: ServedRig) -> bool:
    return served.rig.generator.moving(served.rig.clock.now())


def until(true: Callable[[], bool], *, within_s: float = 40.0) -> None:
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline, "it didn't come to that"
        time.sleep(0.005)


def assert_stopped_early(served: ServedRig) -> None:
    """At rest by truth within the move, energised, and nothing moves afterwards."""
    assert left_unsafe(NAME) == ""
    assert not moving(served)
    time.sleep(0.1)
    before, moves = served.rig.truth(), len(served.moves)
    assert 0 < before.pulses < 32000
    time.sleep(0.2)
    after = served.rig.truth()
    assert (after.pulses, len(served.moves)) == (before.pulses, moves)
    assert after.load_m == pytest.approx(before.load_m, abs=2e-6)
    assert served.rig.generator.enabled


@pytest.mark.parametrize(
    ("ends", "arguments"),
    [*((end, ()) for end in ENDS), *((end, ("-n", "1")) for end in ENDS if "ends" in end or "crash" in end)],
)
def test_ends_from_inside(pytester: pytest.Pytester, served: ServedRig, ends: str, arguments: tuple[str, ...]) -> None:
    if arguments:
        pytest.importorskip("xdist")
    process = started(pytester, *arguments, ends=ENDS[ends])
    told, _ = process.communicate(timeout=60)
    assert process.returncode != 0, told
    assert len(served.moves) == 1, told
    assert_stopped_early(served)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP", "SIGKILL"])
def test_signals(pytester: pytest.Pytester, served: ServedRig, name: str) -> None:
    process = started(pytester)
    until(lambda: moving(served))
    process.send_signal(signal.Signals[name])
    told, _ = process.communicate(timeout=60)
    assert process.returncode != 0, told
    assert_stopped_early(served)


def test_a_terminal_that_is_closed(pytester: pytest.Pytester, served: ServedRig) -> None:
    """The whole group is hung up on and then killed; the sentinel has a session of its own."""
    process = started(pytester)
    until(lambda: moving(served))
    os.killpg(process.pid, signal.SIGHUP)
    os.killpg(process.pid, signal.SIGKILL)
    process.communicate(timeout=60)
    assert_stopped_early(served)
