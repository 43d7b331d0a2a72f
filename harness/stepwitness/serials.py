"""Serial numbers, and ranges of them as files write them."""

from __future__ import annotations

import re

from stepwitness.errors import BadInput
from stepwitness.files import quoted

LARGEST_RANGE = 100_000
_ENDS = re.compile(r"(\S+) to (\S+)")
_NUMBERED = re.compile(r"(.*?)([0-9]+)")


def expanded(text: str) -> tuple[str, ...]:
    """The serial numbers that one entry stands for: itself, or a range such as ``FS-0401 to FS-0425``.

    Raises
    ------
    BadInput : a text with blanks that isn't a range; ends that differ in more than their last digits, or the wrong way.

    Examples
    --------
    >>> expanded("FS-098 to FS-101")
    ('FS-098', 'FS-099', 'FS-100', 'FS-101')
    """
    if not re.search(r"\s", text):
        return (text,)
    ends = _ENDS.fullmatch(text)
    if ends is None:
        raise BadInput("neither a serial number nor a range", found=quoted(text), allowed="FS-0401 to FS-0425")
    first, last = (_NUMBERED.fullmatch(end) for end in ends.groups())
    if first is None or last is None or first[1] != last[1] or len(first[2]) != len(last[2]):
        raise BadInput(
            "the ends of a range differ in their last digits alone", found=quoted(text), allowed="FS-0401 to FS-0425"
        )
    low, high, width = int(first[2]), int(last[2]), len(first[2])
    if low > high:
        raise BadInput("a range that runs downwards", found=quoted(text), allowed=f"{ends[2]} to {ends[1]}")
    if high - low >= LARGEST_RANGE:
        raise BadInput("a range of too many units", found=quoted(text), allowed=f"up to {LARGEST_RANGE}")
    return tuple(f"{first[1]}{number:0{width}d}" for number in range(low, high + 1))
