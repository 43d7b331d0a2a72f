"""A finding's budget, simulated: what is left of its expanded uncertainty once each contribution has its distribution.

1. The contributions are drawn as they stand in the budget and added; trials end by the adaptive rule of JCGM 101:2008,
   7.9, with one digit of u right, and not below 20,000; that takes a hundredth of a second.
2. The seed comes from names (a record's, a characteristic's), so a report that is made again shows the same digits.
3. Law of propagation and simulation are both shown. Where they differ by more than a twentieth, the law's assumption
   (a normal sum, or Student's t of Welch–Satterthwaite's degrees of freedom) is what fails (8.1).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from stepwitness.findings import COVERAGE_PROBABILITY, Contribution
from stepwitness.metrology.budget import Distribution, Input, summed
from stepwitness.metrology.montecarlo import simulate

AGREEMENT = 0.05
"""Share of U by which both may differ. JCGM 101, 8.1, takes half a unit of u's last digit, which for one digit is 5 %
to 50 % of it, as that digit falls; here it is always the strictest."""

_LEAST_TRIALS, _MOST_TRIALS = 20_000, 100_000

_NO_STANDARD_DEVIATION = 2.0
"""Degrees of freedom up to which Student's t has none (JCGM 101:2008, 6.4.9), so that nothing of it settles."""


@dataclass(frozen=True)
class Simulated:
    """A budget simulated.

    Attributes
    ----------
    expanded : half the width of the interval that holds 95.45 % of the trials. stable : whether the trials settled.
    agrees : whether it is the expanded uncertainty by the law of propagation, within `AGREEMENT`.
    """

    expanded: float
    trials: int
    stable: bool
    agrees: bool


def simulated(budget: Sequence[Contribution], expanded_uncertainty: float, *names: str) -> Simulated | None:
    """The budget simulated, beside an `expanded_uncertainty` by the law of propagation, under a seed from `names`.

    None for a budget of nothing, and for one that has a distribution by a word that isn't known.
    """
    known = {distribution.value for distribution in Distribution}
    lines = [line for line in budget if line.standard_uncertainty > 0]
    if not lines or any(line.distribution not in known for line in lines):
        return None
    inputs = [
        Input(
            f"{index} {line.source}",
            0.0,
            line.standard_uncertainty,
            Distribution(line.distribution),
            line.degrees_of_freedom,
            line.kind,
        )
        for index, line in enumerate(lines)
    ]
    found = simulate(
        summed(inputs),
        probability=COVERAGE_PROBABILITY,
        digits=1,
        seed=_seed(names),
        least=_LEAST_TRIALS,
        most=_MOST_TRIALS,
    )
    half = (found.high - found.low) / 2
    stable = found.stable and all(
        line.degrees_of_freedom > _NO_STANDARD_DEVIATION for line in lines if line.distribution == "t"
    )
    agrees = stable and abs(half - expanded_uncertainty) <= AGREEMENT * expanded_uncertainty
    return Simulated(half, found.trials, stable, agrees)


def _seed(names: Sequence[str]) -> int:
    return int.from_bytes(hashlib.sha256("\n".join(names).encode()).digest()[:8], "big")
