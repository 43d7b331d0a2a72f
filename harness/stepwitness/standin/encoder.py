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
from stepwitness.standin.parameters import EncoderPhysics

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
        self.index_counts: int | None = None

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
    physics : what the encoder does wrong.
    states_per_unit : quadrature states per unit of the path (radian or metre).
    origin : where the path begins; the counter stands at 0 there.
    rotary : the path is an angle in radians, so that eccentricity shows once a turn.
    """

    def __init__(
        self,
        *,
        decoder: QuadratureDecoder,
        physics: EncoderPhysics,
        states_per_unit: float,
        origin: float,
        rotary: bool,
        seed: str,
    ) -> None:
        self.decoder = decoder
        self._scale, self._eccentricity = states_per_unit, 2.0 * math.pi * physics.eccentricity_turns * rotary
        self._phase = physics.phase
        self._phase -= self._states(origin) - self._phase
        self._rise_of_b, self._fall_of_a = 4.0 * physics.phase_error, 4.0 * physics.duty_error
        self._even = physics.phase_error == 0.0 == physics.duty_error
        self._shortest_edge_s = physics.shortest_edge_s
        self._chance = physics.missed_edge + physics.doubled_edge
        self._share = physics.missed_edge / self._chance if self._chance else 0.0
        self._random = Random(seed)
        self._state = 0
        self._until_fault = self._draw()
        turn = round(2.0 * math.pi * abs(states_per_unit)) if rotary else 0
        self._states_per_turn = turn
        self._index = round(physics.index_turns * turn)
        self._turn = -self._index // turn if turn else 0

    @property
    def true_states(self) -> int:
        """States passed, whatever the counter saw of them."""
        return self._state

    def move_to(self, place: float, *, seconds: float = math.inf) -> None:
        """The path goes to `place` without turning on the way, in so many `seconds`."""
        state = self._state_at(place)
        if self._states_per_turn:
            turn = (state - self._index) // self._states_per_turn
            if turn != self._turn:
                # The last index pulse on the way, which latches the counts.
                passed = (turn + (turn < self._turn)) * self._states_per_turn + self._index
                self._turn = turn
                way = abs(state - self._state)
                share = abs(passed - self._state) / way if way else 0.0
                self._pass_to(passed, seconds * share if share else seconds)
                self.decoder.index_counts = self.decoder.counts
                seconds *= 1.0 - share
        self._pass_to(state, seconds)

    def _pass_to(self, state: int, seconds: float) -> None:
        if abs(state - self._state) * self._shortest_edge_s > seconds:
            self._outrun(state, seconds)
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

    def _outrun(self, state: int, seconds: float) -> None:
        """A counter that looks every `shortest_edge_s` sees only where the channels stand then."""
        looks = max(1, round(seconds / self._shortest_edge_s))
        start = self._state
        for look in range(1, looks + 1):
            self.decoder.see(*CHANNELS[(start + (state - start) * look // looks) % 4])
        self._state = state

    def _states(self, place: float) -> float:
        """States passed at `place`, and the fraction of the next one."""
        if self._eccentricity:
            place += self._eccentricity * math.sin(place)
        return place * self._scale + self._phase

    def _state_at(self, place: float) -> int:
        states = self._states(place)
        if self._even:
            return math.floor(states)
        line = math.floor(states / 4.0)
        within = states - 4.0 * line
        passed = (within >= 1.0) + (within >= 2.0 + self._rise_of_b) + (within >= 3.0 + self._fall_of_a)
        passed += (within >= 4.0 + self._rise_of_b) - (within < self._rise_of_b)
        return 4 * line + passed

    def _draw(self) -> int:
        """Edges until the next faulty one, counted from 1: a geometric number."""
        if self._chance <= 0.0:
            return 1 << 62
        if self._chance >= 1.0:
            return 1
        return 1 + int(math.log(1.0 - self._random.random()) / math.log1p(-self._chance))
