"""Traces of a move, and their picture."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from stepwitness.axis import Axis
from stepwitness.standin.defects import with_defect
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.picture import panels, picture
from stepwitness.standin.presets import preset
from stepwitness.standin.trace import Trace, thinned, trace_move

SVG = "{http://www.w3.org/2000/svg}"


def move(axis: Axis, stand_in: StandIn, travel_m: float = 2e-3, current_a: float | None = None) -> Trace:
    return trace_move(
        axis,
        stand_in,
        travel_m=travel_m,
        speed_m_per_s=0.02,
        acceleration_m_per_s2=0.5,
        current_a=current_a,
        sample_s=1e-3,
    )


@pytest.mark.parametrize("way", [1, -1])
def test_a_trace_ends_where_the_move_ends(doser: Axis, way: int) -> None:
    trace = move(doser, preset("doser"), travel_m=way * 2e-3)
    for column in (trace.command_m, trace.rotor_m, trace.counted_m):
        assert column[-1] == pytest.approx(way * 2e-3, abs=2e-6)
    assert trace.load_m[-1] == pytest.approx(way * 2e-3, abs=1e-5)
    assert np.all(np.diff(way * trace.command_m) >= 0)
    assert trace.time_s[0] == 0.0


def test_torque_left_is_the_holding_torque_less_what_friction_takes(doser: Axis) -> None:
    """First principles: 0.40 N m at rest without load; in motion less by at least the drag."""
    trace = move(doser, preset("doser"))
    assert trace.margin_nm[0] == pytest.approx(0.40, abs=1e-6)
    assert trace.margin_nm[60:100].mean() < 0.40 - 0.026


def test_a_starved_move_shows_command_alone(doser: Axis) -> None:
    trace = move(doser, preset("doser"), current_a=0.05)
    assert trace.command_m[-1] == pytest.approx(2e-3)
    assert abs(trace.rotor_m).max() < 1e-6


def test_without_encoder_nothing_is_counted(doser: Axis) -> None:
    trace = move(replace(doser, encoder=None), preset("doser"))
    assert np.isnan(trace.counted_m).all()
    assert [line.label for line in panels(trace)[0].lines] == ["drive", "load"]
    ET.fromstring(picture(trace))


def test_events_tell_slips_and_the_end_stop_in_their_order(doser: Axis) -> None:
    stand_in = with_defect(preset("doser"), "end-stop", 0.0312)
    trace = move(doser, stand_in)
    found = trace.events
    assert found[0].what == "end stop"
    slips = [int(event.what.split()[2]) for event in found if event.what.startswith("slip")]
    assert slips
    assert all(slip % 4 == 0 for slip in slips)
    lost = (trace.rotor_m[-1] - trace.command_m[-1]) / float(doser.step_travel)
    assert sum(slips) == pytest.approx(lost, abs=2.1)
    times = [event.time_s for event in found]
    assert times == sorted(times)
    texts = [text.text for text in ET.fromstring(picture(trace)).iter(f"{SVG}text")]
    assert texts.count("end stop") == 1
    assert sum(str(text).startswith("slip of") for text in texts) == 1


def test_a_healthy_move_has_no_events(doser: Axis) -> None:
    assert move(doser, preset("doser")).events == ()


def test_thinning_keeps_rows_together(doser: Axis) -> None:
    trace = move(doser, preset("doser"))
    thin = thinned(trace, 20)
    assert 15 < len(thin.time_s) < 45
    assert thin.load_m[3] == trace.load_m[np.searchsorted(trace.time_s, thin.time_s[3])]


def test_the_picture_is_one_svg_that_says_simulated(doser: Axis) -> None:
    root = ET.fromstring(picture(move(doser, preset("doser")), title="Doser <1>"))
    texts = [text.text for text in root.iter(f"{SVG}text")]
    assert "SIMULATED" in texts
    assert "Doser <1>" in texts
    assert {"travel / mm", "command − place / µm", "winding current / A", "torque left / N·m", "time / ms"} <= set(
        texts
    )
    lines = list(root.iter(f"{SVG}polyline"))
    assert len(lines) == 3 + 2 + 2 + 1
    _, _, width, height = map(float, root.attrib["viewBox"].split())
    for line in lines:
        for point in line.attrib["points"].split():
            x, y = map(float, point.split(","))
            assert 0 <= x <= width
            assert 0 <= y <= height
