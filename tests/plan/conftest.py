from __future__ import annotations

from dataclasses import dataclass

import pytest

from stepwitness.bench.description import BenchDescription
from stepwitness.errors import BadInput, Place
from stepwitness.findings import Characteristic, Estimate
from stepwitness.procedures.procedure import Forecast, Procedure
from stepwitness.quantities import Kind
from stepwitness.settings import setting


@dataclass(frozen=True)
class Settings:
    runs: int = setting("runs", int, "passes", default=5, at_least=2, at_most=50)
    window_m: float = setting("window", Kind.TRAVEL, "width of the window", default=1e-5, at_least=1e-6)
    current_a: float = setting("stall_current", Kind.CURRENT, "current of the stall", default=0.05)
    drags_n: tuple[float, ...] = setting("drags", Kind.FORCE, "added drags", default=(), many=True, at_least=0)
    places: tuple[int, ...] = setting("places", int, "numbers of places", default=(1,), many=True)
    loop: str = setting("loop", str, "who closes the loop", default="harness", choices=("harness", "drive"))
    remark: str = setting("remark", str, "free text", default="")
    by_hand: bool = setting("by_hand", bool, "asks an operator", default=False)
    share: float = setting("share", Kind.RATIO, "share of the stroke", default=0.5, at_least=0, at_most=1)
    copy: int = setting("copy", int, "a name that pydantic has too", default=1)


@dataclass(frozen=True)
class Demanding:
    speed_m_per_s: float = setting("speed", Kind.SPEED, "speed of travel")


CHARACTERISTICS = (
    Characteristic("reversal_value", "reversal value", Kind.TRAVEL, "um", "none", "d", "B", magnitude=True),
    Characteristic("mean_reversal", "mean reversal", Kind.TRAVEL, "um", "none", "d"),
    Characteristic("false_alarms", "false alarms", Kind.COUNT, "", "none", "d"),
    Characteristic("scale", "scale", Kind.RATIO, "ppm", "none", "d"),
    Characteristic("latency", "latency", Kind.TIME, "ms", "none", "d"),
)


def _check(bench: BenchDescription, settings: object) -> Forecast:
    if isinstance(settings, Settings) and settings.current_a > bench.envelope.current_a:
        raise BadInput(
            "a current beyond the envelope", place=Place(key="stall_current"), found=f"{settings.current_a:g} A"
        )
    if isinstance(settings, Settings) and settings.copy == 13:
        raise BadInput("no thirteenth", found="13")
    return Forecast("2 places", 12.0, 0.010, 0.020, ("counts alone can't see play",))


def _run(*_: object) -> None:
    raise AssertionError("nothing may move here")


def _evaluate(*_: object) -> tuple[Estimate, ...]:
    return ()


def _procedure(name: str, settings: type) -> Procedure:
    return Procedure(name, name.replace("_", " "), "1", settings, CHARACTERISTICS, _check, _run, _evaluate)


@pytest.fixture
def known() -> dict[str, Procedure]:
    return {"backlash": _procedure("backlash", Settings), "travel_time": _procedure("travel_time", Demanding)}
