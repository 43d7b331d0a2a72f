"""CSV in long format: headings in the first line, one reading a line; commas, semicolons or tabs between them.

Nothing is dropped or filled in: what isn't as it should be is refused with its line.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence

from stepwitness.errors import BadInput, Place, near_miss
from stepwitness.files import quoted

DELIMITERS = (",", ";", "\t")


def rows_of(text: str, file: str, wanted: Sequence[str]) -> Iterator[tuple[int, dict[str, str]]]:
    """Line number and cells by heading, of every line that isn't blank.

    Raises
    ------
    BadInput : a heading of `wanted` that isn't there once, a line that is longer or shorter than the headings.
    """
    if not text.strip("\ufeff \r\n"):
        raise BadInput("the file is empty", place=Place(file))
    first = text.lstrip("\ufeff").partition("\n")[0]
    found = {mark: next(csv.reader([first], delimiter=mark), []) for mark in DELIMITERS}
    mark, headings = max(
        found.items(), key=lambda item: (sum(name in map(str.strip, item[1]) for name in wanted), len(item[1]))
    )
    headings = [name.strip() for name in headings]
    for name in wanted:
        if headings.count(name) != 1:
            raise BadInput(
                f"the column '{name}' stands twice" if name in headings else f"there is no column '{name}'",
                place=Place(file, 1),
                found=", ".join(headings),
                cure=near_miss(name, headings) if name not in headings else "",
            )
    reader = csv.reader(io.StringIO(text.lstrip("\ufeff")), delimiter=mark)
    next(reader)
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(headings):
            raise BadInput(
                "a line of another length than the headings",
                place=Place(file, reader.line_num),
                found=f"{len(cells)} cells",
                allowed=f"{len(headings)}",
            )
        yield reader.line_num, dict(zip(headings, map(str.strip, cells), strict=True))


def number(text: str, place: Place) -> float:
    """The reading in a cell.

    Raises
    ------
    BadInput : for an empty cell, and for what isn't a finite number with a decimal point.
    """
    allowed = "a number with a decimal point, such as 12.5"
    if not text:
        raise BadInput("a reading is missing", place=place, allowed=allowed)
    try:
        value = float(text.replace("−", "-"))
    except ValueError:
        cure = "write decimals with a point" if "," in text else ""
        raise BadInput("not a number", place=place, found=quoted(text), allowed=allowed, cure=cure) from None
    if not math.isfinite(value):
        raise BadInput("not a reading", place=place, found=quoted(text), allowed=allowed)
    return value
