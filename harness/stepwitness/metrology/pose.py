"""Accuracy and repeatability of a pose that is taken again and again from one side (ISO 9283, formulas from memory).

1. A pose has one coordinate for an axis, two for a table, three for a head that several axes carry.
2. The standard asks for 30 cycles, and for the drift of both figures ten cycles at each measurement over eight hours.
3. Unlike the figures of ISO 230-2, none of this has a sign or a direction of approach: reversal isn't in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from stepwitness.metrology.inputs import readings, table
from stepwitness.metrology.statistics import BadReadings

COVERAGE = 3.0


@dataclass(frozen=True)
class Pose:
    """Attained positions at one commanded pose, in their own unit.

    Attributes
    ----------
    n : cycles. barycentre : mean position, one value a coordinate.
    accuracy : AP, distance of the barycentre from the command.
    mean_distance, sd_distance : of the attained positions from their barycentre, l̄ and S_l.
    """

    n: int
    barycentre: tuple[float, ...]
    accuracy: float
    mean_distance: float
    sd_distance: float

    @property
    def repeatability(self) -> float:
        """RP_l = l̄ + 3 S_l."""
        return self.mean_distance + COVERAGE * self.sd_distance


def pose(attained: ArrayLike, *, command: ArrayLike) -> Pose:
    """Evaluate positions attained at one command.

    Parameters
    ----------
    attained : shape (n, d), n ≥ 2 cycles of d coordinates. command : shape (d,), same unit.

    Raises
    ------
    BadReadings : shapes that don't match, a position that isn't a number. NotEnoughReadings : fewer than two cycles.

    Examples
    --------
    >>> found = pose([[0.0], [2.0]], command=[0.0])
    >>> found.accuracy, found.repeatability
    (1.0, 1.0)
    """
    positions = table(attained, "attained positions", least=(2, 1))
    wanted = readings(command, "commanded pose", least=1)
    if positions.shape[1] != len(wanted):
        raise BadReadings(f"positions of {positions.shape[1]} coordinates and a command of {len(wanted)}")
    centre = positions.mean(axis=0)
    distances = np.linalg.norm(positions - centre, axis=1)
    return Pose(
        n=len(positions),
        barycentre=tuple(map(float, centre)),
        accuracy=float(np.linalg.norm(centre - wanted)),
        mean_distance=float(distances.mean()),
        sd_distance=float(distances.std(ddof=1)),
    )


def greatest_drift(measurements: Sequence[Pose]) -> tuple[float, float]:
    """Greatest change of accuracy and of repeatability against the first measurement: dAP and dRP.

    Raises
    ------
    BadReadings : fewer than two measurements.
    """
    if len(measurements) < 2:
        raise BadReadings(f"{len(measurements)} measurements of a pose, where a drift takes two")
    first, *later = measurements
    return (
        max(abs(one.accuracy - first.accuracy) for one in later),
        max(abs(one.repeatability - first.repeatability) for one in later),
    )
