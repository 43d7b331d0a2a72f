"""Fit a stand-in to a real unit: parameters from measured responses, with residuals and how sure each one is.

1. A response is what a bench can measure: pulses at known times, a current, perhaps a known torque, and where the rotor
   was at instants. A ringing step tells stiffness over inertia and damping, a slow move friction over holding torque.
2. Only ratios of torque and inertia show in such data. What isn't known in SI beforehand (a weighed load, a torque from
   a data sheet) must stay fixed, or the fit says with a large standard error that it can't tell.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from stepwitness.axis import Axis
from stepwitness.errors import BadInput, near_miss
from stepwitness.standin.batch import spreadable
from stepwitness.standin.parameters import StandIn, with_field
from stepwitness.standin.plant import Plant

SETTLE_S = 0.1
"""At rest with current before the first pulse."""

RELATIVE_STEP = 0.01
"""Of a parameter, for slopes: friction makes the plant's answer too rough for a smaller one."""

WIDEST = math.log(10.0)
"""A fitted value lies within a factor of ten of its nominal one."""


@dataclass(frozen=True)
class Response:
    """One measurement.

    `pulse_times_s` (forward) and `time_s` count from the instant at which the axis stood at rest with `current_a` in
    its windings; `rotor_steps` is the rotor in full steps from there, one value at each of `time_s`.
    """

    pulse_times_s: Sequence[float]
    time_s: NDArray[np.float64]
    rotor_steps: NDArray[np.float64]
    current_a: float
    shaft_torque_nm: float = 0.0


@dataclass(frozen=True)
class Fit:
    """What was found.

    Attributes
    ----------
    stand_in : the nominal one with the fitted values.
    relative_error : standard error of each fitted value over the value, by name; infinite where the data can't tell.
    residual_steps : measured less fitted, in full steps, one array a response.
    """

    stand_in: StandIn
    relative_error: dict[str, float]
    residual_steps: tuple[NDArray[np.float64], ...]

    @property
    def rms_steps(self) -> float:
        """Root mean square of all residuals, in full steps."""
        return float(np.sqrt(np.mean(np.concatenate(self.residual_steps) ** 2)))


def respond(axis: Axis, stand_in: StandIn, like: Response) -> NDArray[np.float64]:
    """What `stand_in` would have answered, at the instants of `like`, in full steps."""
    plant = Plant(axis, stand_in)
    plant.set_amplitude(like.current_a)
    plant.advance(SETTLE_S)
    start_rad = plant.rotor_rad
    plant.set_shaft_torque(like.shaft_torque_nm)
    plant.set_pulses([SETTLE_S + time_s for time_s in like.pulse_times_s], forward=True)
    rotor = []
    for time_s in like.time_s.tolist():
        plant.advance(SETTLE_S + time_s)
        rotor.append(plant.rotor_rad - start_rad)
    return np.array(rotor) / (2.0 * math.pi) * axis.full_steps


def fit(axis: Axis, nominal: StandIn, responses: Sequence[Response], names: Sequence[str]) -> Fit:
    """Fit the fields called `names` (``"screw.drag_torque_nm"``), which start from their nominal values.

    Raises
    ------
    BadInput : for a field that no stand-in has, for one whose nominal value isn't positive (fits work on ratios), and
        for fewer readings than fields.
    """
    known = spreadable(nominal)
    for name in names:
        if name not in known:
            raise BadInput("a stand-in has no such number", found=f"'{name}'", cure=near_miss(name, known))
        if attrgetter(name)(nominal) <= 0.0:
            found = f"{name}: {attrgetter(name)(nominal):g}"
            raise BadInput("a fit needs a positive value to start from", found=found, allowed="a guess above 0")
    if sum(len(response.time_s) for response in responses) <= len(names):
        raise BadInput("fewer readings than fields to fit", found=f"{len(names)} fields")

    def made(logs: NDArray[np.float64]) -> StandIn:
        stand_in = nominal
        for name, log in zip(names, logs, strict=True):
            stand_in = with_field(stand_in, name, attrgetter(name)(nominal) * math.exp(log))
        return stand_in

    def residuals(logs: NDArray[np.float64]) -> NDArray[np.float64]:
        stand_in = made(logs)
        return np.concatenate([item.rotor_steps - respond(axis, stand_in, item) for item in responses])

    def slopes(logs: NDArray[np.float64]) -> NDArray[np.float64]:
        offsets = np.eye(len(names)) * RELATIVE_STEP
        changes = [residuals(logs + offset) - residuals(logs - offset) for offset in offsets]
        return np.array(changes).T / (2.0 * RELATIVE_STEP)

    solution = least_squares(residuals, np.zeros(len(names)), jac=slopes, bounds=(-WIDEST, WIDEST))
    best = np.asarray(solution.x)
    stand_in = made(best)
    parts = tuple(item.rotor_steps - respond(axis, stand_in, item) for item in responses)
    errors = _standard_errors(slopes(best), np.concatenate(parts))
    return Fit(stand_in, dict(zip(names, errors, strict=True)), parts)


def _standard_errors(jacobian: NDArray[np.float64], residuals: NDArray[np.float64]) -> list[float]:
    """Of a least-squares solution, by its linear model (JCGM 100 H.3 does the same for a line)."""
    readings, fields = jacobian.shape
    variance = float(residuals @ residuals) / (readings - fields)
    _, sizes, directions = np.linalg.svd(jacobian, full_matrices=False)
    if sizes[-1] <= sizes[0] * 1e-9:
        return [math.inf] * fields
    covariance = directions.T @ np.diag(sizes**-2.0) @ directions * variance
    return [float(value) for value in np.sqrt(np.diag(covariance))]
