"""A known case: what must come out, what came out, and how near the two must be."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Check:
    """One figure of a case. `expected` and `found` are as texts, so that no digit is lost; `tolerance` is in words."""

    figure: str
    expected: str
    found: str
    tolerance: str
    agrees: bool


@dataclass(frozen=True)
class Case:
    """A known case. `source` : where its expected values come from. `checks` is given a folder of its own."""

    name: str
    source: str
    checks: Callable[[Path], Iterable[Check]]


def near(figure: str, expected: str | float, found: float, *, relative: float = 0.0, absolute: float = 0.0) -> Check:
    """A number, to within the greater of both tolerances."""
    agrees = math.isclose(float(found), float(expected), rel_tol=relative, abs_tol=absolute)
    allowed = [f"{tolerance:g}{unit}" for tolerance, unit in ((relative, " of it"), (absolute, "")) if tolerance]
    return Check(figure, str(expected), repr(float(found)), f"within {' or '.join(allowed) or '0'}", agrees)


def same(figure: str, expected: object, found: object) -> Check:
    """A word, a count, a list: exactly what is due."""
    return Check(figure, str(expected), str(found), "the same", expected == found)


def ran(case: Case, folder: Path) -> list[Check]:
    """The checks of a case; what can't be run differs, and says why."""
    try:
        found = list(case.checks(folder))
    except Exception as error:  # whatever is wrong with an installation is a finding of its proof
        return [Check("the case as a whole", "runs", f"{type(error).__name__}: {error}", "", False)]
    return found or [Check("the case as a whole", "at least one figure", "none", "", False)]
