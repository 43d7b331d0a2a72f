"""An incremental encoder and the counter behind it.

1. The encoder is a number of quadrature states passed since power-up; the counter is a state machine that sees the
   two channels only, and what it has missed it never knows.
2. Counts follow positions: X1 counts the edge between states 0 and 1 in both directions, X2 also the one between
   2 and 3, X4 all of them. A shaft that trembles on an edge therefore counts up and down, and never away.
3. A transition in which both channels change has no direction: no count, one fault.
"""

from __future__ import annotations

import math
from random import Random

from stepwitness.axis import Decoding

CHANNELS = ((0, 0), (1, 0), (1, 1), (0, 1))
"""Channels A and B in the four states of one line, in the order in which they rise: A leads B counting up."""

_STATE_OF = {channels: state for state, channels in enumerate(CHANNELS)}


class QuadratureDecoder:
    """Counts transitions of two channels."""

    def __init__(self, decoding: Decoding, state: int = 0) -> None:
        self._edges = {Decoding.X1: (0,), Decoding.X2: (0, 2), Decoding.X4: (0, 1, 2, 3)}[decoding]
        self._state = state % 4
        self.counts = 0
        self.faults = 0

    def see(self, a: int, b: int) -> None:
        """The channels now stand at `a` and `b`."""
        state = _STATE_OF[a, b]
        step = (state - self._state) % 4
        if step == 1 and self._state in self._edges:
            self.counts += 1
        elif step == 3 and state in self._edges:
            self.counts -= 1
        elif step == 2:
            self.faults += 1
        self._state = state

    def pass_by(self, start: int, end: int) -> None:
        """See every state from `start` (exclusive, already seen) to `end`, in one monotone sweep, at once."""
        if start == end:
            return
        if self._state != start % 4:
            # An earlier edge was missed: the first state of the sweep is seen against a wrong one.
            start += 1 if end > start else -1
            self.see(*CHANNELS[start % 4])
        if len(self._edges) == 4:
            self.counts += end - start
        else:
            self.counts += sum(_crossings(start, end, edge) for edge in self._edges)
        self._state = end % 4

    def repeat(self, before: int, after: int) -> None:
        """The edge from state `before` to the neighbouring `after`, already seen, bounces and is counted twice."""
        edge = before % 4 if after > before else after % 4
        if edge in self._edges:
            self.counts += 1 if after > before else -1


def _crossings(start: int, end: int, edge: int) -> int:
    """Signed passes over the edges between 4n + `edge` and 4n + `edge` + 1 on the way from `start` to `end`."""
    return (end - edge + 3) // 4 - (start - edge + 3) // 4


class EncoderTrack:
    """Follows the plant's path and feeds every edge on it to a decoder, some of them missed or doubled.

    Parameters
    ----------
    states_per_unit : quadrature states per unit of the path (radian or metre).
    origin : where the path begins; the counter stands at 0 there.
    phase : how far into its first state the path begins, 0 to 1.
    missed, doubled : chance per edge.
    """

    def __init__(
        self,
        *,
        decoder: QuadratureDecoder,
        states_per_unit: float,
        origin: float,
        phase: float,
        missed: float,
        doubled: float,
        seed: str,
    ) -> None:
        self.decoder = decoder
        self._scale, self._phase = states_per_unit, phase - origin * states_per_unit
        self._chance, self._share = missed + doubled, missed / (missed + doubled) if missed + doubled else 0.0
        self._random = Random(seed)
        self._state = 0
        self._until_fault = self._draw()

    @property
    def true_states(self) -> int:
        """States passed, whatever the counter saw of them."""
        return self._state

    def move_to(self, place: float) -> None:
        """The path goes to `place` without turning on the way."""
        state = math.floor(place * self._scale + self._phase)
        while abs(state - self._state) >= self._until_fault:
            way = 1 if state > self._state else -1
            before = self._state + way * (self._until_fault - 1)
            self.decoder.pass_by(self._state, before)
            self._state = before + way
            if self._random.random() >= self._share:
                self.decoder.pass_by(before, self._state)
                self.decoder.repeat(before, self._state)
            self._until_fault = self._draw()
        if state == self._state:
            return
        self._until_fault -= abs(state - self._state)
        self.decoder.pass_by(self._state, state)
        self._state = state

    def _draw(self) -> int:
        """Edges until the next faulty one, counted from 1: a geometric number."""
        if self._chance <= 0.0:
            return 1 << 62
        if self._chance >= 1.0:
            return 1
        return 1 + int(math.log(1.0 - self._random.random()) / math.log1p(-self._chance))
