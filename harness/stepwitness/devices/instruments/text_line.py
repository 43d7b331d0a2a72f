"""Gauge, supply, brake, drag and inputs behind a line of text."""

from __future__ import annotations

from collections.abc import Mapping

from stepwitness.devices.command_set import NUMBER, CommandSet, Exchange, command_set
from stepwitness.devices.interfaces import InputState, Side
from stepwitness.devices.text_line import OnALine
from stepwitness.quantities import Kind

GAUGE_COMMANDS: CommandSet = command_set(
    travel=Exchange("travel?", rf"{NUMBER} mm", kind=Kind.TRAVEL, unit="mm", groups=("value",), again=True),
)
SUPPLY_COMMANDS: CommandSet = command_set(
    output_on=Exchange("output on", again=True),
    output_off=Exchange("output off", again=True),
    output=Exchange("output?", "(?P<on>on)|off", groups=("on",), again=True),
    voltage=Exchange("voltage?", rf"{NUMBER} V", kind=Kind.VOLTAGE, unit="V", groups=("value",), again=True),
)
BRAKE_COMMANDS: CommandSet = command_set(
    close=Exchange("close", again=True),
    open=Exchange("open"),
    is_closed=Exchange("brake?", "(?P<closed>closed)|open", groups=("closed",), again=True),
)
DRAG_COMMANDS: CommandSet = command_set(
    set_force=Exchange("force {value} N", kind=Kind.FORCE, unit="N", again=True),
)
INPUTS_COMMANDS: CommandSet = command_set(
    read=Exchange(
        "inputs?",
        "limits(?: none)?(?P<low> low)?(?P<high> high)?; stop circuit (?:(?P<stop_closed>closed)|open)",
        groups=("low", "high", "stop_closed"),
        again=True,
    ),
)


class TextLineGauge(OnALine):
    """`Gauge`; a serial indicator."""

    def travel_m(self) -> float:
        return self._line.number("travel")


class TextLineSupply(OnALine):
    """`Supply`."""

    def set_output(self, on: bool) -> None:
        self._line.ask("output_on" if on else "output_off")

    def output(self) -> bool:
        return self._line.ask("output")["on"] is not None

    def voltage_v(self) -> float:
        return self._line.number("voltage")


class TextLineBrake(OnALine):
    """`Brake`."""

    def close(self) -> None:
        self._line.ask("close")

    def open(self) -> None:
        self._line.ask("open")

    def is_closed(self) -> bool:
        return self._line.ask("is_closed")["closed"] is not None


class TextLineDrag(OnALine):
    """`Drag`."""

    def set_force(self, force_n: float) -> None:
        self._line.ask("set_force", value=float(force_n))


class TextLineInputs(OnALine):
    """`Inputs`."""

    def read(self) -> InputState:
        match = self._line.ask("read")
        sides = {Side.LOW: match["low"], Side.HIGH: match["high"]}
        return InputState(
            limits=frozenset(side for side, found in sides.items() if found is not None),
            stop_circuit_closed=match["stop_closed"] is not None,
        )


BY_ROLE: Mapping[str, tuple[type[OnALine], CommandSet]] = {
    "gauge": (TextLineGauge, GAUGE_COMMANDS),
    "supply": (TextLineSupply, SUPPLY_COMMANDS),
    "brake": (TextLineBrake, BRAKE_COMMANDS),
    "drag": (TextLineDrag, DRAG_COMMANDS),
    "inputs": (TextLineInputs, INPUTS_COMMANDS),
}
"""Part and command set by its role on a bench."""
