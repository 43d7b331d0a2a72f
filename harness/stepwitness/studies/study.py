"""What every study returns, and the table that it is made from."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stepwitness.errors import BadInput, Place
from stepwitness.files import quoted, read_text
from stepwitness.long_format import number, rows_of
from stepwitness.metrology.inputs import Interval
from stepwitness.metrology.statistics import BadReadings


@dataclass(frozen=True)
class Figure:
    """One number of a study; `interval` is None where it has none. `unit` is empty for a ratio.

    `wording` says where the figure comes from: a standard with its clause, or a formula.
    """

    title: str
    value: float
    interval: Interval | None = None
    unit: str = ""
    wording: str = ""


@dataclass(frozen=True)
class Study:
    """`statement` is the result in a sentence; `holds` whether what was wanted is shown, None where nothing was."""

    statement: str
    figures: tuple[Figure, ...]
    notes: tuple[str, ...] = ()
    holds: bool | None = None


@dataclass(frozen=True)
class Readings:
    """Lines of a file in long format: line number and cells by heading."""

    file: str
    lines: tuple[tuple[int, Mapping[str, str]], ...]

    @classmethod
    def read(cls, path: Path, columns: Sequence[str], *, only: Mapping[str, str] | None = None) -> Readings:
        """The lines of `path` whose cells are as `only` says; every one of `columns` has to be there.

        Raises
        ------
        BadInput : with file and line, for whatever is wrong; where no line is left.
        """
        chosen = dict(only or {})
        rows = rows_of(read_text(path), str(path), [*columns, *(name for name in chosen if name not in columns)])
        lines = tuple((line, row) for line, row in rows if all(row[name] == text for name, text in chosen.items()))
        if not lines:
            asked = ", ".join(f"{name} = {text}" for name, text in chosen.items())
            raise BadInput(
                "no reading stands below the headings", place=Place(str(path)), found=asked and f"none with {asked}"
            )
        return cls(str(path), lines)

    def numbers(self, column: str) -> list[float]:
        """The readings of a column, in the file's order.

        Raises
        ------
        BadInput : for a cell that holds none, with its line.
        """
        return [number(row[column], Place(self.file, line, column)) for line, row in self.lines]

    def words(self, column: str) -> list[str]:
        """The cells of a column.

        Raises
        ------
        BadInput : for an empty one, with its line.
        """
        for line, row in self.lines:
            if not row[column]:
                raise BadInput("an empty cell", place=Place(self.file, line, column), allowed="a name")
        return [row[column] for _, row in self.lines]

    def marks(self, column: str) -> list[bool]:
        """A column of yes and no, as 1 and 0, yes and no or true and false.

        Raises
        ------
        BadInput : for any other word, with its line.
        """
        return [self._mark(row[column], Place(self.file, line, column)) for line, row in self.lines]

    def grouped(self, value: str, by: Sequence[str]) -> dict[tuple[str, ...], list[float]]:
        """Readings of `value` by what stands in the columns `by`, in the order in which those come."""
        groups: dict[tuple[str, ...], list[float]] = {}
        keys = zip(*(self.words(name) for name in by), strict=True)
        for key, reading in zip(keys, self.numbers(value), strict=True):
            groups.setdefault(key, []).append(reading)
        return groups

    @staticmethod
    def _mark(text: str, place: Place) -> bool:
        if text.lower() not in _MARKS:
            raise BadInput("neither yes nor no", place=place, found=quoted(text), allowed="yes, no, true, false, 1, 0")
        return _MARKS[text.lower()]


_MARKS = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@contextmanager
def of_readings(table: Readings) -> Iterator[None]:
    """Whatever the arithmetic says of readings is the user's to mend, and names the file."""
    try:
        yield
    except BadReadings as error:
        raise BadInput(str(error), place=Place(table.file)) from None


def rounded(value: float, digits: int = 3) -> str:
    """`value` to so many significant digits, with a minus and an infinity as signs.

    >>> rounded(-12.3456), rounded(math.inf), rounded(1234.5)
    ('−12.3', '∞', '1234')
    """
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-4 <= abs(value) < 1e7:
        text = f"{float(text):.0f}"
    return text.replace("-", "−")


def between(interval: Interval, unit: str = "", digits: int = 3) -> str:
    """``9.8 to 18.4 %``."""
    return f"{rounded(interval.low, digits)} to {rounded(interval.high, digits)}" + (f" {unit}" if unit else "")
