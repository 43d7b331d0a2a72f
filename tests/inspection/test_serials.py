from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from stepwitness.errors import BadInput
from stepwitness.inspection.serials import drawn, expanded

LOT = tuple(f"FS-{number:04d}" for number in range(25))


@pytest.mark.parametrize(
    ("text", "serials"),
    [
        ("FS-0401", ("FS-0401",)),
        ("0012345", ("0012345",)),
        ("FS-098 to FS-101", ("FS-098", "FS-099", "FS-100", "FS-101")),
        ("7 to 9", ("7", "8", "9")),
        ("2026/17-A9 to 2026/17-A9", ("2026/17-A9",)),
    ],
)
def test_a_range_keeps_every_zero(text: str, serials: tuple[str, ...]) -> None:
    assert expanded(text) == serials


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("FS 0401", "neither a serial number nor a range"),
        ("FS-0401 to FX-0425", "differ in their last digits alone"),
        ("FS-99 to FS-101", "differ in their last digits alone"),
        ("FS-A to FS-B", "differ in their last digits alone"),
        ("FS-0425 to FS-0401", "runs downwards; found 'FS-0425 to FS-0401'; allowed: FS-0401 to FS-0425"),
        ("FS-000000 to FS-100000", "too many units"),
    ],
)
def test_what_is_no_range_is_told(text: str, problem: str) -> None:
    with pytest.raises(BadInput, match=problem):
        expanded(text)


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
