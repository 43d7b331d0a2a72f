from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from stepwitness.devices.errors import BadReply, OutOfRange
from stepwitness.devices.instruments.text_line import (
    BRAKE_COMMANDS,
    DRAG_COMMANDS,
    GAUGE_COMMANDS,
    INPUTS_COMMANDS,
    SUPPLY_COMMANDS,
    TextLineBrake,
    TextLineDrag,
    TextLineGauge,
    TextLineInputs,
    TextLineSupply,
)
from stepwitness.devices.interfaces import Brake, Drag, Gauge, Inputs, InputState, Side, Supply
from stepwitness.devices.text_line import TextLine

Scripted = Callable[..., tuple[TextLine, Any]]


def test_a_gauge_in_millimetres_reads_metres(scripted: Scripted) -> None:
    replies = {"travel?": "+12.3456 mm"}
    gauge = TextLineGauge(scripted(GAUGE_COMMANDS, replies.get)[0])
    assert isinstance(gauge, Gauge)
    assert gauge.travel_m() == pytest.approx(0.0123456, abs=1e-15)
    replies["travel?"] = "out of range"
    with pytest.raises(OutOfRange):
        gauge.travel_m()
    replies["travel?"] = "12.3456 in"
    with pytest.raises(BadReply):
        gauge.travel_m()


def test_a_supply(scripted: Scripted) -> None:
    replies = {"output on": "ok", "output off": "ok", "output?": "off", "voltage?": "23.98 V"}
    line, link = scripted(SUPPLY_COMMANDS, replies.get)
    supply = TextLineSupply(line)
    assert isinstance(supply, Supply)
    supply.set_output(True)
    supply.set_output(False)
    assert (supply.output(), supply.voltage_v()) == (False, 23.98)
    assert link.sent == ["output on", "output off", "output?", "voltage?"]


def test_closing_a_brake_closes_the_brake_and_not_its_link(scripted: Scripted) -> None:
    replies = {"close": "ok", "open": "ok", "brake?": "closed"}
    line, link = scripted(BRAKE_COMMANDS, replies.get)
    brake = TextLineBrake(line)
    assert isinstance(brake, Brake)
    brake.close()
    assert brake.is_closed()
    replies["brake?"] = "open"
    assert not brake.is_closed()
    brake.open()
    assert link.sent == ["close", "brake?", "brake?", "open"]


def test_a_drag(scripted: Scripted) -> None:
    line, link = scripted(DRAG_COMMANDS, lambda _: "ok")
    drag = TextLineDrag(line)
    assert isinstance(drag, Drag)
    drag.set_force(12.5)
    assert link.sent == ["force 12.5 N"]


@pytest.mark.parametrize(
    ("reply", "state"),
    [
        ("limits none; stop circuit closed", InputState()),
        ("limits low; stop circuit closed", InputState(frozenset({Side.LOW}))),
        ("limits low high; stop circuit open", InputState(frozenset({Side.LOW, Side.HIGH}), False)),
        ("limits high; stop circuit open", InputState(frozenset({Side.HIGH}), False)),
    ],
)
def test_inputs(scripted: Scripted, reply: str, state: InputState) -> None:
    inputs = TextLineInputs(scripted(INPUTS_COMMANDS, lambda _: reply)[0])
    assert isinstance(inputs, Inputs)
    assert inputs.read() == state


def test_inputs_that_are_unclear_are_never_read_as_closed(scripted: Scripted) -> None:
    inputs = TextLineInputs(scripted(INPUTS_COMMANDS, lambda _: "limits none; stop circuit")[0])
    with pytest.raises(BadReply):
        inputs.read()
