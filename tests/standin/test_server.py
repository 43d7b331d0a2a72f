"""The stand-ins of a bench in a process of their own, reached as real parts are."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from stepwitness.bench.model import load_bench
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import WallClock
from stepwitness.devices.errors import Refused
from stepwitness.devices.interfaces import ClosesLoop, InputState
from stepwitness.standin import server as server_module
from stepwitness.standin.client import ServerFailed, start_server
from stepwitness.standin.serving import Server, lines
from stepwitness.standin.text_protocol import TextProtocol

BENCH = """\
name: doser-rig-1
axis: {name: doser, step_angle: 1.8 deg, microsteps: 16, lead: 2 mm, stroke: 60 mm, orientation: horizontal}
motor: {rated_current: 1.2 A, hold_current: 0.6 A, holding_torque: 0.4 N*m}
drive: {part: stand-in, loop: LOOP}
counter: {part: stand-in, lines: 500, decoding: X4, on: motor}
gauge: {part: stand-in, range: 65 mm, resolution: 0.1 um, zero_at: -2.5 mm}
meter: {part: stand-in}
supply: {part: stand-in}
drag: {part: stand-in}
inputs: {part: stand-in}
envelope: {travel: 1 mm to 59 mm, speed: 30 mm/s, acceleration: 500 mm/s^2, current: 1.5 A}
reference: {by: limit switch, at: 0 mm, side: low}
safe_state: hold
stand_in: {preset: doser}
"""
SCALE = 5.0
posix = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals here")


def _bench(folder: Path, *, loop: str = "open") -> Path:
    path = folder / "doser.bench.yaml"
    path.write_text(BENCH.replace("LOOP", loop))
    return path


@contextlib.contextmanager
def _open_parts(path: Path, over: str) -> Iterator[dict[str, Any]]:
    axis, clock = load_bench(path).axis, WallClock(SCALE)
    with start_server(path, over=over, scale=SCALE) as served, contextlib.ExitStack() as stack:
        parts = {}
        for role, part in served.parts.items():
            parts[role] = build(role, part, axis, clock)
            stack.callback(parts[role].close_link)
        yield parts


def _until(happens: Any, *, within_s: float = 10.0) -> bool:
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        if happens():
            return True
        time.sleep(0.01)
    return False


# -- through the real parts ----------------------------------------------------------------------------------


@pytest.mark.parametrize("over", ["tcp", pytest.param("serial", marks=posix)])
def test_all_parts_tell_of_one_axis(tmp_path: Path, over: str) -> None:
    with _open_parts(_bench(tmp_path), over) as parts:
        drive, counter, gauge, meter = (parts[role] for role in ("drive", "counter", "gauge", "meter"))
        assert str(drive.identity()) == "stepwitness stand-in drive seed 1"
        assert str(meter.identity()) == "stepwitness stand-in meter seed 1"
        assert not isinstance(drive, ClosesLoop)
        assert meter.current_a() == pytest.approx(0.0, abs=0.01)
        with pytest.raises(Refused, match="disabled"):
            drive.start_move_by(3200)
        drive.set_run_current(1.2)
        drive.set_speed(16_000.0)
        drive.set_acceleration(160_000.0)
        drive.enable()
        time.sleep(0.05)
        before_m = gauge.travel_m()
        drive.start_move_by(3200)
        assert _until(lambda: not drive.status().moving)
        time.sleep(0.05)
        # One turn: 3200 microsteps, 2000 counts, 2 mm of lead less the play of the nut.
        assert (drive.position(), counter.faults()) == (3200, 0)
        assert counter.counts() == pytest.approx(2000, abs=10)
        assert gauge.travel_m() - before_m == pytest.approx(2e-3, abs=3e-5)
        assert meter.current_a() > 0.3
        assert parts["inputs"].read() == InputState()
        parts["drag"].set_force(5.0)
        parts["supply"].set_output(False)
        assert (parts["supply"].output(), parts["supply"].voltage_v()) == (False, 0.0)
        drive.set_output(2, True)
        assert (drive.output(2), drive.output(1)) == (True, False)


def test_a_drive_that_closes_its_loop_does_so_on_the_wire(tmp_path: Path) -> None:
    with _open_parts(_bench(tmp_path, loop="closed"), "tcp") as parts:
        assert isinstance(parts["drive"], ClosesLoop)
        status = parts["drive"].loop_status()
        assert (status.alarm, status.attempts_made) == (False, 0)


def test_time_passes_at_the_scale_that_was_asked_for(tmp_path: Path) -> None:
    with _open_parts(_bench(tmp_path), "tcp") as parts:
        drive = parts["drive"]
        drive.enable()
        drive.set_speed(4000.0)
        drive.set_acceleration(400_000.0)
        started_s = time.monotonic()
        drive.start_move_by(10_000)
        assert _until(lambda: not drive.status().moving)
        took_s = time.monotonic() - started_s
    assert took_s >= 2.5 / SCALE, "10,000 microsteps at 4,000 a second take 2.5 s of the axis, never less"


# -- the process -----------------------------------------------------------------------------------------------


def _gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_the_server_ends_with_its_context(tmp_path: Path) -> None:
    with start_server(_bench(tmp_path), over="tcp", scale=SCALE) as served:
        assert not _gone(served.pid)
    assert _gone(served.pid)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGTERM and no kill(0) here")
def test_the_server_never_outlives_whoever_started_it(tmp_path: Path) -> None:
    code = (
        "import os, sys\n"
        "from stepwitness.standin.client import start_server\n"
        "context = start_server(sys.argv[1], over='tcp', scale=5.0)\n"
        "print(context.__enter__().pid, flush=True)\n"
        "os._exit(9)\n"
    )
    command = [sys.executable, "-c", code, str(_bench(tmp_path))]
    pid = int(subprocess.run(command, capture_output=True, text=True, check=False).stdout)
    assert _until(lambda: _gone(pid))


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGTERM here")
def test_the_server_ends_on_sigterm_and_ignores_an_interrupt(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "stepwitness.standin.server", str(_bench(tmp_path))]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert b'"drive"' in process.stdout.readline()
        process.send_signal(signal.SIGINT)
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.3)
        process.terminate()
        assert process.wait(10.0) == 0


def test_a_bench_that_cannot_be_served_is_told_in_one_line(tmp_path: Path) -> None:
    path = _bench(tmp_path)
    path.write_text(path.read_text().replace("stroke", "storke"))
    with (
        pytest.raises(ServerFailed, match=r"doser.bench.yaml:2 axis.storke.*did you mean 'stroke'\?$"),
        start_server(path, over="tcp", scale=SCALE),
    ):
        pass


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["no-such-file.yaml"], "no-such-file.yaml: there is no such file"),
        (["BENCH", "--scale", "0"], "a scale must be positive; found --scale 0.0"),
        (["BENCH", "--scale", "nan"], "a scale must be positive; found --scale nan"),
    ],
)
def test_mistakes_on_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], says: str
) -> None:
    path = str(_bench(tmp_path))
    assert server_module.main([path if word == "BENCH" else word for word in arguments]) == 2
    assert capsys.readouterr().err.strip() == says


def test_without_pseudo_terminals_serial_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(server_module, "has_pseudo_terminals", lambda: False)
    assert server_module.main([str(_bench(tmp_path)), "--over", "serial"]) == 2
    told = capsys.readouterr().err.strip()
    assert told.startswith("this system has no pseudo-terminals; found --over serial; allowed: --over tcp, ")
    assert "--over canopen" not in told


# -- the server alone, in a thread -----------------------------------------------------------------------------


class Running:
    """A server in a thread, and how often it kept its plant up."""

    def __init__(self) -> None:
        self.kept_up = 0
        self.server = Server(self._keep_up)
        self._thread = threading.Thread(target=self.server.run)

    def _keep_up(self) -> None:
        self.kept_up += 1

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self.server.stop()
        self._thread.join(5.0)
        self.server.close()


@pytest.fixture
def running() -> Iterator[Running]:
    made = Running()
    yield made
    made.stop()


def _connect(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=5.0)


def test_an_idle_server_keeps_its_plant_up(running: Running) -> None:
    running.start()
    assert _until(lambda: running.kept_up > 5)


def test_each_owner_of_a_connection_gets_its_own_replies(running: Running) -> None:
    port = running.server.add_tcp(lines(TextProtocol({r"say (\w+)": lambda word: word})))
    running.start()
    with _connect(port) as first, _connect(port) as second:
        first.sendall(b"say on")
        second.sendall(b"say two\n")
        assert second.recv(100) == b"two\n"
        first.sendall(b"e\n")
        assert first.recv(100) == b"one\n"


def test_garbage_and_half_a_line_of_somebody_who_is_gone_do_no_harm(running: Running) -> None:
    port = running.server.add_tcp(lines(TextProtocol({"go": lambda: None})))
    running.start()
    with _connect(port) as gone:
        gone.sendall(b"mo")
    with _connect(port) as noisy:
        noisy.sendall(b"\xff" * 1_000_000 + b"\n\n@5 go\n")
        assert noisy.recv(100) == b"@5 ok\n"


def test_who_asks_and_never_reads_is_dropped_and_the_others_are_served(running: Running) -> None:
    port = running.server.add_tcp(lines(TextProtocol({"go": lambda: "x" * 300})))
    running.start()
    with _connect(port) as deaf, _connect(port) as other:
        with contextlib.suppress(OSError):
            for _ in range(20_000):
                deaf.sendall(b"go\n" * 100)
        other.sendall(b"go\n")
        assert other.recv(1000) == b"x" * 300 + b"\n"


@posix
def test_who_never_reads_a_serial_line_loses_bytes_and_the_server_goes_on(running: Running) -> None:
    name = running.server.add_terminal(lines(TextProtocol({"go": lambda: "x" * 300})))
    port = running.server.add_tcp(lines(TextProtocol({"go": lambda: None})))
    running.start()
    far = os.open(name, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    try:
        with contextlib.suppress(BlockingIOError):
            for _ in range(1000):
                os.write(far, b"go\n")
        with _connect(port) as other:
            other.sendall(b"go\n")
            assert other.recv(100) == b"ok\n"
    finally:
        os.close(far)
