from __future__ import annotations

from collections import Counter

from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.inspection.serials import drawn

LOT = tuple(f"FS-{number:04d}" for number in range(25))


def test_seed_and_serial_numbers_alone_make_the_sample() -> None:
    """By hand: printf '1:FS-0000' | sha256sum, and so on, the least first."""
    import hashlib

    by_hand = sorted(LOT, key=lambda serial: hashlib.sha256(b"1:" + serial.encode()).hexdigest())
    assert drawn(LOT, 5, 1) == tuple(by_hand[:5])
    assert drawn(tuple(reversed(LOT)), 5, 1) == drawn(LOT, 5, 1)


@given(st.integers(0, 2**48), st.integers(1, 25))
def test_a_sample_has_each_unit_once_and_grows_by_its_end(seed: int, sample: int) -> None:
    units = drawn(LOT, sample, seed)
    assert len(set(units)) == sample
    assert set(units) <= set(LOT)
    assert drawn(LOT, 25, seed)[:sample] == units


def test_every_unit_is_drawn_alike_often() -> None:
    """Chi-square over 4000 draws of 5 of 25; each is counted 800 times on average. Seeds are fixed."""
    seen = Counter(serial for seed in range(4000) for serial in drawn(LOT, 5, seed))
    # of a draw without replacement the counts vary less than independent ones by (25 - 5)/24
    statistic = sum((seen[serial] - 800) ** 2 / 800 for serial in LOT) * 24 / 20
    assert 1e-3 < stats.chi2.sf(statistic, 24) < 1 - 1e-3
