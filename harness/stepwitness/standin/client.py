"""Starts the stand-in server as a process, tells where its parts are, and ends it."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass

from stepwitness.devices.part import Part
from stepwitness.errors import StepwitnessError

STARTING_S = 30.0
ENDING_S = 3.0
REPLY_S = 3.0
"""Time-out for a reply on the wall; a busy machine stops a process for longer than a wire ever takes."""


@dataclass(frozen=True)
class ServedBench:
    """Parts by role, as a catalog opens them, and the server's process id."""

    parts: dict[str, Part]
    pid: int


class ServerFailed(StepwitnessError):
    """The stand-in server didn't start; the text is what it said."""


@contextlib.contextmanager
def start_server(
    bench_path: str | os.PathLike[str], *, over: str, scale: float, serial: str = ""
) -> Iterator[ServedBench]:
    """Serve the stand-ins of a bench file while the context lasts.

    Parameters
    ----------
    over : one of `endpoints.WAYS`. scale : seconds of the axis in one of the wall.
    serial : of the unit that is mounted, where it isn't the one in the file.

    Raises
    ------
    ServerFailed : where the server refuses the bench file, or says nothing in time.
    """
    command = [sys.executable, "-m", "stepwitness.standin.server", os.fspath(bench_path)]
    with tempfile.TemporaryFile() as complaints:
        process = subprocess.Popen(
            [*command, "--over", over, "--scale", repr(scale), f"--serial={serial}"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=complaints,
        )
        try:
            line = _first_line(process)
            if not line:
                _end(process)
                complaints.seek(0)
                said = complaints.read().decode(errors="replace").strip()
                raise ServerFailed(said or f"the stand-in server said nothing within {STARTING_S:g} s")
            yield ServedBench(_parts(line, scale), process.pid)
        finally:
            _end(process)


def _first_line(process: subprocess.Popen[bytes]) -> bytes:
    """The first line of its output; empty where it ended, or was silent, before one came."""
    lines: queue.Queue[bytes] = queue.Queue()
    assert process.stdout is not None
    threading.Thread(target=lambda out=process.stdout: lines.put(out.readline()), daemon=True).start()
    try:
        return lines.get(timeout=STARTING_S)
    except queue.Empty:
        return b""


def _parts(line: bytes, scale: float) -> dict[str, Part]:
    parts = {}
    for role, endpoint in json.loads(line)["endpoints"].items():
        # A text line counts its deadline on the bench's clock, a library of others on the wall.
        seconds = REPLY_S * scale if endpoint["part"] == "text-line" else REPLY_S
        parts[role] = Part(endpoint["part"], {**endpoint["options"], "timeout": f"{seconds} s"})
    return parts


def _end(process: subprocess.Popen[bytes]) -> None:
    """Close its input, which ends it; insist where that doesn't help."""
    assert process.stdin is not None
    assert process.stdout is not None
    with contextlib.suppress(OSError):
        process.stdin.close()
    for insist in (process.terminate, process.kill):
        try:
            process.wait(ENDING_S)
            break
        except subprocess.TimeoutExpired:
            insist()
    process.wait()
    process.stdout.close()
