"""What a qualification file says, as frozen data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from enum import Enum
from fractions import Fraction

from stepwitness.attempts import Why
from stepwitness.bench.description import BenchDescription
from stepwitness.errors import Place
from stepwitness.plan.description import Measured, Plan


class By(Enum):
    """How a clause is judged across units."""

    ALL_PASS = "all pass"
    TOLERANCE = "tolerance interval"
    RELIABILITY = "reliability"
    CAPABILITY = "capability"


class Order(Enum):
    """Which comes first: a clause on all units, or a unit through all clauses."""

    BY_CLAUSE = "by clause"
    BY_UNIT = "by unit"


@dataclass(frozen=True)
class Criterion:
    """What must hold across the units of a clause.

    Attributes
    ----------
    measured : the limit whose figure is judged, for a tolerance interval and for capability.
    content, confidence : of the tolerance interval; `confidence` also of reliability and capability.
    any_distribution : the tolerance interval supposes no normal figure.
    reliability, failures : to be shown, with no more than so many units that don't pass.
    least : Ppk, of which the lower bound at that confidence must reach it.
    counting : re-runs for these reasons count in place of what decided a unit before.
    """

    by: By
    measured: Measured | None = None
    content: float = 0.0
    confidence: float = 0.0
    any_distribution: bool = False
    reliability: float = 0.0
    failures: int = 0
    least: float = 0.0
    counting: frozenset[Why] = frozenset()


@dataclass(frozen=True)
class Clause:
    """A numbered clause: what is run, and when it is met. `file` : of its plan, as the qualification file names it."""

    number: str
    title: str
    file: str
    plan: Plan
    bench: BenchDescription
    criterion: Criterion

    @property
    def heading(self) -> str:
        return f"{self.number} {self.title}"


@dataclass(frozen=True)
class Approval:
    by: str
    on: date


@dataclass(frozen=True)
class Revision:
    """The file's own mark of its state, its day, and what changed against the one before."""

    mark: str
    of: date | None = None
    changes: str = ""


@dataclass(frozen=True)
class AmbientRange:
    """A quantity of the environment that is recorded, and what it must lie between, in its unit."""

    quantity: str
    low: Fraction
    high: Fraction
    unit: str


@dataclass(frozen=True)
class HoldPoint:
    """Before a clause work stops until somebody releases it. `by` : whose part that is."""

    id: str
    before: str
    title: str
    by: str = ""


@dataclass(frozen=True)
class QualificationDescription:
    """A qualification file, read and converted; its plans and their benches are read too.

    `files` are the texts of this file, the plans and the benches, by path from this file's folder; the first is this
    file itself.
    """

    path: str
    number: str
    title: str
    revision: Revision
    approval: Approval | None
    units: tuple[str, ...]
    order: Order
    preconditions: tuple[str, ...]
    environment: tuple[AmbientRange, ...]
    clauses: tuple[Clause, ...]
    hold_points: tuple[HoldPoint, ...]
    files: Mapping[str, str]
    place: Place = Place()

    @property
    def heading(self) -> str:
        """The qualification as a sentence begins with it."""
        return f"qualification {self.number}, {self.title}"

    @property
    def cells(self) -> tuple[tuple[Clause, str], ...]:
        """Every clause on every unit, in the order of the work."""
        if self.order is Order.BY_UNIT:
            return tuple((clause, serial) for serial in self.units for clause in self.clauses)
        return tuple((clause, serial) for clause in self.clauses for serial in self.units)

    def clause(self, number: str) -> Clause | None:
        return next((clause for clause in self.clauses if clause.number == number), None)
