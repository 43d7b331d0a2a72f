"""Counters that start anew at their end (first principles)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stepwitness.devices.clock import VirtualClock
from stepwitness.devices.counters.wrapping import Unwrapper, Wrap, unwrapper_from
from stepwitness.devices.errors import BadReply, OutOfRange
from stepwitness.errors import BadInput, Place

_bits = st.sampled_from([16, 32])


@given(
    bits=_bits, start=st.integers(-(10**6), 10**6), steps=st.lists(st.floats(-1, 1), max_size=40), signed=st.booleans()
)
def test_moves_within_the_limit_add_up_however_often_it_wraps(
    bits: int, start: int, steps: list[float], signed: bool
) -> None:
    span, limit = 1 << bits, (1 << bits) // 4

    def raw(true: int) -> int:
        return (true + span // 2) % span - span // 2 if signed else true % span

    unwrapper = Unwrapper(Wrap(bits, limit))
    true = start
    first = unwrapper.counts(raw(true))
    assert (first - true) % span == 0
    for share in steps:
        true += round(share * limit)
        assert unwrapper.counts(raw(true)) - first == true - start


@pytest.mark.parametrize(
    ("bits", "raws", "counts"),
    [
        (16, [65_530, 3], [-6, 3]),
        (16, [3, 65_530], [3, -6]),
        (16, [32_760, 32_775], [32_760, 32_775]),
        (16, [32_767, -32_766], [32_767, 32_770]),
        (32, [2**32 - 1, 1], [-1, 1]),
        (32, [2**31 - 1, -(2**31)], [2**31 - 1, 2**31]),
    ],
)
def test_both_sizes_wrap_in_both_directions_and_with_either_sign(bits: int, raws: list[int], counts: list[int]) -> None:
    unwrapper = Unwrapper(Wrap(bits, 100))
    assert [unwrapper.counts(raw) for raw in raws] == counts


def test_what_could_have_come_either_way_is_an_error_until_the_axis_is_referenced_again() -> None:
    unwrapper = Unwrapper(Wrap(16, 1000))
    unwrapper.counts(0)
    with pytest.raises(OutOfRange, match=r"from 0 to 2000 between two readings: 2000 counts.*allowed: 1000 either way"):
        unwrapper.counts(2000)
    with pytest.raises(OutOfRange, match="reference the axis again"):
        unwrapper.counts(2000)
    unwrapper.start_over()
    assert unwrapper.counts(2000) == 2000


def test_a_pause_in_which_it_could_have_gone_round_is_an_error_even_if_it_looks_as_if_it_had_not() -> None:
    clock = VirtualClock()
    unwrapper = Unwrapper(Wrap(16, 16_384, per_s=10_000.0), clock.now)
    unwrapper.counts(5)
    clock.sleep(4.9)
    assert unwrapper.counts(6) == 6
    clock.sleep(5.0)
    with pytest.raises(OutOfRange, match=r"5 s between two readings, time for 50000 counts.*16 bits wraps"):
        unwrapper.counts(6)


def test_a_lost_link_leaves_a_counter_that_wraps_in_doubt_and_no_other() -> None:
    wraps, counts_on = Unwrapper(Wrap(16, 100)), Unwrapper()
    for unwrapper in (wraps, counts_on):
        unwrapper.counts(1)
        unwrapper.doubt("the link was lost")
    assert counts_on.counts(70_000) == 70_000
    with pytest.raises(OutOfRange, match="the link was lost; reference the axis again"):
        wraps.counts(1)


@pytest.mark.parametrize("raw", [65_536, -32_769, 10**12])
def test_a_number_that_the_counter_cannot_hold_is_no_reading(raw: int) -> None:
    with pytest.raises(BadReply, match=f"a counter of 16 bits can't read {raw}"):
        Unwrapper(Wrap(16, 100)).counts(raw)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"wraps_at": "24 bit"}, "counter.wraps_at: no such counter; found '24 bit'; allowed: 0, 16 bit or 32 bit"),
        ({"wraps_at": "16 bit", "most_counts_per_reading": "32768"}, "counter.most_counts_per_reading: out of bounds"),
        ({"most_counts_per_s": "5"}, "counter.most_counts_per_s: 'most_counts_per_s' without 'wraps_at'"),
    ],
)
def test_options_that_cannot_be_are_told(options: dict[str, str], says: str) -> None:
    with pytest.raises(BadInput) as caught:
        unwrapper_from(options, Place("b.yaml", 6, "counter"), VirtualClock())
    assert str(caught.value).startswith(f"b.yaml:6 {says}")
    assert unwrapper_from({"wraps_at": "16 bit"}, Place(), VirtualClock()).counts(65_535) == -1
