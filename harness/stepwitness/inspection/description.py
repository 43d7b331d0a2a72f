"""What a lot file says, as frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from stepwitness.metrology.sampling import Edition
from stepwitness.metrology.sampling_tables import Level
from stepwitness.plan.description import Measured


class Counting(Enum):
    """What a unit whose worst finding is INCONCLUSIVE counts as; OPEN leaves it, and so the sample, undecided."""

    NONCONFORMING = "nonconforming"
    CONFORMING = "conforming"
    OPEN = "open"


@dataclass(frozen=True)
class Reduction:
    """Whether inspection may be reduced: whoever is responsible wants it, and production runs at a steady rate.

    `limit_number` : of MIL-STD-105E table VIII for the samples of the last ten lots.
    """

    wanted: bool = False
    steady: bool = True
    limit_number: int | None = None


@dataclass(frozen=True)
class Sampling:
    """How the sample is found. `measured` : what is judged by variables, nothing for sampling by attributes."""

    edition: Edition
    level: Level
    aql_percent: float
    measured: tuple[Measured, ...] = ()


@dataclass(frozen=True)
class LotDescription:
    """A lot file, read and converted. `text` is the file as read, `plan` the path of its plan.

    `resubmits` : the lot as which these units were inspected before, or an empty text for an original inspection.
    """

    path: str
    text: str
    supplier: str
    part: str
    lot: str
    serials: tuple[str, ...]
    plan: str
    sampling: Sampling
    inconclusive: Counting = Counting.NONCONFORMING
    reduction: Reduction = Reduction()
    resubmits: str = ""

    @property
    def quantity(self) -> int:
        return len(self.serials)

    @property
    def title(self) -> str:
        """The lot as a sentence begins with it."""
        return f"lot {self.lot} of {self.part} from {self.supplier}"
