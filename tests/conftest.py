"""What more than one folder of tests uses: a bench around a rig whose truth a test may see."""

from __future__ import annotations

import signal
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import settings

from stepwitness.bench.assembly import stand_in_parts
from stepwitness.bench.description import BenchDescription
from stepwitness.bench.live import Bench, Parts
from stepwitness.devices.clock import VirtualClock
from stepwitness.standin.rig import Rig

pytest_plugins = ["pytester"]

settings.register_profile("untimed", deadline=None)  # a busy machine is no defect
settings.load_profile("untimed")


class EventfulClock(VirtualClock):
    """A virtual clock on which things happen: each action once, as soon as its condition holds."""

    def __init__(self) -> None:
        super().__init__()
        self._coming: list[tuple[Callable[[], bool], Callable[[], None]]] = []

    def once(self, condition: Callable[[], bool], action: Callable[[], None]) -> None:
        self._coming.append((condition, action))

    def sleep(self, seconds: float) -> None:
        super().sleep(seconds)
        for item in [item for item in self._coming if item[0]()]:
            self._coming.remove(item)
            item[1]()


@dataclass(frozen=True)
class Rigged:
    """An open bench, and the rig behind its parts."""

    bench: Bench
    rig: Rig
    clock: EventfulClock

    def load_m(self) -> float:
        return self.rig.truth().load_m

    def once_beyond(self, travel_m: float, action: Callable[[], None]) -> None:
        """`action` as soon as the load has passed `travel_m` upwards."""
        self.clock.once(lambda: self.load_m() >= travel_m, action)

    def stays_put(self, for_s: float = 2.0) -> bool:
        """Whether the load doesn't move by itself from now on, but for the last of its swing."""
        self.clock.sleep(0.3)
        before_m = self.load_m()
        self.clock.sleep(for_s)
        return abs(self.load_m() - before_m) < 1e-7


@pytest.fixture(scope="session", autouse=True)
def _ctrl_c_reaches_what_tests_start() -> None:
    """A shell that runs these tests in the background has them, and what they start, ignore Ctrl-C."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(scope="session")
def rigged() -> Callable[..., Rigged]:
    """``rigged(description, screw={"backlash_m": 3e-5}, start_m=0.01)``: a bench in process, its physics changed."""

    def make(description: BenchDescription, **physics: Any) -> Rigged:
        assert description.stand_in is not None
        stand_in = replace(
            description.stand_in,
            **{
                name: replace(getattr(description.stand_in, name), **value) if isinstance(value, dict) else value
                for name, value in physics.items()
            },
        )
        clock = EventfulClock()
        rig = Rig(description.axis, stand_in, clock)
        parts = Parts.built(stand_in_parts(rig, description))
        return Rigged(Bench(description, parts, clock, simulated=True, over="process"), rig, clock)

    return make
