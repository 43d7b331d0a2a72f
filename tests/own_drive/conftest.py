"""A stand-in that speaks the TD-1's frames, and the drive's package as an installer would leave it."""

from __future__ import annotations

import struct
import sys
import tomllib
from collections.abc import Callable, Iterator
from functools import reduce
from operator import xor
from pathlib import Path
from typing import Any

import pytest

from stepwitness.devices.errors import Refused

HERE = Path(__file__).parent
REFUSED = 0xFF
FRAME_BYTES = 7


class Td1Frames:
    """The drive's side of the wire, in front of a stand-in drive: bytes in, bytes out."""

    def __init__(self, drive: Any) -> None:
        self._heard = b""
        self._actions: dict[int, Callable[[int], int | None]] = {
            1: lambda _: 3,
            2: lambda _: drive.enable(),
            3: lambda _: drive.disable(),
            4: lambda _: drive.halt(),
            5: lambda _: drive.position(),
            6: drive.set_position,
            7: lambda value: drive.set_speed(value / 10),
            8: lambda value: drive.set_acceleration(float(value)),
            9: lambda value: drive.set_run_current(value / 1000),
            10: lambda value: drive.set_hold_current(value / 1000),
            11: lambda _: self._status(drive),
            12: drive.start_move_by,
            13: drive.start_move_to,
            14: lambda value: drive.set_output(abs(value), value > 0),
            15: lambda value: int(drive.output(value)),
        }

    @staticmethod
    def _status(drive: Any) -> int:
        status = drive.status()
        return status.enabled | status.moving << 1 | bool(status.fault) << 2

    def hear(self, data: bytes) -> bytes:
        self._heard += data
        replies = b""
        while len(self._heard) >= FRAME_BYTES:
            frame = self._heard[:FRAME_BYTES]
            if reduce(xor, frame):  # out of step: the next byte may be a frame's first
                self._heard = self._heard[1:]
                continue
            self._heard = self._heard[FRAME_BYTES:]
            replies += self._answer(*struct.unpack(">BBi", frame[:-1]))
        return replies

    def _answer(self, sequence: int, command: int, value: int) -> bytes:
        try:
            found = self._actions[command](value) or 0
        except (KeyError, Refused):
            command, found = REFUSED, 0
        reply = struct.pack(">BBi", sequence, command, found)
        return reply + bytes([reduce(xor, reply)])


@pytest.fixture
def frames_of() -> Callable[[Any], Td1Frames]:
    return Td1Frames


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The package on the path with the entry points that its own pyproject.toml names."""
    project = tomllib.loads((HERE / "pyproject.toml").read_text())["project"]
    site = tmp_path / "site"
    info = site / "tarnbrook_td1-1.0.dist-info"
    info.mkdir(parents=True)
    (site / "tarnbrook_td1.py").write_text((HERE / "tarnbrook_td1.py").read_text())
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
    groups = [
        "\n".join([f"[{group}]", *(f"{name} = {value}" for name, value in entries.items())])
        for group, entries in project["entry-points"].items()
    ]
    (info / "entry_points.txt").write_text("\n".join(groups))
    monkeypatch.syspath_prepend(site)
    yield site
    sys.modules.pop("tarnbrook_td1", None)
