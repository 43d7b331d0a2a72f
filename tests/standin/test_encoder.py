"""Quadrature decoding against a brute-force list of edges."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.axis import Decoding
from stepwitness.standin.encoder import CHANNELS, EncoderTrack, QuadratureDecoder
from stepwitness.standin.parameters import EncoderPhysics

walks = st.lists(st.integers(-9, 9), max_size=40)


def track(
    decoding: Decoding = Decoding.X4, *, missed: float = 0.0, doubled: float = 0.0, seed: str = "1"
) -> EncoderTrack:
    return EncoderTrack(
        decoder=QuadratureDecoder(decoding),
        physics=EncoderPhysics(missed_edge=missed, doubled_edge=doubled),
        states_per_unit=1.0,
        origin=0.0,
        rotary=False,
        seed=seed,
    )


def brute_force(decoding: Decoding, turns: list[int]) -> int:
    """Counts from every edge of channels A and B on the way through `turns`, one edge at a time.

    An edge of A counts at X2 and X4, one of B at X4; at X1 only that edge of A at which B is low. Up is where A
    leads B.
    """
    counts, state = 0, 0
    for turn in turns:
        while state != turn:
            way = 1 if turn > state else -1
            (a, b), (a_after, b_after) = CHANNELS[state % 4], CHANNELS[(state + way) % 4]
            edge_of_a = a != a_after
            assert edge_of_a != (b != b_after)
            if edge_of_a:
                direction = 1 if (a_after != b_after) else -1
                counts += direction if decoding is not Decoding.X1 or b == 0 else 0
            elif decoding is Decoding.X4:
                counts += 1 if a_after == b_after else -1
            state += way
    return counts


@given(walk=walks, decoding=st.sampled_from(Decoding))
def test_sweeps_count_what_single_edges_count(walk: list[int], decoding: Decoding) -> None:
    place, turns = 0, []
    swept = track(decoding)
    for step in walk:
        place += step
        turns.append(place)
        swept.move_to(float(place))
    assert swept.decoder.counts == brute_force(decoding, turns)
    assert swept.decoder.faults == 0


@given(walk=st.lists(st.floats(-0.49, 0.49), max_size=20), decoding=st.sampled_from(Decoding))
def test_turns_inside_one_state_count_nothing(walk: list[float], decoding: Decoding) -> None:
    still = track(decoding)
    for place in walk:
        still.move_to(place)
    assert still.decoder.counts == 0


@pytest.mark.parametrize("decoding", list(Decoding))
def test_a_shaft_that_trembles_on_an_edge_never_runs_away(decoding: Decoding) -> None:
    trembling = track(decoding)
    for _ in range(1000):
        trembling.move_to(0.6)
        trembling.move_to(0.4)
    assert trembling.decoder.counts == 0


@pytest.mark.parametrize("decoding", list(Decoding))
def test_counts_return_to_the_start(decoding: Decoding) -> None:
    there_and_back = track(decoding)
    there_and_back.move_to(4321.0)
    assert there_and_back.decoder.counts == (4321 - 1) * decoding.value // 4 + 1
    there_and_back.move_to(-1234.0)
    there_and_back.move_to(0.0)
    assert there_and_back.decoder.counts == 0


@given(
    start=st.integers(-20, 20), end=st.integers(-20, 20), behind=st.integers(0, 3), decoding=st.sampled_from(Decoding)
)
def test_a_sweep_at_once_sees_what_a_sweep_state_by_state_sees(
    start: int, end: int, behind: int, decoding: Decoding
) -> None:
    """Also where the decoder has missed edges before and stands in a wrong state."""
    at_once, one_by_one = (QuadratureDecoder(decoding, start + behind) for _ in range(2))
    at_once.pass_by(start, end)
    for state in range(start, end, 1 if end > start else -1):
        state += 1 if end > start else -1
        one_by_one.see(*CHANNELS[state % 4])
    assert (at_once.counts, at_once.faults) == (one_by_one.counts, one_by_one.faults)


def test_a_missed_edge_is_a_fault_and_two_lost_counts() -> None:
    missing = track(missed=1e-3)
    missing.move_to(100_000.0)
    assert missing.decoder.faults > 50
    assert missing.true_states - missing.decoder.counts == 2 * missing.decoder.faults


def test_missed_edges_come_as_often_as_they_should() -> None:
    """Binomial: 200 of 200,000 expected, standard deviation 14."""
    missing = track(missed=1e-3, seed="often")
    missing.move_to(200_000.0)
    assert abs(missing.decoder.faults - 200) < 4 * 14


def test_doubled_edges_add_counts_and_no_fault() -> None:
    doubling = track(doubled=1e-3)
    doubling.move_to(100_000.0)
    assert doubling.decoder.faults == 0
    assert 50 < doubling.decoder.counts - 100_000 < 150
    doubling.move_to(0.0)
    assert abs(doubling.decoder.counts) < 100


def test_an_edge_missed_and_undone_costs_nothing() -> None:
    decoder = QuadratureDecoder(Decoding.X4)
    decoder.pass_by(1, 0)
    assert (decoder.counts, decoder.faults) == (0, 0)


def test_chances_don_t_depend_on_how_the_path_is_cut() -> None:
    whole, cut = (track(missed=1e-3, doubled=1e-3, seed="same") for _ in range(2))
    whole.move_to(10_000.0)
    for place in range(0, 10_001, 7):
        cut.move_to(float(place))
    cut.move_to(10_000.0)
    assert (whole.decoder.counts, whole.decoder.faults) == (cut.decoder.counts, cut.decoder.faults)


@pytest.mark.parametrize("missed", [1.0, 0.5])
def test_an_encoder_that_misses_most_edges_still_ends(missed: float) -> None:
    blind = track(missed=missed)
    blind.move_to(10_000.0)
    assert blind.true_states == 10_000
    assert blind.decoder.counts < 10_000
