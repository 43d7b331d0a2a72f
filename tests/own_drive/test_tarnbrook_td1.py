"""A drive from a package of somebody else's: found by its entry point, checked, and moved by a plan."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from stepwitness.axis import Axis, Decoding, Encoder, Mounting, Orientation
from stepwitness.conformance import DRIVE_CHECKS, Check, Subject
from stepwitness.devices.catalog import build
from stepwitness.devices.clock import VirtualClock, WallClock
from stepwitness.devices.errors import NotStarted
from stepwitness.devices.part import Part
from stepwitness.standin.endpoints import serve, stand_ins
from stepwitness.standin.presets import preset
from stepwitness.standin.rig import Rig
from stepwitness.standin.served import as_real
from stepwitness.standin.serving import HOST, Server

HERE = Path(__file__).parent
MOVE_BY = 12
TARNBROOK = HERE.parents[1] / "benches" / "tarnbrook"
AXIS = Axis(
    "doser",
    200,
    16,
    Fraction(1, 500),
    Fraction(3, 50),
    Orientation.HORIZONTAL,
    Encoder(Fraction(500), Decoding.X4, Mounting.MOTOR),
)


class Direct:
    """A link that the far end answers at once; waiting for what doesn't come costs virtual time."""

    name = "td1"

    def __init__(self, responder: Any, clock: VirtualClock) -> None:
        self._responder, self._clock, self._arrived = responder, clock, b""

    def write(self, data: bytes) -> None:
        self._arrived += self._responder.hear(data)

    def read(self) -> bytes:
        data, self._arrived = self._arrived, b""
        if not data:
            self._clock.sleep(0.01)
        return data


@pytest.fixture
def subject(installed: Path, monkeypatch: pytest.MonkeyPatch, frames_of: Callable[[Any], Any]) -> Subject:
    """The drive on virtual time, its link to the stand-in inside this process."""
    assert installed
    clock = VirtualClock()
    rig = Rig(AXIS, preset("doser"), clock)
    inner = rig.drive()
    module = importlib.import_module("tarnbrook_td1")
    link = Direct(frames_of(inner), clock)
    monkeypatch.setattr(module, "open_link", lambda _: link)
    drive = build("drive", Part("td1", {"port": "COM5"}), AXIS, clock)
    return Subject(
        clock=clock,
        drive=drive,
        counter=rig.counter(),
        reach=1600,
        speed=8000.0,
        acceleration=80_000.0,
        run_current_a=1.2,
        hold_current_a=0.6,
        counts_per_microstep=float(AXIS.counts_of_microsteps(1)),
        outputs=(1, 2),
    )


@pytest.mark.parametrize("check", DRIVE_CHECKS, ids=lambda check: check.__name__)
def test_it_passes_every_check(subject: Subject, check: Check) -> None:
    check(subject)


def test_a_move_that_is_lost_on_its_way_is_never_sent_twice(subject: Subject, monkeypatch: pytest.MonkeyPatch) -> None:
    drive: Any = subject.the_drive()
    drive.enable()
    moves: list[bytes] = []
    write = drive._link.write
    monkeypatch.setattr(
        drive._link, "write", lambda frame: moves.append(frame) if frame[1] == MOVE_BY else write(frame)
    )
    with pytest.raises(NotStarted, match="was lost on its way; still at rest at 0"):
        drive.start_move_by(100)
    assert len(moves) == 1


def test_it_takes_forty_lines(installed: Path) -> None:
    """What the how-to promises, blank lines and imports aside."""
    code = (installed / "tarnbrook_td1.py").read_text()
    lines = [line for line in code[code.index("class ") :].splitlines() if line.strip()]
    assert len(lines) <= 45


@pytest.fixture
def served(frames_of: Callable[[Any], Any]) -> Iterator[dict[str, Part]]:
    """The doser's drive behind its frames on TCP, the other parts as they come, on the wall's clock."""
    rig = Rig(AXIS, replace(preset("doser", seed=417), exchange_s=0.0), WallClock())
    parts = stand_ins(rig, {role: {} for role in ("drive", "counter", "gauge", "meter", "drag", "inputs")})
    server = Server(keep_up=rig.advance)
    endpoints: dict[str, Any] = serve(server, parts, over="tcp")
    port = server.add_tcp(lambda: frames_of(parts["drive"]))
    endpoints["drive"] = {"part": "td1", "options": {"port": f"socket://{HOST}:{port}"}}
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    yield {role: Part(str(found["part"]), found["options"]) for role, found in endpoints.items()}
    server.stop()
    thread.join()
    server.close()


def test_a_plan_moves_it_as_a_real_part(tmp_path: Path, installed: Path, served: dict[str, Part]) -> None:
    text = as_real((TARNBROOK / "doser.bench.yaml").read_text(), served, name="td1-rig")
    (tmp_path / "doser.bench.yaml").write_text(text)
    (tmp_path / "short.plan.yaml").write_text(
        "purpose: nightly\nbench: doser.bench.yaml\nprocedures:\n"
        "  - backlash: {places: 1, repeats: 2, limits: {reversal_value: 25 um}}\n"
    )
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join([str(installed), *filter(None, [os.environ.get("PYTHONPATH")])]),
    }
    command = [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "short.plan.yaml", "--live", "td1-rig"]
    done = subprocess.run(
        command, check=False, cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 passed" in done.stdout
    record = next(tmp_path.glob("reports/td1-rig/*/record.json")).read_text()
    assert '"drive":"Tarnbrook Dosing TD-1 3"' in record
    assert '"simulated":false' in record
