from __future__ import annotations

import pytest

from stepwitness.errors import BadInput
from stepwitness.serials import expanded


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
