"""A move of the plant, sampled: what was commanded, where everything was, what flowed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from stepwitness.axis import Axis
from stepwitness.standin import kernel
from stepwitness.standin.motor import holding_torque_nm, winding_torque_nm
from stepwitness.standin.parameters import StandIn
from stepwitness.standin.plant import Plant, travel_per_rad
from stepwitness.standin.pulses import PulseTrain

RUN_IN_S = 0.05
"""Time in which the windings get their current before a traced move."""


TOLD = {
    kernel.SLIPPED_UP: "slip of +4 full steps",
    kernel.SLIPPED_DOWN: "slip of -4 full steps",
    kernel.MET_STOP: "end stop",
    kernel.LEFT_STOP: "off the end stop",
    kernel.MET_FLANK: "other flank of the nut",
}
"""The kernel's events that a trace tells, which is all but the rotor's turning and resting."""


@dataclass(frozen=True)
class Event:
    """What happened at one instant of a trace."""

    time_s: float
    what: str


@dataclass(frozen=True)
class Trace:
    """Columns of equal length, from the start of a move, and what happened in it.

    Places are travel since the start in metres: `command_m` what the pulses say, `rotor_m` the motor's shaft, `load_m`,
    and `counted_m` (NaN without an encoder). `margin_nm` is what the motor could give at its present current, less
    what it gives.
    """

    events: tuple[Event, ...]
    time_s: NDArray[np.float64]
    command_m: NDArray[np.float64]
    rotor_m: NDArray[np.float64]
    load_m: NDArray[np.float64]
    counted_m: NDArray[np.float64]
    current_a: NDArray[np.float64]
    current_b: NDArray[np.float64]
    margin_nm: NDArray[np.float64]


def trace_move(
    axis: Axis,
    stand_in: StandIn,
    *,
    travel_m: float,
    speed_m_per_s: float,
    acceleration_m_per_s2: float,
    current_a: float | None = None,
    rest_s: float = 0.05,
    sample_s: float = 1.0e-4,
) -> Trace:
    """One move of `travel_m`, either way, from rest, and `rest_s` of ringing out; at the rated current by default."""
    plant = Plant(axis, stand_in)
    decoder = plant.watch(axis.encoder, seed="counter") if axis.encoder else None
    plant.set_amplitude(stand_in.motor.rated_current_a if current_a is None else current_a)
    plant.advance(RUN_IN_S)
    microstep_m, per_rad = float(axis.microstep_travel), travel_per_rad(axis)
    train = PulseTrain(
        start_s=RUN_IN_S,
        pulses=abs(axis.nearest_microstep(travel_m)),
        speed=speed_m_per_s / microstep_m,
        acceleration=acceleration_m_per_s2 / microstep_m,
    )
    plant.set_pulses(train.times_s(0, train.total), forward=travel_m >= 0.0)
    way = 1.0 if travel_m >= 0.0 else -1.0
    motor, teeth = stand_in.motor, float(axis.rotor_teeth)
    count_m = float(axis.travel_of_counts(1)) if decoder else math.nan
    start_m, start_counts = plant.load_m, decoder.counts if decoder else 0
    rows, happened = [], []

    def note(kind: float, time_s: float, _rotor_rad: float, _load_m: float) -> None:
        if kind in TOLD:
            happened.append(Event(time_s - RUN_IN_S, TOLD[kind]))

    plant.on_event(note)
    for time_s in np.arange(RUN_IN_S, train.end_s + rest_s, sample_s).tolist():
        plant.advance(time_s)
        ia, ib = plant.currents_a
        torque_nm = winding_torque_nm(motor, (ia, ib), teeth * plant.rotor_rad)
        rows.append(
            (
                time_s - RUN_IN_S,
                way * plant.pulses_sent * microstep_m,
                plant.rotor_rad * per_rad,
                plant.load_m - start_m,
                (decoder.counts - start_counts) * count_m if decoder else math.nan,
                ia,
                ib,
                holding_torque_nm(motor, math.hypot(ia, ib)) - abs(torque_nm),
            )
        )
    return Trace(tuple(happened), *np.array(rows).T.copy())


def thinned(trace: Trace, points: int) -> Trace:
    """Every n-th row, so that at most about `points` are left; for pictures."""
    every = max(1, len(trace.time_s) // points)
    columns = [column[::every] for column in vars(trace).values() if isinstance(column, np.ndarray)]
    return Trace(trace.events, *columns)
